"""What a grower's link opens: one report, without an account."""

from __future__ import annotations

from dataclasses import replace

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from service.actions import privacy
from service.actions.privacy import Opened
from service.refusals import NotFound
from service.web.templates import LANGUAGES
from service.web.visit import AnyVisit, Visit

router = APIRouter()


def _in_language(visit: Visit, opened: Opened) -> Visit:
    """The visit in the report's language, unless another was chosen on the page itself."""
    if visit.request.query_params.get("language") in LANGUAGES:
        return visit
    return replace(visit, caller=replace(visit.caller, language=opened.report.language))


@router.get("/r/{token}")
def report_page(visit: AnyVisit, token: str) -> HTMLResponse:
    """Say what the link opens, with a button: programs that look at links in mail fetch no PDF."""
    try:
        opened = privacy.opened_report(visit.site, visit.caller, token)
    except NotFound as error:
        return visit.page("signing/gone.html.j2", error.status, of="report")
    return _in_language(visit, opened).page(
        "signing/report.html.j2", report=opened.report, until=opened.until, pdf=f"/r/{token}/pdf"
    )


@router.get("/r/{token}/pdf")
def report_pdf(visit: AnyVisit, token: str) -> Response:
    """Hand out the PDF."""
    try:
        report = privacy.opened_report(visit.site, visit.caller, token).report
    except NotFound as error:
        return visit.page("signing/gone.html.j2", error.status, of="report")
    named = {"content-disposition": f'attachment; filename="report-{report.report_id}.pdf"'}
    return Response(report.pdf, media_type="application/pdf", headers=named)
