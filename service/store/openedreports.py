"""Issued reports as a grower's link opens them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa

from service.store.database import Look
from service.store.land import own_fields
from service.store.schema import document, farm, field, grower, report, sampling


@dataclass(frozen=True)
class IssuedReport:
    """One report with its PDF."""

    report_id: str  # as printed
    issued_on: date
    language: str
    replaced_by: str | None  # as printed
    pdf: bytes


_later = report.alias("later")
_WHOLE = (
    report.join(sampling, report.c.sampling_id == sampling.c.id)
    .join(field, sampling.c.field_id == field.c.id)
    .join(farm, field.c.farm_id == farm.c.id)
    .join(grower, farm.c.grower_id == grower.c.id)
)


def may_be_opened(look: Look, report_id: int) -> bool:
    """Whether a report is the caller's and still says whose it is."""
    chosen = (
        sa.select(report.c.id)
        .select_from(_WHOLE)
        .where(report.c.id == report_id, own_fields(look.scope), grower.c.erased_at.is_(None))
    )
    return look.connection.execute(chosen).one_or_none() is not None


def get(look: Look, report_id: int) -> IssuedReport | None:
    """The report of a link that was found to hold: the link is the right to it, so no scope is asked."""
    row = look.connection.execute(
        sa.select(
            report.c.report_id, report.c.issued_on, report.c.language,
            _later.c.report_id.label("replaced_by"), document.c.content,
        )
        .select_from(
            _WHOLE.join(document, report.c.document_sha256 == document.c.sha256)
            .outerjoin(_later, _later.c.replaces == report.c.id)
        )
        .where(report.c.id == report_id, grower.c.erased_at.is_(None))
    ).one_or_none()  # fmt: skip
    if row is None:
        return None
    return IssuedReport(row.report_id, row.issued_on, row.language, row.replaced_by, bytes(row.content))
