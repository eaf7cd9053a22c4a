"""A logo in the head of a page: told in words, moving nothing, and absent from pages without one."""

from __future__ import annotations

import io
from typing import Any

import pikepdf
import pytest
from PIL import Image

from reports.build import build_report
from reports.render import PAPERS, html, page_kind, pdf
from reports.renderer import Paper, fill, renderer
from reports.sheet import build_sheet
from reports.view import GrowerReport, RunPage
from service.logos import read_logo
from tests.render.demo_run import run_sheet
from tests.render.demo_world import field, laboratory
from tests.render.logo_pictures import drawing, file, photograph

LOGOS = {
    "drawing": read_logo(file(drawing()), "logo"),
    "photograph": read_logo(file(photograph()), "logo"),
    "square": read_logo(file(drawing(500, 500)), "logo"),
    "pillar": read_logo(file(Image.new("L", (8, 1000), 90)), "logo"),
    "bar": read_logo(file(Image.new("L", (1000, 8), 90)), "logo"),
    "dot": read_logo(file(Image.new("L", (8, 8), 90)), "logo"),
}


def report(**changes: Any) -> GrowerReport:
    return build_report(field(), laboratory(**changes))


def sheet(**changes: Any) -> RunPage:
    return build_sheet(run_sheet(), laboratory(**changes))


def laid_out(page: GrowerReport | RunPage, paper: Paper) -> list[tuple[str, float, float, float, float]]:
    """Tag, corner and size of the first boxes of the first page."""
    kind = page_kind(page)
    boxes = renderer().lay_out(fill(kind, page=page), kind, paper).pages[0]._page_box.descendants()
    named = [box for box in boxes if box.element_tag in ("img", "h1", "p", "h2") and hasattr(box, "height")]
    return [(box.element_tag, box.position_x, box.position_y, box.width, box.height) for box in named]


@pytest.mark.parametrize("name", LOGOS)
@pytest.mark.parametrize("paper", PAPERS)
def test_a_logo_moves_nothing(name: str, paper: Paper) -> None:
    with_logo = laid_out(report(logo=LOGOS[name]), paper)
    images = [box for box in with_logo if box[0] == "img"]
    assert len(images) == 1
    _, left, top, width, height = images[0]
    mm = 96 / 25.4
    assert 0 < width <= 36 * mm + 0.01
    assert 0 < height <= 9 * mm + 0.01
    assert left + width <= {"a4": 195, "letter": 200.9}[paper] * mm + 0.01
    first = next(box for box in with_logo if box[0] == "h1")
    assert top + height <= first[2]
    without = laid_out(report(), paper)
    assert [(box[0], box[1], box[2]) for box in with_logo if box[0] != "img"] == [
        (box[0], box[1], box[2]) for box in without
    ]


@pytest.mark.parametrize("make", [report, sheet])
def test_a_logo_is_told_in_words(make: Any) -> None:
    document = pikepdf.open(io.BytesIO(pdf(make(logo=LOGOS["drawing"]))))
    told = [str(item.Alt) for item in document.objects
            if isinstance(item, pikepdf.Dictionary) and item.get("/S") == "/Figure"]  # fmt: skip
    assert told.count(laboratory().name) == 1
    name = 'Weir & "Sons" <Ltd>'
    assert 'alt="Weir &amp; &#34;Sons&#34; &lt;Ltd&gt;"' in html(make(logo=LOGOS["drawing"], name=name))


@pytest.mark.parametrize(("name", "packing"), [("drawing", "/FlateDecode"), ("photograph", "/DCTDecode")])
def test_a_logo_is_in_the_file_once_and_small(name: str, packing: str) -> None:
    written, without = pdf(report(logo=LOGOS[name])), pdf(report())
    document = pikepdf.open(io.BytesIO(written))
    images = [item for item in document.objects
              if isinstance(item, pikepdf.Stream) and item.get("/Subtype") == "/Image"]  # fmt: skip
    assert [item.Filter for item in images] == [packing]
    assert len(written) - len(without) < 20_000


@pytest.mark.parametrize("make", [report, sheet])
def test_a_page_without_a_logo_has_no_trace_of_one(make: Any) -> None:
    page = make()
    assert "<img" not in fill(page_kind(page), page=page)
    assert "logo" not in page.attachment
