"""What the database knows of a report that somebody holds as a file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa

from service.store.database import Look
from service.store.land import own_fields
from service.store.schema import farm, field, grower, laboratory, report, sampling


@dataclass(frozen=True)
class IssuedAs:
    """A report as it was issued.

    Attributes
    ----------
    document_sha256
        Of the file; where the grower was erased, of the page that took its place.
    replaced_by
        Printed identity of the report that replaces it.
    """

    report_id: str
    issued_on: date
    laboratory: str
    document_sha256: str
    replaced_by: str | None
    erased: bool


_later = report.alias("later")
_WHOLE = (
    report.join(laboratory, report.c.laboratory_id == laboratory.c.id)
    .join(sampling, report.c.sampling_id == sampling.c.id)
    .join(field, sampling.c.field_id == field.c.id)
    .join(farm, field.c.farm_id == farm.c.id)
    .join(grower, farm.c.grower_id == grower.c.id)
    .outerjoin(_later, _later.c.replaces == report.c.id)
)


def issued_as(look: Look, report_id: str) -> IssuedAs | None:
    """The report of a printed identity, if it is the caller's; the command line asks for all laboratories."""
    own = sa.and_(report.c.laboratory_id == look.scope.laboratory_id, own_fields(look.scope))
    if look.caller.door == "command" and look.scope.laboratory_id is None:
        own = sa.and_(sa.true())
    row = look.connection.execute(
        sa.select(
            report.c.report_id, report.c.issued_on, report.c.document_sha256, grower.c.erased_at,
            laboratory.c.name.label("laboratory"), _later.c.report_id.label("replaced_by"),
        )
        .select_from(_WHOLE)
        .where(report.c.report_id == report_id, own)
        .order_by(report.c.id.desc())
        .limit(1)
    ).one_or_none()  # fmt: skip
    if row is None:
        return None
    return IssuedAs(
        row.report_id, row.issued_on, row.laboratory, row.document_sha256, row.replaced_by,
        row.erased_at is not None,
    )  # fmt: skip
