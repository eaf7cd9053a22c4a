"""Issued reports: make one, find them, follow them."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, status
from pydantic import Field
from starlette.responses import Response

from interpretation.results import FieldAdvice
from service.actions import reporting
from service.actions.checking import checked
from service.actions.reporting import Wish
from service.api.common import After, Id, Input, Limit, Line, Output, Page, page_of
from service.files import safe_name
from service.store.reports import ReportRow
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
PDF: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/pdf": {}}, "description": "the report, to the byte as it was issued"}
}


class Report(Output):
    """One issued report. It is never changed: a newer one replaces it."""

    id: int
    report_id: str = Field(description="identity, as printed")
    visit_id: int
    field_id: int
    field_code: str
    sampled_on: date
    issued_on: date
    issued_at: datetime
    issued_by: str
    crop: str
    language: str
    units: str
    paper: str
    tables_sha256: str = Field(description="of the tables it was made from")
    document_sha256: str = Field(description="of the PDF")
    region_release_id: int | None = Field(
        description="the release of the region's tables it was made from; null in reports older than releases"
    )
    shared_release_id: int | None = Field(description="the release of what all regions share, likewise")
    replaces: int | None = Field(description="the earlier report that this one replaces")
    replaced_by: int | None


class GivenReport(Input):
    """How a report is wanted."""

    language: Line = "en"
    units: Line = "metric"
    paper: Line = "a4"
    replaces: Line = Field(default="", description="printed identity of the report that this one replaces")
    seen: Line = Field(
        default="",
        description="identity of the preview that was looked at: 409 if anything has changed since",
    )


@router.post("/visits/{visit_id}/reports", status_code=status.HTTP_201_CREATED)
def issue(caller: ApiCaller, site: TheSite, visit_id: Id, given: GivenReport) -> Report:
    """Issue a report of a visit.

    Where there is one for the same crop already, `replaces` must name it (409).
    """
    wish = checked(Wish, given.model_dump(exclude={"seen"}))
    return _shown(reporting.issue(site, caller, visit_id, wish, given.seen))


@router.get("/reports")
def reports(
    caller: ApiCaller, site: TheSite,
    search: Annotated[str, Query(max_length=100, description="identity, or words of field, grower")] = "",
    after: After = 0, limit: Limit = 50,
) -> Page[Report]:  # fmt: skip
    """List reports in the order in which they were issued."""
    return page_of(reporting.after(site, caller, after, limit + 1, search), limit, _shown)


@router.get("/reports/feed")
def feed(caller: ApiCaller, site: TheSite, after: After = 0, limit: Limit = 50) -> Page[Report]:
    """Follow what is issued: ask again from time to time, with the last id seen as `after`.

    The order never changes and nothing is added before an id that was seen. `next` is null where there is
    nothing more at the moment; keep your last id and ask again later.
    """
    return page_of(reporting.after(site, caller, after, limit + 1), limit, _shown)


@router.get("/reports/{report_id}")
def report(caller: ApiCaller, site: TheSite, report_id: Id) -> Report:
    """Show one report."""
    return _shown(reporting.one(site, caller, report_id))


@router.get("/reports/{report_id}/advice")
def advice(caller: ApiCaller, site: TheSite, report_id: Id) -> FieldAdvice:
    """What a report was made from, as it was stored when it was issued."""
    stored: dict[str, Any] = reporting.advice(site, caller, report_id)
    return FieldAdvice.model_validate(stored)


@router.get("/reports/{report_id}/pdf", response_class=Response, responses=PDF)
def pdf(caller: ApiCaller, site: TheSite, report_id: Id) -> Response:
    """Hand out the file of a report."""
    found, content = reporting.document(site, caller, report_id)
    name = f"{safe_name(found.field_code)}.{found.report_id}.pdf"
    return Response(
        content, media_type="application/pdf",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )  # fmt: skip


def _shown(row: ReportRow) -> Report:
    return Report(**{name: getattr(row, name) for name in Report.model_fields})
