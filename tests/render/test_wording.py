"""Every language says everything, and everything the science and the shipped tables choose has words."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
import yaml
from babel.messages.pofile import PoFileError

from interpretation.agronomy.formula import NAMES
from interpretation.agronomy.outcome import REFUSALS
from interpretation.agronomy.rated import RATE_REFUSALS
from interpretation.agronomy.tables import Nutrient, Source
from interpretation.laboratory.detection import Definition
from interpretation.laboratory.limits import ControlRule
from interpretation.laboratory.run import KINDS, Model, Response, SignalKind
from interpretation.methods import Hazard, Standing
from interpretation.quantities import ANALYTES, BASES
from interpretation.results import CheckName, Flag, Outcome, Verdict
from reports.catalogues import SOURCE
from reports.fonts import files_of
from reports.wording import LANGUAGES, catalogue
from tests.render.catalogue_files import check_catalogue, placeholders

ROOT = Path(__file__).parents[2]
TABLES = ROOT / "tables"
PROGRAM = ("interpretation", "reports", "service")
# A kind of soil that no shipped table asks for, and a word that stands inside conditions.
NAMED_BY_USERS = {"names.textures.peat", "names.joins.not"}
WORDING = ROOT / "reports" / "wording"
TEMPLATE = WORDING / "report.pot"
OTHERS = [language for language in LANGUAGES if language != SOURCE]


def leaves(tree: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], str]]:
    for key, value in tree.items():
        if isinstance(value, dict):
            yield from leaves(value, (*path, key))
        else:
            yield (*path, key), value


def written() -> tuple[set[str], tuple[str, ...]]:
    """Every text of program, pages and tables that could be a key, and every text that could begin one."""
    sources = [path for part in PROGRAM for path in sorted((ROOT / part).rglob("*.py"))]
    nodes = [node for path in sources for node in ast.walk(ast.parse(path.read_text("utf-8")))]
    whole = {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)}
    first = [node.values[0] for node in nodes if isinstance(node, ast.JoinedStr) and node.values]
    begun = {str(part.value) for part in first if isinstance(part, ast.Constant)}
    pages = "\n".join(
        path.read_text("utf-8") for part in PROGRAM for path in sorted((ROOT / part).rglob("*.j2"))
    )
    whole |= set(re.findall(r"[\"']([\w-]+)[\"']", pages))
    begun |= set(re.findall(r"[\"']([a-z]+-)[\"'] ~", pages))
    whole |= {"caption"}  # of every table: f"{name}-caption"
    whole |= {text for document in documents(TABLES) for text in scalars(document)}
    return whole, tuple(text for text in begun if re.fullmatch(r"[a-z]+-([a-z-]+)?", text))


def scalars(tree: Any) -> Iterator[str]:
    match tree:
        case dict():
            yield from map(str, tree)
            yield from (text for value in tree.values() for text in scalars(value))
        case list():
            yield from (text for value in tree for text in scalars(value))
        case _:
            yield str(tree)


def documents(folder: Path) -> Iterator[Any]:
    for path in sorted(folder.rglob("*.yaml")):
        content = yaml.safe_load(path.read_text(encoding="utf-8"))
        yield from content if isinstance(content, list) else [content]


def literals(folder: str, pattern: str) -> set[str]:
    """Keys written out in the science's source."""
    sources = sorted((ROOT / "interpretation" / folder).glob("*.py"))
    return {found for path in sources for found in re.findall(pattern, path.read_text(encoding="utf-8"))}


def test_every_language_has_a_catalogue() -> None:
    assert sorted(path.name for path in WORDING.iterdir()) == sorted([*OTHERS, TEMPLATE.name])


def test_all_languages_have_the_same_keys_and_placeholders() -> None:
    english = {path: placeholders(text) for path, text in leaves(catalogue("en"))}
    for language in LANGUAGES:
        other = {path: placeholders(text) for path, text in leaves(catalogue(language))}
        assert other.keys() == english.keys()
        assert {p: v for p, v in other.items() if v != english[p]} == {}


@pytest.mark.parametrize("path", sorted(WORDING.rglob("*.po*")), ids=lambda path: path.name)
def test_a_catalogue_is_whole_and_as_it_now_stands_in_english(path: Path) -> None:
    check_catalogue(path, TEMPLATE)


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (("#, python-brace-format\n", "#, fuzzy, python-brace-format\n"), ""),
        (('msgid "What to do"', 'msgid "To be done"'), "moved on"),
        (('msgctxt "page.head-do"', 'msgctxt "page.head-mind"'), "twice"),
        (('msgstr "Qué hacer"', 'msgstr ""'), ""),
        (("{limit}", "{lime}"), ""),
        (('msgstr "Qué hacer"\n', 'Qué hacer"\n'), None),
    ],
)
def test_a_catalogue_out_of_order_is_found(tmp_path: Path, harm: tuple[str, str], said: str | None) -> None:
    text = (WORDING / "es" / "report.po").read_text("utf-8")
    spoilt = tmp_path / "es" / "report.po"
    spoilt.parent.mkdir()
    at = text.index(harm[0])
    spoilt.write_text(text[:at] + text[at:].replace(*harm, 1), "utf-8")
    with pytest.raises(AssertionError if said is not None else PoFileError, match=said or None):
        check_catalogue(spoilt, TEMPLATE)


