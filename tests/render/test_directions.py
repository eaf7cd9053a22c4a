"""What people write in a script that runs to the left says so wherever a page prints it by itself."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree

import pytest

from reports.build import build_report
from reports.render import page_kind, pdf
from reports.renderer import fill
from reports.sheet import build_sheet
from reports.view import GrowerReport, LaboratoryCard, RunPage
from tests.render.conformance import faults
from tests.render.demo_run import run_sheet
from tests.render.demo_world import field, laboratory
from tests.render.test_golden import LAB, pages
from tests.render.test_layouts import REPORTS

NAME = "الحقل الطويل"
OURS = re.compile("[A-Za-z]")
ARABIC = re.compile(r"\s*[\u0600-\u06ff]")


def named(advice: Any) -> Any:
    """The same with every place named in Arabic."""
    samples = tuple(
        sample.model_copy(update={"label": f"{NAME} {number}"})
        for number, sample in enumerate(advice.samples, 1)
    )
    return advice.model_copy(update={"samples": samples})


def unmarked(page: GrowerReport | RunPage) -> list[str]:
    """Elements that begin with Arabic and do not say that it runs to the left.

    A name before words of ours, such as "name: 60 kg/ha", is no text by itself.
    """
    root = ElementTree.fromstring(fill(page_kind(page), page=page))
    above = {child: parent for parent in root.iter() for child in parent}
    found = []
    for element in root.iter():
        tag = element.tag.rpartition("}")[2]
        if (
            tag in ("title", "text", "meta")
            or not ARABIC.match(element.text or "")
            or OURS.search(_said(element))
        ):
            continue
        up: Any = element
        while up is not None and "dir" not in up.attrib:
            up = above.get(up)
        if up is None or up.attrib["dir"] != "rtl":
            found.append(f"{tag}.{element.get('class', '')}: {(element.text or '').strip()}")
    return found


def _said(element: ElementTree.Element) -> str:
    """Text of an element with the rates in it, which only keep a number and its unit together."""
    kept = (child for child in element if child.get("class") == "whole")
    return " ".join([element.text or "", *("".join(child.itertext()) for child in kept)])


def card() -> LaboratoryCard:
    told: dict[str, Any] = {"name": "مختبر التربة", "address": ("شارع النهر",), "customer_address": NAME}
    return laboratory(**told, contact="", phone="")


@pytest.mark.parametrize("name", ["field", *REPORTS])
def test_a_report_says_which_way_names_run(name: str) -> None:
    advice = REPORTS[name] if name in REPORTS else field()
    page = build_report(named(advice), card())
    assert ARABIC.search(" ".join(page.sampling.rows[0]))
    assert unmarked(page) == []


def test_a_sheet_says_which_way_names_run() -> None:
    assert unmarked(build_sheet(run_sheet(), card())) == []


def test_what_runs_to_the_right_says_nothing() -> None:
    for page in pages().values():
        assert " dir=" not in fill(page_kind(page), page=page)


def test_the_look_sees_what_is_not_marked() -> None:
    page = build_report(field(), LAB)
    assert unmarked(replace(page, silent=NAME)) == [f"p.reasons: {NAME}"]
    assert unmarked(replace(page, title=NAME)) == []  # of the file, no part of the page


def test_a_page_that_runs_both_ways_conforms() -> None:
    assert faults(pdf(build_report(named(field()), card()))) == []
