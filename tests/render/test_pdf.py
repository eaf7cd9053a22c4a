"""The printed file: tagged, self-contained, reproducible, with its data inside.

This is not a validator's certificate: it checks the points that PDF/UA-1 (ISO 14289-1; from memory) and
archiving ask for and that can be read from the file.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import Any

import pikepdf
import pytest

from interpretation.errors import FurrowsliceError
from reports.build import build_report
from reports.render import PAPERS, Paper, html, pdf
from reports.renderer import renderer
from reports.sheet import build_sheet
from tests.render.demo_run import run_sheet
from tests.render.demo_world import field, laboratory

DATA = '{"own":"ç"}'
POINTS = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}


@cache
def made(kind: str = "report", paper: Paper = "a4", locale: str = "en") -> bytes:
    if kind == "sheet":
        return pdf(build_sheet(run_sheet(), laboratory(), locale=locale), paper)
    page = build_report(field(), laboratory(agent_comment="Call me."), locale=locale, attachment=DATA)
    return pdf(page, paper)


def opened(data: bytes) -> pikepdf.Pdf:
    return pikepdf.open(io.BytesIO(data))


def structure(document: pikepdf.Pdf) -> Iterator[Any]:
    waiting = [document.Root.StructTreeRoot.K]
    while waiting:
        item = waiting.pop(0)
        if isinstance(item, pikepdf.Array):
            waiting = [*item, *waiting]
        elif isinstance(item, pikepdf.Dictionary) and "/S" in item:
            yield item
            waiting = [item.get("/K", pikepdf.Array()), *waiting]


def fonts(document: pikepdf.Pdf) -> dict[str, Any]:
    found = {}
    for page in document.pages:
        for font in page.Resources.get("/Font", {}).values():
            found[str(font.BaseFont)] = font
    return found


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["report", "sheet"])
def test_every_page_has_the_paper_asked_for(kind: str, paper: Paper) -> None:
    for page in opened(made(kind, paper)).pages:
        assert [float(side) for side in page.MediaBox[2:]] == pytest.approx(POINTS[paper], abs=0.1)


@pytest.mark.parametrize("kind", ["report", "sheet"])
def test_language_title_and_mark(kind: str) -> None:
    document = opened(made(kind, locale="es"))
    assert str(document.Root.Lang) == "es"
    assert str(document.docinfo.Title) == {
        "report": "Informe de suelo: Long Acre", "sheet": "Hoja de laboratorio: serie BR-0412"
    }[kind]  # fmt: skip
    assert document.Root.MarkInfo.Marked
    assert document.Root.ViewerPreferences.DisplayDocTitle
    assert 'pdfuaid:part="1"' in bytes(document.Root.Metadata.read_bytes()).decode()
    assert str(document.docinfo.CreationDate).startswith("D:20260318")


@pytest.mark.parametrize("kind", ["report", "sheet"])
def test_headings_do_not_skip_a_level(kind: str) -> None:
    document = opened(made(kind))
    levels = [int(str(e.S)[2:]) for e in structure(document) if re.fullmatch(r"/H\d", str(e.S))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("kind", ["report", "sheet"])
def test_every_picture_is_told_in_words(kind: str) -> None:
    document = opened(made(kind))
    pictures = [e for e in structure(document) if e.S == "/Figure"]
    assert len(pictures) == (14 if kind == "report" else 3)  # four scales, ten values
    assert all(len(str(e.Alt)) > 16 for e in pictures)


@pytest.mark.parametrize("kind", ["report", "sheet"])
def test_table_cells_name_their_headers(kind: str) -> None:
    document = opened(made(kind))
    cells = list(structure(document))
    heads = {str(e.ID) for e in cells if e.S == "/TH" and "/ID" in e}
    assert heads
    for cell in cells:
        if cell.S == "/TD":
            assert {str(name) for name in cell.A.Headers} <= heads
            assert len(cell.A.Headers) >= 1


@pytest.mark.parametrize("kind", ["report", "sheet"])
def test_footers_and_bands_are_furniture_and_all_else_is_structure(kind: str) -> None:
    document = opened(made(kind))
    tree = document.Root.StructTreeRoot.ParentTree.Nums
    reached = {e.objgen for e in structure(document)}
    for page, owners in zip(document.pages, list(tree)[1::2], strict=True):
        ids, furniture = set(), 0
        for operands, operator in pikepdf.parse_content_stream(page):
            if str(operator) == "BDC" and "/MCID" in operands[1]:
                ids.add(int(operands[1].MCID))
            elif str(operator) == "BDC":
                furniture += 1
                assert str(operands[1].Type) == "/Pagination"
        assert furniture >= 3  # the band and two footers
        for number, owner in enumerate(owners):
            assert (number in ids) == (owner is not None)
            assert owner is None or owner.objgen in reached


@pytest.mark.parametrize("kind", ["report", "sheet"])
def test_no_font_but_the_bundled_one_and_all_embedded(kind: str) -> None:
    document = opened(made(kind))
    found = fonts(document)
    assert found
    for name, font in found.items():
        assert re.fullmatch(r"/[A-Z]{6}\+Fira-Sans(-Medium|-Bold)?", name)
        assert "/ToUnicode" in font
        assert "/FontFile2" in font.DescendantFonts[0].FontDescriptor


def test_the_data_are_attached_with_fixed_dates() -> None:
    document = opened(made())
    (name,) = document.attachments
    attached = document.attachments[name].get_file()
    assert name == "soil-report.json"
    assert attached.read_bytes() == DATA.encode()
    assert "D:20260318" in str(attached.obj.Params.CreationDate)
    assert attached.mime_type == "application/json"


def test_a_page_without_data_attaches_none() -> None:
    document = opened(pdf(build_report(field(), laboratory())))
    assert not document.attachments
    assert "/AF" not in document.Root


def test_the_same_input_gives_the_same_bytes() -> None:
    page = build_report(field(), laboratory(agent_comment="Call me."), attachment=DATA)
    assert pdf(page) == made()


def test_nothing_is_fetched_from_anywhere() -> None:
    fetcher = renderer().fetcher
    for address in ("http://127.0.0.1:9/x.png", "file:///etc/hostname", "ftp://127.0.0.1/x"):
        with pytest.raises(ValueError, match="disallowed protocol"):
            fetcher.fetch(address)
    assert fetcher.fetch("data:,kept").read() == b"kept"


def test_markup_in_names_is_text() -> None:
    page = build_report(field(field_name="<img src=x> & <b>"), laboratory(agent_comment="<script>1</script>"))
    written = html(page)
    assert "<img" not in written
    assert "<script" not in written
    assert "&lt;img src=x&gt; &amp; &lt;b&gt;" in written


def test_control_characters_and_direction_overrides_are_dropped() -> None:
    written = html(build_report(field(field_name="Lo\x00ng\x1b \u202eAcre"), laboratory()))
    assert "Long Acre" in written
    assert not re.search("[\x00\x1b\u202e]", written)


def test_an_unknown_paper_is_refused() -> None:
    page = build_report(field(), laboratory())
    for draw in (html, pdf):
        with pytest.raises(FurrowsliceError, match="unknown paper 'a5'"):
            draw(page, "a5")  # type: ignore[operator]
