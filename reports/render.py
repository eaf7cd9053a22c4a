"""From a view model to HTML and to a tagged PDF, the same bytes for the same input."""

from __future__ import annotations

import gc
from datetime import UTC, date, datetime

from interpretation.results import FieldAdvice
from reports.build import build_report
from reports.renderer import PAPERS, Paper, fill, renderer, style_names, style_text
from reports.view import GrowerReport, LaboratoryCard, Notice, RunPage

__all__ = ["PAPERS", "Paper", "check_libraries", "html", "page_kind", "pdf", "warm_up"]

Printable = GrowerReport | RunPage | Notice
_KINDS: dict[type, str] = {GrowerReport: "report", RunPage: "sheet", Notice: "notice"}


def html(page: Printable, paper: Paper = "a4") -> str:
    """Write a page as one self-contained HTML document.

    Parameters
    ----------
    page
        What to show.
    paper
        ``a4`` or ``letter``.

    Raises
    ------
    FurrowsliceError
        If the paper is unknown.
    """
    kind = page_kind(page)
    return fill(kind, style_text(*style_names(kind, paper)), page=page)


def pdf(page: Printable, paper: Paper = "a4") -> bytes:
    """Write a page as PDF/A-3a and PDF/UA-1 in one, with its data attached where it carries any.

    Parameters
    ----------
    page
        What to show.
    paper
        ``a4`` or ``letter``.

    Returns
    -------
    bytes
        Depends on the input, the fonts and the libraries' versions only: dates are the day of issue.

    Raises
    ------
    FurrowsliceError
        If the paper is unknown, or the libraries that draw text or the fonts are not installed.
    """
    kind = page_kind(page)
    if isinstance(page, Notice) or not page.attachment:
        return renderer().draw(fill(kind, page=page), kind, paper)
    day = datetime.fromisoformat(page.issued_on).replace(tzinfo=UTC)
    return renderer().draw(
        fill(kind, page=page),
        kind,
        paper,
        string=page.attachment,
        name=page.attachment_name,
        description=page.words["attachment-about"],
        created=day,
        modified=day,
        relationship="Data",
    )


def page_kind(page: Printable) -> str:
    """Name of a page's template and style."""
    return _KINDS[type(page)]


def check_libraries() -> None:
    """Refuse now what would fail at the first page.

    Raises
    ------
    FurrowsliceError
        If a library that draws text, or a font, is not installed; it names the line to type.
    """
    renderer()


def warm_up() -> None:
    """Make a fresh process ready to draw thousands of reports: the initialiser of a pool's workers.

    It draws an empty report, so that fonts, styles and templates are read, and then takes all that is there
    out of the collector's rounds.
    """
    empty = FieldAdvice(
        field_id="–", field_name="", farm_name="", grower_name="", region="–", region_name="–", crop="–",
        yield_goal=None, yield_unit="", previous_crop="", area_ha=None, samples=(), results=(), amounts=(),
        notes=(), tables=(), methods=(), sources=(),
    )  # fmt: skip
    card = LaboratoryCard(name="–", address=("–",), report_id="–", issued_on=date(2000, 1, 1))
    for paper in PAPERS:
        pdf(build_report(empty, card), paper)
    gc.collect()
    gc.freeze()