def test_every_key_is_used_somewhere() -> None:
    whole, begun = written()

    def is_put_together(key: str) -> bool:
        """Whether the program writes the beginning of a key, or both of its halves."""
        halves = [(key[: at.start()], key[at.end() :]) for at in re.finditer("-", key)]
        return key.startswith(begun) or any({*half} <= whole for half in halves)

    keys = [path for path, _ in leaves(catalogue("en"))]
    unused = [
        ".".join(path)
        for path in keys
        if path[-1] not in whole and not (path[0] in ("page", "details") and is_put_together(path[-1]))
    ]
    assert [key for key in unused if key not in NAMED_BY_USERS] == []
    assert not is_put_together("head-nowhere-said")


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_bundled_font_can_print_every_text(language: str) -> None:
    from fontTools.ttLib import TTFont

    known = set.intersection(*(set(TTFont(path).getBestCmap()) for path in files_of("fontpkg_fira_sans")))
    used = {ord(c) for _, text in leaves(catalogue(language)) for c in text} - {10}
    assert {chr(c) for c in used - known} == set()


NAMED: dict[str, tuple[str, ...]] = {
    "analytes": tuple(ANALYTES),
    "nutrients": get_args(Nutrient),
    "bases": BASES,
    "standings": (*get_args(Standing), *get_args(Source.model_fields["read"].annotation)),
    "signals": get_args(SignalKind),
    "kinds": KINDS,
    "models": get_args(Model),
    "responses": get_args(Response),
    "checks": tuple(CheckName),
    "outcomes": tuple(Outcome),
    "verdicts": tuple(Verdict),
    "flags": tuple(Flag),
    "inputs": tuple(NAMES),
    "reasons": (*filter(None, REFUSALS), "basis", "only-a-limit"),
}


@pytest.mark.parametrize("group", NAMED)
def test_names_cover_what_the_science_knows(group: str) -> None:
    assert [key for key in NAMED[group] if key not in catalogue("en")["names"][group]] == []


def test_sentences_cover_what_the_science_knows() -> None:
    words = catalogue("en")
    assert [key for key in (*REFUSALS, *RATE_REFUSALS) if key and key not in words["refusals"]] == []
    assert [flag for flag in Flag if flag not in words["flag_meanings"]] == []
    assert [key for key in get_args(Definition) if key not in words["limit_definitions"]] == []
    assert [key for key in get_args(ControlRule) if key not in words["details"]] == []
    assert set(get_args(Hazard)) == words["hazards"].keys()


def test_sentences_cover_the_keys_written_in_the_science() -> None:
    words = catalogue("en")
    steps = literals("agronomy", r'Step\(\s*key="([\w-]+)"') | literals("agronomy", r'else "(cap)"')
    assert {"table", "soil-test", "cap", "rounding"} <= steps  # the pattern finds them
    assert steps - words["steps"].keys() == set()
    said = (r'detail(?:: str)? ?= ?"([\w-]+)"', r'absent\([^()]*"([\w-]+)"\)')
    details = set().union(*(literals("laboratory", pattern) for pattern in said)) | {
        "diluted-too-far",
        "carry-over-high-low",
        "carry-over-blank-after-high",
        "trend-significant",
        "trend-not-significant",
    }
    assert {"no-reading", "absent", "not-bracketed"} <= details | words["details"].keys()
    assert details - words["details"].keys() == set()
    scope = literals("agronomy", r'(?:misses\[|_unequal\(|_not_among\()"([\w-]+)"')
    assert {"method", "day", "depth", "soil-group"} <= scope
    assert scope - catalogue("en")["names"]["scope"].keys() == set()


def test_shipped_tables_are_worded() -> None:
    words = catalogue("en")
    names = words["names"]
    notes = {rule["key"] for rule in documents(TABLES / "notes")}
    assert notes
    assert notes - words["notes"].keys() == set()
    assert {f"severity-{rule['severity']}" for rule in documents(TABLES / "notes")} - words[
        "page"
    ].keys() == set()
    assert {f"topic-{rule['topic']}" for rule in documents(TABLES / "notes")} - words["page"].keys() == set()
    materials = list(documents(TABLES / "materials"))
    assert {m["id"] for m in materials} - names["materials"].keys() == set()
    assert {key for m in materials for key in m.get("cautions", ())} - words["cautions"].keys() == set()
    assert {crop["id"] for crop in documents(TABLES / "crops")} - names["crops"].keys() == set()
    assert {method["id"] for method in documents(TABLES / "methods")} - names["methods"].keys() == set()
    scales = list(documents(TABLES / "marrowdale" / "scales"))
    assert {c["name"] for scale in scales for c in scale["classes"]} - names["classes"].keys() == set()
    rates = list(documents(TABLES / "marrowdale" / "rates"))
    assert {c["key"] for rate in rates for c in rate.get("credits", ())} - names["credits"].keys() == set()
    textures = {t for table in (*scales, *rates) for t in table.get("textures", ())}
    assert textures - names["textures"].keys() == set()


@pytest.mark.parametrize("language", LANGUAGES)
def test_units_of_the_checks_are_worded(language: str) -> None:
    written = "\n".join(path.read_text("utf-8") for path in (ROOT / "interpretation/laboratory").glob("*.py"))
    units = set(re.findall(r'"(% of [a-z ]+)"', written)) | set(re.findall(r'figure_unit="([^"]+)"', written))
    assert len(units) >= 4
    assert units <= set(catalogue(language)["names"]["figure_units"])
