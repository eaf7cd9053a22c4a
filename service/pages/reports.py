"""Pages of reports: how one is wanted, how it would look, issued ones."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from reports.format import UNITS
from reports.view import LONGEST_COMMENT
from service.actions import advising, deliverylists, privacy, reportdifference, reporting
from service.actions.checking import checked
from service.actions.deliverylists import Told
from service.actions.reporting import Desk, Draft, Wish
from service.callers import Right
from service.files import safe_name
from service.pages.deliverylines import why
from service.pages.forms import Id, wrong_fields
from service.pages.reportlines import difference_in_words
from service.store.reports import ReportRow
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
Word = Annotated[str, Query(max_length=40)]
Posting = Annotated[str, Form(max_length=40)]
Comment = Annotated[str, Form(max_length=LONGEST_COMMENT)]


@router.get("/visits/{visit_id}/report")
def wanted(
    visit: Visiting, visit_id: Id, language: Word = "", units: Word = "", paper: Word = "",
    replaces: Word | None = None,
) -> HTMLResponse:  # fmt: skip
    """Show how a report of a visit is wanted, with its preview."""
    desk = reporting.desk(visit.site, visit.caller, visit_id)
    given = {"language": language or None, "units": units or None, "paper": paper or None}
    chosen = {name: value for name, value in (given | {"replaces": replaces}).items() if value is not None}
    return _desk(visit, desk, _usual(desk) | chosen)


@router.get("/visits/{visit_id}/report.pdf")
def preview(
    visit: Visiting, visit_id: Id, language: Word = "en", units: Word = "metric", paper: Word = "a4",
    replaces: Word = "",
) -> Response:  # fmt: skip
    """Draw the report exactly as it would be issued now."""
    wish = checked(Wish, {"language": language, "units": units, "paper": paper, "replaces": replaces})
    made = reporting.draft(visit.site, visit.caller, visit_id, wish)
    name = f"{safe_name(made.advice.field_id)}.preview.pdf"
    return pdf_answer(reporting.drawn(made), name, kind="inline")


@router.post("/visits/{visit_id}/comment")
def take_over(
    visit: Posted, visit_id: Id, version: Annotated[int, Form(ge=1)], comment: Comment = "",
    language: Posting = "", units: Posting = "", paper: Posting = "", replaces: Posting | None = None,
) -> Response:  # fmt: skip
    """Store the comment that the report prints, and show the report as it is wanted now."""
    stored, text = _comments(visit, visit_id, comment)
    if text != stored:
        advising.set_comment(visit.site, visit.caller, visit_id, version, text)
    given = {"language": language or None, "units": units or None, "paper": paper or None}
    query = urlencode(
        {name: word for name, word in (given | {"replaces": replaces}).items() if word is not None}
    )
    path = f"/visits/{visit_id}/report"
    return visit.go(f"{path}?{query}" if query else path, "reports.done-taken-over")


@router.post("/visits/{visit_id}/report")
def issue(
    visit: Posted, visit_id: Id, language: Posting = "", units: Posting = "", paper: Posting = "",
    replaces: Posting = "", seen: Posting = "", shown: Annotated[str, Form(max_length=400)] = "",
    comment: Annotated[str | None, Form(max_length=LONGEST_COMMENT)] = None,
    version: Annotated[int, Form(ge=1)] = 1,
) -> Response:  # fmt: skip
    """Issue the report that was looked at.

    Where the form says something else than was looked at, it is taken over and nothing is issued: what is
    issued can never be changed, and would lack the comment or be in the wrong language.
    """
    given = {"language": language, "units": units, "paper": paper, "replaces": replaces}
    stored, text = ("", "") if comment is None else _comments(visit, visit_id, comment)
    if text != stored or (shown and urlencode(given) != shown):
        return take_over(visit, visit_id, version, text, language, units, paper, replaces)
    try:
        report = reporting.issue(visit.site, visit.caller, visit_id, checked(Wish, given), seen)
    except FurrowsliceError as error:
        return _desk(visit, reporting.desk(visit.site, visit.caller, visit_id), given, error)
    return visit.go(f"/reports/{report.id}", "reports.done-issued")


def _comments(visit: Visit, visit_id: int, typed: str) -> tuple[str, str]:
    """The comment as it is stored, and as it was typed now; checked as a part of a plan."""
    plan = advising.plan_of(advising.visit(visit.site, visit.caller, visit_id))
    return plan.comment, checked(advising.Plan, plan.model_dump() | {"comment": typed}).comment


@router.get("/reports")
def reports(
    visit: Visiting, search: Annotated[str, Query(max_length=100)] = "",
    page: Annotated[int, Query(ge=1, le=10_000)] = 1,
) -> HTMLResponse:  # fmt: skip
    """List issued reports, newest first."""
    found, more = reporting.find(visit.site, visit.caller, search, page)
    return visit.page("reports/list.html.j2", reports=found, more=more, search=search, page=page)


@router.get("/reports/{report_id}")
def one_report(visit: Visiting, report_id: Id) -> HTMLResponse:
    """Show one issued report."""
    return _report(visit, reporting.one(visit.site, visit.caller, report_id))


@router.get("/reports/{report_id}/pdf")
def download(visit: Visiting, report_id: Id) -> Response:
    """Hand out a report as it was issued."""
    found, content = reporting.document(visit.site, visit.caller, report_id)
    return pdf_answer(content, f"{safe_name(found.field_code)}.{found.report_id}.pdf")


@router.post("/reports/{report_id}/link")
def link(visit: Posted, report_id: Id) -> Response:
    """Make a link by which the grower opens the report; it is shown once."""
    path = privacy.report_link(visit.site, visit.caller, report_id)
    report = reporting.one(visit.site, visit.caller, report_id)
    return _report(visit, report, f"{visit.site.settings.address}{path}")


def pdf_answer(content: bytes, name: str, *, kind: str = "attachment") -> Response:
    """Answer with a PDF; ``name`` is plain ASCII without quotation marks."""
    return Response(
        content, media_type="application/pdf", headers={"content-disposition": f'{kind}; filename="{name}"'}
    )


def _report(visit: Visit, report: ReportRow, link: str = "") -> HTMLResponse:
    made = reportdifference.made_from(visit.site, visit.caller, report.id)
    region = visit.tables.regions.get(made.of_region.book) if made.of_region else None
    again = {name: getattr(report, name) for name in ("language", "units", "paper")}
    delivered: tuple[Told, ...] = ()
    if visit.caller.may(Right.DELIVER_REPORTS):
        delivered = deliverylists.of_report(visit.site, visit.caller, report.id)
    return visit.page(
        "reports/report.html.j2", report=report, link=link, days=visit.site.settings.link_days,
        overtaken=reporting.is_overtaken(visit.site, visit.caller, report.id), made=made,
        region_name=region.name if region else "", again=urlencode(again | {"replaces": report.report_id}),
        delivered=delivered, why=partial(why, visit.words),
    )  # fmt: skip


def _usual(desk: Desk) -> dict[str, Any]:
    """How the grower usually wants it, replacing the report for the same crop."""
    same = [report for report in desk.standing if report.crop == desk.visit.plan.crop]
    return {
        "language": desk.visit.grower_language, "units": desk.visit.grower_units,
        "paper": "letter" if desk.visit.grower_units in ("us", "garden-us") else "a4",
        "replaces": same[-1].report_id if same else "",
    }  # fmt: skip


def _desk(
    visit: Visit, desk: Desk, given: Mapping[str, Any], error: FurrowsliceError | None = None
) -> HTMLResponse:
    made: Draft | None = None
    try:
        made = reporting.draft(visit.site, visit.caller, desk.visit.id, checked(Wish, given))
    except FurrowsliceError as refused:
        error = error or refused
    differs = None
    if made is not None and (found := reportdifference.difference(visit.site, visit.caller, made)):
        differs = difference_in_words(visit.words, found, made.wish.units)
    return visit.page(
        "reports/desk.html.j2", 200 if error is None else 422, visit=desk.visit,
        differs=differs, earlier=desk.earlier,
        standing=desk.standing, wish=given, draft=made, error=error, wrong=wrong_fields(error),
        longest=LONGEST_COMMENT, units=[(each, visit.words(f"advising.units-{each}")) for each in UNITS],
    )  # fmt: skip
