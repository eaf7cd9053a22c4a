"""The whole text of reports, so that a change of wording or layout order is seen and meant.

After a change that is meant: ``python -m tests.render.test_golden`` rewrites the files; read the difference.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from reports.build import build_report
from reports.render import html
from reports.sheet import build_sheet
from reports.view import GrowerReport, RunPage
from tests.render.demo_run import run_sheet
from tests.render.demo_world import field, garden, laboratory

GOLDEN = Path(__file__).parents[1] / "golden"
BREAKS = {"p", "li", "tr", "h1", "h2", "h3", "h4", "caption", "title", "div", "svg"}
LAB = laboratory(agent_comment="Please call me before you lime the north end.", agent_name="J. Marlow")


def pages() -> dict[str, GrowerReport | RunPage]:
    return {
        "report-en": build_report(field(), LAB),
        "report-es": build_report(field(), LAB, locale="es"),
        "report-en-us": build_report(field(), LAB, units="us"),
        "report-en-garden": build_report(garden(), LAB, units="garden-us"),
        "sheet-en": build_sheet(run_sheet(), laboratory()),
        "sheet-es": build_sheet(run_sheet(), laboratory(), locale="es"),
    }


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.silent = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.silent = self.silent or tag == "style"
        self.parts.append("\n" if tag in BREAKS else " ")

    def handle_endtag(self, tag: str) -> None:
        self.silent = self.silent and tag != "style"
        self.parts.append("\n" if tag in BREAKS else " | " if tag in ("td", "th") else " ")

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.parts.append(" ".join(data.split()) if data.strip() else " ")


def text(written: str) -> str:
    """Words of an HTML page in reading order, a block a line."""
    parser = _Text()
    parser.feed(written)
    lines = (re.sub(r"\s+", " ", line).strip(" |") for line in "".join(parser.parts).split("\n"))
    return "\n".join(line for line in lines if line) + "\n"


@pytest.mark.parametrize("name", list(pages()))
def test_the_text_is_as_kept(name: str) -> None:
    assert text(html(pages()[name])) == (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")


if __name__ == "__main__":
    for name, page in pages().items():
        (GOLDEN / f"{name}.txt").write_text(text(html(page)), encoding="utf-8")
