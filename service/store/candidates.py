"""Visits that a job could be made of: found by words, places and days, with what keeps one out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa

from service.store.database import Look
from service.store.land import having_words, own_among, own_fields
from service.store.schema import county, farm, field, grower, report, sample, sampling, soil_value

AT_ONCE = 500  # ids in one statement


@dataclass(frozen=True)
class Sought:
    """Which visits.

    Attributes
    ----------
    search
        Words of the field, its farm or its grower.
    county, since
        Of one county; sampled on a day or later.
    """

    search: str = ""
    county: str | None = None
    since: date | None = None


@dataclass(frozen=True)
class Candidate:
    """One visit, whose it is, and what a job would have to know of it."""

    visit_id: int
    field_id: int
    field_code: str
    field_name: str
    farm_name: str
    grower_id: int
    grower_name: str
    grower_address: str
    county_name: str | None
    sampled_on: date
    is_erased: bool
    has_values: bool
    standing: str | None  # printed identity of the report of its crop that stands

    @property
    def called(self) -> str:
        """Name of the field, or its code where it has none."""
        return self.field_name or self.field_code


_later = report.alias("later")
_HAS_VALUES = (
    sa.select(soil_value.c.id)
    .join(sample, soil_value.c.sample_id == sample.c.id)
    .where(sample.c.sampling_id == sampling.c.id, soil_value.c.superseded_at.is_(None))
    .correlate(sampling)
    .exists()
)
_STANDING = (
    sa.select(sa.func.max(report.c.report_id))
    .where(report.c.sampling_id == sampling.c.id, report.c.crop == sampling.c.crop)
    .where(~sa.exists().where(_later.c.replaces == report.c.id))
    .correlate(sampling)
    .scalar_subquery()
)
_CANDIDATE = (
    sa.select(
        sampling.c.id.label("visit_id"), sampling.c.field_id, field.c.code.label("field_code"),
        field.c.name.label("field_name"), farm.c.name.label("farm_name"), farm.c.grower_id,
        grower.c.name.label("grower_name"), grower.c.address.label("grower_address"),
        county.c.name.label("county_name"), sampling.c.sampled_on,
        grower.c.erased_at.is_not(None).label("is_erased"), _HAS_VALUES.label("has_values"),
        _STANDING.label("standing"),
    )
    .select_from(
        sampling.join(field, sampling.c.field_id == field.c.id)
        .join(farm, field.c.farm_id == farm.c.id)
        .join(grower, farm.c.grower_id == grower.c.id)
        .outerjoin(county, field.c.county_id == county.c.id)
    )
)  # fmt: skip


def sought(look: Look, wanted: Sought, most: int) -> list[Candidate]:
    """Visits of the caller's that are sought, with values or without; not more than so many."""
    chosen = _CANDIDATE.where(own_fields(look.scope), *having_words(look.scope, wanted.search))
    if wanted.county is not None:
        chosen = chosen.where(field.c.county_id == wanted.county)
    if wanted.since is not None:
        chosen = chosen.where(sampling.c.sampled_on >= wanted.since)
    return _candidates(look, chosen.order_by(sampling.c.id).limit(most))


def listed(look: Look, visit_ids: Sequence[int]) -> list[Candidate]:
    """Visits by their ids; those outside the caller's scope are left out."""
    found: list[Candidate] = []
    for start in range(0, len(visit_ids), AT_ONCE):
        some = sampling.c.id.in_(visit_ids[start : start + AT_ONCE])
        found += _candidates(look, _CANDIDATE.where(own_among(look.scope), some))
    return found


def of_samples(look: Look, lab_numbers: Sequence[str]) -> dict[str, int]:
    """The visit that each of some samples of the caller's was taken in, by the sample's number."""
    found: dict[str, int] = {}
    for start in range(0, len(lab_numbers), AT_ONCE):
        rows = look.connection.execute(
            sa.select(sample.c.lab_number, sample.c.sampling_id)
            .join(sampling, sample.c.sampling_id == sampling.c.id)
            .join(field, sampling.c.field_id == field.c.id)
            # By its index: numbers are those of one laboratory.
            .where(sample.c.laboratory_id == look.scope.laboratory_id, own_fields(look.scope))
            .where(sample.c.lab_number.in_(lab_numbers[start : start + AT_ONCE]))
        )
        found |= {row.lab_number: row.sampling_id for row in rows}
    return found


def _candidates(look: Look, chosen: sa.Select[Any]) -> list[Candidate]:
    return [Candidate(**row) for row in look.connection.execute(chosen).mappings()]
