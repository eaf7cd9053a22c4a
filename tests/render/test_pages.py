"""What every report keeps to, however many samples it has: sizes, pages, order, nothing torn apart."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import Any

import pytest

from reports.build import build_report
from reports.render import Paper
from reports.renderer import fill, renderer
from tests.render.demo_variants import VARIANTS
from tests.render.demo_world import laboratory

SMALLEST, SMALLEST_ON_FRONT = 7.5, 8.0  # points
POINTS = 0.75  # in a CSS pixel
HEADINGS = ("h1", "h2", "h3", "h4")
# Pages that a report may have at most: with the band of an example, and an adviser's comment.
MOST_PAGES = {
    "three": 5, "earlier": 5, "one": 3, "one-earlier": 4, "one-analyte": 2, "twelve-analytes": 5, "twelve": 6,
    "forty": 7, "all-refused": 4, "nothing-low": 4, "everything-low": 4, "long-names": 4,
}  # fmt: skip
WAYS: dict[str, tuple[Paper, dict[str, Any]]] = {
    "en": ("a4", {}), "es": ("a4", {"locale": "es"}), "letter": ("letter", {"units": "us"}),
    "es on letter": ("letter", {"locale": "es", "units": "us"}),
}  # fmt: skip
EACH = [(name, "en") for name in VARIANTS] + [
    (name, way) for name in ("three", "earlier", "one", "twelve", "forty") for way in WAYS if way != "en"
]


@cache
def pages(name: str, way: str) -> list[Any]:
    """The pages of a report as they are laid out."""
    advice, earlier = VARIANTS[name]
    paper, choices = WAYS[way]
    card = laboratory(agent_comment="Please call me before you lime the north end.", agent_name="J. Marlow")
    page = build_report(advice, card, earlier=earlier, **choices)
    return [each._page_box for each in renderer().lay_out(fill("report", page=page), "report", paper).pages]


def body(page: Any) -> Any:
    return next(child for child in page.children if child.element_tag == "html")


def inside(box: Any, *within: Any) -> Iterator[tuple[Any, tuple[Any, ...]]]:
    """Every box with those it stands in."""
    yield box, within
    for child in getattr(box, "children", ()):
        yield from inside(child, *within, box)


def texts(page: Any) -> list[tuple[Any, tuple[Any, ...]]]:
    return [(box, within) for box, within in inside(body(page)) if getattr(box, "text", "").strip()]


def has_class(within: tuple[Any, ...], name: str) -> bool:
    return any(name in (box.element.get("class") or "").split() for box in within if box.element is not None)


@pytest.mark.parametrize(("name", "way"), EACH)
def test_no_text_is_too_small(name: str, way: str) -> None:
    small = {
        box.text
        for page in pages(name, way)
        for box, within in texts(page)
        if box.style["font_size"] * POINTS
        < (SMALLEST if has_class(within, "back") else SMALLEST_ON_FRONT) - 1e-6
    }
    assert small == set()


@pytest.mark.parametrize(("name", "way"), EACH)
def test_a_report_has_a_bounded_number_of_pages(name: str, way: str) -> None:
    assert len(pages(name, way)) <= MOST_PAGES[name] + (way != "en")


@pytest.mark.parametrize(("name", "way"), EACH)
def test_what_to_do_stands_complete_on_the_first_page(name: str, way: str) -> None:
    """The amounts with their reasons; for up to twelve samples those of each sample, too."""
    advice, _ = VARIANTS[name]
    first, rest = pages(name, way)[0], pages(name, way)[1:]
    wanted = ["todo"] + ["amounts"] * (4 < len(advice.samples) <= 12)
    for table in wanted:
        shown = [
            box for box, within in inside(body(first)) if box.element_tag == "tr" and has_class(within, table)
        ]
        later = [
            box for page in rest for box, within in inside(body(page))
            if box.element_tag == "tr" and has_class(within, table)
        ]  # fmt: skip
        assert len(shown) >= 2
        assert later == []


@pytest.mark.parametrize(("name", "way"), EACH)
def test_no_heading_is_the_last_of_its_page(name: str, way: str) -> None:
    for page in pages(name, way):
        last, within = max(texts(page), key=lambda item: item[0].position_y)
        assert not any(box.element_tag in HEADINGS for box in within), last.text


@pytest.mark.parametrize(("name", "way"), EACH)
def test_no_row_and_no_board_is_torn_apart(name: str, way: str) -> None:
    def on(page: Any) -> set[Any]:
        return {
            box.element
            for box, within in inside(body(page))
            if box.element is not None
            and (box.element_tag == "tr" or "found" in (box.element.get("class") or "").split())
            and not any(each.element_tag == "thead" for each in within)
        }

    for before, after in pairwise(pages(name, way)):
        assert on(before) & on(after) == set()


@pytest.mark.parametrize(("name", "way"), EACH)
def test_the_last_page_is_worth_its_paper(name: str, way: str) -> None:
    lines = {round(box.position_y) for box, _ in texts(pages(name, way)[-1])}
    assert len(lines) >= 5


@pytest.mark.parametrize(("name", "way"), EACH)
def test_headings_are_read_in_the_order_in_which_they_stand(name: str, way: str) -> None:
    for page in pages(name, way):
        heights = [
            round(box.position_y, 3)
            for box, within in inside(body(page))
            if box.element_tag in HEADINGS and not has_class(within, "last")
        ]
        assert heights == sorted(heights)


@pytest.mark.parametrize("name", ["one", "one-earlier", "one-analyte", "three"])
def test_a_few_samples_have_what_matters_on_one_side(name: str) -> None:
    """What to do, dangers and at least the first two boards stand on the first page."""
    first = pages(name, "en")[0]
    sections = {
        box.element for box, _ in inside(body(first))
        if box.element is not None and (box.element.get("class") or "") == "found"
    }  # fmt: skip
    assert len(sections) >= min(2, len({r.analyte for r in VARIANTS[name][0].results}))


def test_the_back_begins_a_page_and_repeats_the_heads_of_its_tables() -> None:
    laid_out = pages("forty", "en")
    begin = next(
        number for number, page in enumerate(laid_out)
        if any(has_class((*within, box), "back") for box, within in inside(body(page)))
    )  # fmt: skip
    fronts = [within for page in laid_out[:begin] for _, within in texts(page)]
    assert not any(has_class(within, "back") for within in fronts)
    assert all(
        has_class(within, "back") or has_class(within, "end")
        for page in laid_out[begin:] for _, within in texts(page)
    )  # fmt: skip
    heads = [
        sum(box.element_tag == "thead" and has_class(within, "amounts") for box, within in inside(body(page)))
        for page in laid_out
    ]
    rows = [
        sum(box.element_tag == "tr" and has_class(within, "amounts") for box, within in inside(body(page)))
        for page in laid_out
    ]
    assert sum(rows) == 40 + sum(heads)
    assert [count > 0 for count in rows] == [count > 0 for count in heads]
