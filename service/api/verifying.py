"""Check a report that somebody holds."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Literal

from fastapi import APIRouter, File, UploadFile
from pydantic import Field

from service.actions.datachecking import Finding
from service.actions.verifying import verify
from service.api.common import Output
from service.web.asking import ApiCaller, TheSite
from service.web.findings import sentence
from service.web.templates import words

router = APIRouter()


class ReportFinding(Output):
    """One thing that was found."""

    key: str = Field(description="which kind of thing it is")
    page: int | None = Field(description="of the file, from 1; null where it is of no page")
    says: str = Field(description="the same as a sentence")
    told: dict[str, str | int] = Field(description="what the sentence is made of")


class CheckedReport(Output):
    """What became of checking one file."""

    outcome: Literal["holds", "differs", "not-checked"]
    sha256: str = Field(description="of the file")
    report_id: str = Field(description="printed identity; empty where nothing was checked")
    issued_on: str
    laboratory: str
    field_name: str
    made_by: str = Field(description="program and version, as the file says")
    findings: list[ReportFinding] = Field(description="what differs, or why nothing was checked")
    confirmed: list[ReportFinding] = Field(description="what is as it ought to be")
    remarks: list[ReportFinding] = Field(description="what must be known besides")


@router.post("/verify", summary="Check a report")
def check(
    site: TheSite, caller: ApiCaller, file: Annotated[UploadFile, File(description="the report, as PDF")]
) -> CheckedReport:
    """Work a report out again from the data inside it, compare its pages, and look it up; it is not kept.

    A file that cannot be read is answered with the outcome `not-checked`.
    """
    found = verify(file.file.read(), site, caller)
    return CheckedReport(
        outcome=found.outcome, sha256=found.sha256, report_id=found.report_id, issued_on=found.issued_on,
        laboratory=found.laboratory, field_name=found.field_name, made_by=found.made_by,
        findings=_said(found.findings), confirmed=_said(found.confirmed), remarks=_said(found.remarks),
    )  # fmt: skip


def _said(found: Iterable[Finding]) -> list[ReportFinding]:
    return [
        ReportFinding(key=each.key, page=each.page, says=sentence(words("en"), each), told=dict(each.told))
        for each in found
    ]
