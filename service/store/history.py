"""What was found on a field over the years: its visits with their reports, and every standing value."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple, cast

import sqlalchemy as sa

from service.store.database import Look
from service.store.schema import report, sample, sampling, soil_value


class VisitOfField(NamedTuple):
    """One visit, once for each report issued of it; ``report`` and the rest is None where there is none."""

    id: int
    sampled_on: date
    crop: str
    report: int | None
    report_id: str | None  # as printed
    issued_on: date | None
    replaced_by: int | None


class Found(NamedTuple):
    """One standing value of one sample: exactly one of ``value`` and ``below`` is given."""

    visit: int
    analyte: str
    method: str
    form: str
    unit: str
    basis: str
    value: float | None
    below: float | None


class Measured(NamedTuple):
    """What was measured of samples of one visit that are alike, whatever the values."""

    visit: int
    visited_on: date
    crop: str
    sampled_on: date
    depth_from_cm: float
    depth_to_cm: float
    texture: str
    soil_group: str
    analyte: str
    form: str
    method: str
    unit: str
    basis: str


# Built once: putting a statement together takes longer than either engine needs to answer it.
_later = report.alias("later")
_VISITS = (
    sa.select(
        sampling.c.id, sampling.c.sampled_on, sampling.c.crop, report.c.id, report.c.report_id,
        report.c.issued_on, _later.c.id,
    )
    .select_from(
        sampling.outerjoin(report, report.c.sampling_id == sampling.c.id)
        .outerjoin(_later, _later.c.replaces == report.c.id)
    )
    .where(sampling.c.field_id == sa.bindparam("field_id"))
    .order_by(sampling.c.sampled_on.desc(), sampling.c.id.desc(), report.c.id)
)  # fmt: skip
_FOUND = (
    sa.select(
        sample.c.sampling_id, soil_value.c.analyte, soil_value.c.method, soil_value.c.form,
        soil_value.c.unit, soil_value.c.basis, soil_value.c.value, soil_value.c.below,
    )
    .select_from(sampling.join(sample).join(soil_value))
    .where(sampling.c.field_id == sa.bindparam("field_id"), soil_value.c.superseded_at.is_(None))
    .order_by(soil_value.c.sample_id, soil_value.c.id)
)  # fmt: skip

_MEASURED = (
    sa.select(
        sampling.c.id, sampling.c.sampled_on, sampling.c.crop, sample.c.sampled_on, sample.c.depth_from_cm,
        sample.c.depth_to_cm, sample.c.texture, sample.c.soil_group, soil_value.c.analyte, soil_value.c.form,
        soil_value.c.method, soil_value.c.unit, soil_value.c.basis,
    )
    .distinct()
    .select_from(sampling.join(sample).join(soil_value))
    .where(
        sampling.c.field_id == sa.bindparam("field_id"),
        sampling.c.sampled_on <= sa.bindparam("by", type_=sa.Date),
        soil_value.c.superseded_at.is_(None),
    )
)  # fmt: skip


def visits(look: Look, field_id: int) -> Sequence[VisitOfField]:
    """Visits to a field that the caller has been shown to own, newest first."""
    rows = look.connection.execute(_VISITS, {"field_id": field_id}).all()
    return cast("Sequence[VisitOfField]", rows)  # in the order of its fields, and so used as it is


def found(look: Look, field_id: int) -> Sequence[Found]:
    """Every standing value of a field that the caller has been shown to own, sample by sample."""
    rows = look.connection.execute(_FOUND, {"field_id": field_id}).all()
    return cast("Sequence[Found]", rows)


def measured(look: Look, field_id: int, by: date) -> tuple[Measured, ...]:
    """What was measured on a field by a day, newest visit first: one for all samples that are alike."""
    rows = look.connection.execute(_MEASURED, {"field_id": field_id, "by": by}).all()
    found = (Measured._make(row) for row in rows)
    return tuple(sorted(found, key=lambda each: (-each.visited_on.toordinal(), -each.visit, *each[3:])))
