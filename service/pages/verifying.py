"""The page on which a report that somebody holds is checked; the file is not kept."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Annotated

from fastapi import APIRouter, File, UploadFile
from starlette.responses import HTMLResponse

from service.actions.datachecking import Finding
from service.actions.verifying import Verified, may_verify, verify
from service.pages.runs import sent
from service.web.findings import sentence, shown
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
HERE = "/check-report"


@router.get(HERE)
def check_page(visit: Visiting) -> HTMLResponse:
    """Ask for a report."""
    may_verify(visit.site, visit.caller)
    return _page(visit, "", None)


@router.post(HERE)
def check(visit: Posted, file: Annotated[UploadFile, File()]) -> HTMLResponse:
    """Check a report, and say what was found."""
    upload = sent(file)
    return _page(visit, upload.name, verify(upload.content, visit.site, visit.caller))


def _page(visit: Visit, name: str, found: Verified | None) -> HTMLResponse:
    if found is None:
        return visit.page("verify/check.html.j2", found=None)
    w = visit.words

    def said(all_of: Iterable[Finding]) -> list[str]:
        return [sentence(w, each) for each in all_of]

    day = w.day(date.fromisoformat(found.issued_on)) if found.issued_on else ""
    facts = [
        (w("verify.of-file"), name), (w("verify.of-report"), found.report_id),
        (w("verify.of-field"), found.field_name), (w("verify.of-laboratory"), found.laboratory),
        (w("verify.of-day"), day), (w("verify.of-program"), found.made_by),
        (w("verify.of-digest"), found.sha256),
    ]  # fmt: skip
    return visit.page(
        "verify/check.html.j2", found=found, findings=said(found.findings), confirmed=said(found.confirmed),
        remarks=said(found.remarks), facts=[(label, shown(value)) for label, value in facts if value],
    )  # fmt: skip
