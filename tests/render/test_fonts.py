"""What is printed can be printed: every character has a glyph, in five scripts, and runs the right way."""

from __future__ import annotations

import ast
import io
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pikepdf
import pypdfium2
import pytest
from fontTools.ttLib import TTFont

from reports.build import build_report
from reports.fonts import FAMILIES, files_of
from reports.render import html, pdf
from reports.renderer import renderer
from reports.scripts import way
from reports.sheet import build_sheet
from tests.render.conformance import faults
from tests.render.demo_run import run_sheet
from tests.render.demo_world import laboratory, sample
from tests.render.test_layouts import one_sample

ROOT = Path(__file__).parents[2]
TEXTS = {
    "Latin": "Long Acre north of the weir, 12.5 kg/ha ≤ ½ m²",
    "Greek": "Μακρύ χωράφι βόρεια του φράγματος, 12,5 kg/ha",
    "Cyrillic": "Длинное поле к северу от плотины, 12,5 кг/га",
    "Devanagari": "लम्बा खेत, बाँध के उत्तर में, १२.५ किग्रा/हे",
    "Arabic": "الحقل الطويل شمال السد، ١٢٫٥ كجم/هكتار (2026)",
}
FAMILY = {"Devanagari": "Mukta", "Arabic": "IBM-Plex-Sans-Arabic"}


@cache
def printable(package: str) -> frozenset[int]:
    """Characters that every weight of a family has."""
    return frozenset(set.intersection(*(set(TTFont(path).getBestCmap()) for path in files_of(package))))


def sources() -> Iterator[tuple[Path, str]]:
    """All that may come onto a page and is ours: templates, catalogues, texts in the program, tables."""
    for pattern in ("templates/*.j2", "styles/*.css", "wording/**/*.po*", "wording/**/*.yaml"):
        for path in sorted((ROOT / "reports").glob(pattern)):
            yield path, path.read_text("utf-8")
    for path in sorted((ROOT / "tables").rglob("*.yaml")):
        yield path, path.read_text("utf-8")
    for path in sorted(ROOT.glob("reports/*.py")):
        nodes = ast.walk(ast.parse(path.read_text("utf-8")))
        texts = [n.value for n in nodes if isinstance(n, ast.Constant) and isinstance(n.value, str)]
        if path.name != "renderer.py":  # its pattern of what is never printed
            yield path, "".join(texts)


def test_every_character_of_ours_is_in_the_text_font() -> None:
    found = list(sources())
    assert len(found) > 100
    used = {letter for _, text in found for letter in text if letter >= " "}
    assert {"½", "₂", "≤", "ñ", "µ"} <= used
    assert ord("✓") not in printable("fontpkg_fira_sans")  # the test could fail
    missing = {letter for letter in used if ord(letter) not in printable("fontpkg_fira_sans")}
    assert {letter: [str(p) for p, text in found if letter in text][:3] for letter in missing} == {}


@pytest.mark.parametrize("script", TEXTS)
def test_every_script_has_a_font(script: str) -> None:
    known = set().union(*(printable(package) for package in FAMILIES))
    assert {letter for letter in TEXTS[script] if ord(letter) not in known} == set()


def page_of_all() -> bytes:
    blocks = "".join(f"<h2{way(text)}>{name}</h2><p{way(text)}>{text} <strong>{text}</strong></p>"
                     for name, text in TEXTS.items())  # fmt: skip
    return renderer().draw(
        f'<html lang="en"><head><title>Scripts</title></head><body><h1>Scripts</h1>{blocks}</body></html>',
        "notice", "a4",
    )  # fmt: skip


def test_a_page_of_five_scripts_borrows_nothing_and_misses_nothing() -> None:
    """A missing glyph is logged by the renderer, and ``conftest`` fails the test."""
    written = page_of_all()
    assert faults(written) == []
    document = pikepdf.open(io.BytesIO(written))
    names = {str(font.BaseFont).split("+")[1] for font in document.pages[0].Resources.Font.values()}
    families = ("Fira-Sans", *FAMILY.values())
    assert names == {f"{family}{weight}" for family in families for weight in ("", "-Bold")}


def test_a_page_of_five_scripts_can_be_read_out() -> None:
    document = pypdfium2.PdfDocument(page_of_all())
    text = document[0].get_textpage().get_text_bounded()
    document.close()
    for script in ("Latin", "Greek", "Cyrillic"):
        assert TEXTS[script] in " ".join(text.split())
    for word in ("السد", "هكتار", "الطويل"):
        assert word in text or word[::-1] in text
    assert "खेत" in text


def test_arabic_begins_at_the_right() -> None:
    document = renderer().lay_out(
        f'<html lang="en"><head><title>t</title></head><body>'
        f"<p{way(TEXTS['Latin'])}>{TEXTS['Latin']}</p><p{way(TEXTS['Arabic'])}>{TEXTS['Arabic']}</p></body></html>",
        "notice", "a4",
    )  # fmt: skip
    (page,) = document.pages
    box = page._page_box
    lines = [item for item in box.descendants() if type(item).__name__ == "LineBox"]
    first, second = (next(iter(line.children)) for line in lines[:2])
    assert first.position_x == box.content_box_x()
    assert second.position_x + second.width == pytest.approx(box.content_box_x() + box.width)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Long Acre", ""),
        ("", ""),
        ("12 (5)", ""),
        ("12 الحقل", ' dir="rtl" lang="und-Arab"'),
        ("الحقل B", ' dir="rtl" lang="und-Arab"'),
        ("B الحقل", ""),
        ("שדה", ' dir="rtl" lang="und-Hebr"'),
        ("लम्बा", ""),
    ],
)
def test_the_first_letter_says_which_way(text: str, expected: str) -> None:
    assert way(text) == expected


def test_a_report_takes_names_in_all_scripts() -> None:
    names = list(TEXTS.values())
    advice = one_sample(
        field_name=names[4], grower_name=names[3], farm_name=names[2], samples=(sample("Q1", names[1]),)
    )
    page = build_report(advice, laboratory(agent_comment="\n".join(names[::-1])))
    assert faults(pdf(page)) == []
    leftward = re.findall(r'<(\w+) dir="rtl" lang="und-Arab">([^<]{5})', html(page))
    assert leftward == [("h1", names[4][:5]), ("p", names[4][:5])]


def test_figures_are_equally_wide() -> None:
    lines = "".join(f"<p>{figure * 10} <strong>{figure * 10}</strong></p>" for figure in "0123456789")
    document = renderer().lay_out(
        f'<html lang="en"><head><title>t</title></head><body>{lines}</body></html>', "notice", "a4"
    )
    texts = [item for item in document.pages[0]._page_box.descendants() if getattr(item, "text", "").strip()]
    assert len(texts) == 20
    assert len({item.width for item in texts}) == 2  # regular and bold


def test_no_style_asks_the_renderer_for_features_of_fonts() -> None:
    """Each line that does so loses memory for good: over 2,000 reports it came to a quarter of a gigabyte."""
    pdf(build_report(one_sample(), laboratory()))
    pdf(build_sheet(run_sheet(), laboratory()))
    assert renderer().fonts.font_features == {}
