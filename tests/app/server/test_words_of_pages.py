"""The words of the pages: whole in every language, all of them used, and none written into a template."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from string import Formatter

import pytest
from jinja2 import nodes

from service.web.templates import LANGUAGES, catalogue, environment, words
from tests.render.catalogue_files import check_catalogue

SERVICE = Path(__file__).parents[3] / "service"
WORDS = SERVICE / "pages" / "words"
TEMPLATES = sorted((SERVICE / "pages" / "templates").rglob("*.html.j2"))
OTHERS = sorted(set(LANGUAGES) - {"en"})
LETTERS = re.compile(r"[A-Za-zÀ-ÿ]{2,}")
# Written the same in both languages, or the same in every language.
SAME = {
    "PDF", "CSV", "XLSX", "GeoJSON", "Parquet", "JSON", "API", "pH", "UTC", "Total",
    "Control", "Normal", "Material", "ha", "kg/ha", "mg/kg", "mg/L", "No", "m", "cm", "t/ha",
    "Error", "Manual", "no",
}  # fmt: skip


def placeholders(text: str) -> set[str]:
    """The names that a text leaves open."""
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def test_every_area_has_a_catalogue_in_every_language() -> None:
    areas = sorted(path.stem for path in WORDS.glob("*.pot"))
    assert len(areas) >= 16
    assert {path.name for path in WORDS.iterdir() if path.is_dir()} == set(OTHERS)
    for each in OTHERS:
        assert sorted(path.stem for path in (WORDS / each).iterdir()) == areas


@pytest.mark.parametrize("path", sorted(WORDS.rglob("*.po*")), ids=lambda path: path.name)
def test_a_catalogue_says_everything_once_and_as_it_now_stands_in_english(path: Path) -> None:
    check_catalogue(path, WORDS / f"{path.stem}.pot")


@pytest.mark.parametrize("language", OTHERS)
def test_every_language_has_the_same_keys_and_leaves_the_same_open(language: str) -> None:
    english, other = catalogue("en"), catalogue(language)
    assert sorted(english) == sorted(other)
    assert {key for key in english if placeholders(english[key]) != placeholders(other[key])} == set()


@pytest.mark.parametrize("language", OTHERS)
def test_what_is_translated_differs_from_the_english(language: str) -> None:
    english, other = catalogue("en"), catalogue(language)

    def is_word(text: str) -> bool:
        bare = re.sub(r"\{.*?\}", " ", text)
        return bool(set(re.findall(r"[A-Za-zÀ-ÿ/]{2,}", bare)) - SAME)

    assert {
        key: english[key] for key in english if english[key] == other[key] and is_word(english[key])
    } == {}


# --------------------------------------------------------------------------------------------------- use


def _texts(node: nodes.Node) -> Iterator[tuple[str, bool]]:
    """Texts in a template, and whether more is put behind them to make a key."""
    joined = list(node.find_all((nodes.Concat, nodes.Add)))
    begun = set()
    for each in joined:
        first = each.nodes[0] if isinstance(each, nodes.Concat) else each.left
        if isinstance(first, nodes.Const) and isinstance(first.value, str):
            begun.add(id(first))
            yield first.value, True
    for const in node.find_all(nodes.Const):
        if isinstance(const.value, str) and id(const) not in begun:
            yield const.value, False


def _python_texts(path: Path) -> Iterator[tuple[str, bool]]:
    """Texts in a module, and whether more is put behind them."""
    tree = ast.parse(path.read_text("utf-8"))
    begun = set()
    for each in ast.walk(tree):
        if isinstance(each, ast.JoinedStr) and each.values and isinstance(each.values[0], ast.Constant):
            begun.add(id(each.values[0]))
            yield str(each.values[0].value), True
    for each in ast.walk(tree):
        if isinstance(each, ast.Constant) and isinstance(each.value, str) and id(each) not in begun:
            yield each.value, False


def named() -> tuple[set[str], set[str]]:
    """Every text of templates and modules that could be a key, and every one that could begin a key."""
    whole, begun = set(), set()
    found = [each for path in TEMPLATES for each in _texts(environment().parse(path.read_text("utf-8")))]
    found += [each for path in sorted(SERVICE.rglob("*.py")) for each in _python_texts(path)]
    for text, more in found:
        (begun if more else whole).add(text)
    return whole, {text for text in begun if re.fullmatch(r"[a-z]+\.[a-z0-9.-]*", text)}


def test_every_word_is_used_somewhere() -> None:
    whole, begun = named()
    beginnings = tuple(each for each in begun if not each.endswith("."))

    def is_used(key: str) -> bool:
        area, _, rest = key.partition(".")
        if key in whole or key.startswith(beginnings):
            return True
        # Put together from the area alone, the rest or its first word must be written out somewhere.
        return f"{area}." in begun and not whole.isdisjoint({rest, rest.split("-")[0]})

    assert [key for key in catalogue("en") if not is_used(key)] == []


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_every_key_that_a_template_names_exists_and_is_given_what_it_leaves_open(path: Path) -> None:
    known = catalogue("en")
    areas = {key.split(".")[0] for key in known}
    tree = environment().parse(path.read_text("utf-8"))
    for text, more in _texts(tree):
        if re.fullmatch(r"[a-z]+\.[a-z0-9-]+", text) and text.split(".")[0] in areas:
            assert any(key.startswith(text) for key in known) if more else text in known, text
    for call in tree.find_all(nodes.Call):
        if (
            isinstance(call.node, nodes.Name)
            and call.node.name == "w"
            and isinstance(call.args[0], nodes.Const)
        ):
            key = call.args[0].value
            given = {each.key for each in call.kwargs}
            # Words for the script keep their places open; those are filled in the browser.
            if given or not key.startswith("common.paste-"):
                assert given == placeholders(known[key]), key


def test_a_key_without_words_is_a_mistake_of_the_program() -> None:
    with pytest.raises(KeyError):
        words("en")("common.nothing-of-the-kind")


# ---------------------------------------------------------------------------------------------- templates


class Loose(HTMLParser):
    """Collects what a person would read that does not come from the words."""

    SPOKEN = ("title", "aria-label", "alt", "placeholder", "label", "aria-description", "summary")

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        # A macro may hold no more than attributes, for a tag that another opens.
        self._take(re.sub(r'\baria-(describedby|invalid)="[^"]*"', "", data))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name in self.SPOKEN or (name == "value" and dict(attrs).get("type") in ("submit", "button")):
                self._take(value or "")

    def _take(self, text: str) -> None:
        self.found += [word for word in LETTERS.findall(text) if word not in SAME]


def loose_words(source: str) -> list[str]:
    """Words in a template's own HTML: what a tag of the template puts there is left out."""
    html = "".join(
        value if kind == "data" else "" for _, kind, value in environment().lex(source)
    )  # fmt: skip
    reader = Loose()
    reader.feed(html)
    return reader.found


def test_a_word_written_into_a_template_is_found() -> None:
    page = '<p title="a">{{ w("x.y") }} kilo</p>{% if x %}<b class="state">held</b>{% endif %}'
    assert loose_words(page) == ["kilo", "held"]
    assert loose_words('<input aria-label="Find it"><a href="/runs">{{ name }}</a>') == ["Find", "it"]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_a_template_holds_no_words_of_its_own(path: Path) -> None:
    assert loose_words(path.read_text("utf-8")) == []
