"""Visits to a field: the plan its samples share, the samples themselves, where they were taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.refusals import Conflict
from service.store.database import Change, Look
from service.store.land import absent, own_among, own_fields
from service.store.schema import county, farm, field, grower, sample, sampling, soil_value


class Row(BaseModel):
    """Base of what this store returns."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class PlanRow(Row):
    """What an adviser may set of a visit; it belongs to all its samples."""

    crop: str
    yield_goal: float | None
    yield_unit: str
    previous_crop: str
    tillage: str
    irrigated: bool | None
    limed_in_two_years: bool | None
    manure_n_kg_per_ha: float | None
    manure_p2o5_kg_per_ha: float | None
    manure_k2o_kg_per_ha: float | None
    manured_since_harvest: bool | None
    manured_in_three_years: bool | None
    near_water: bool
    comment: str


class VisitRow(Row):
    """One visit, with the field it was made to and whose that is."""

    id: int
    field_id: int
    field_code: str
    field_name: str
    farm_name: str
    grower_id: int
    grower_name: str
    grower_address: str
    grower_language: str
    grower_units: str
    region: str
    county_name: str | None
    area_ha: float | None
    outline: dict[str, Any] | None
    sampled_on: date
    other_crops: list[str]
    tests_wanted: str
    example: bool
    version: int
    plan: PlanRow

    @property
    def called(self) -> str:
        """Name of the field, or its code where it has none."""
        return self.field_name or self.field_code


class SampleOfVisit(Row):
    """One sample of a visit."""

    id: int
    lab_number: str
    label: str
    depth_from_cm: float
    depth_to_cm: float
    sampled_on: date
    received_on: date | None
    texture: str
    soil_group: str
    cores: float | None
    bulk_density_g_per_cm3: float | None
    lime_percent: float | None
    longitude: float | None
    latitude: float | None


_PLAN = tuple(PlanRow.model_fields)
_OWN = ("id", "field_id", "sampled_on", "other_crops", "tests_wanted", "example", "version")
_VISIT = (
    sa.select(
        *(sampling.c[name] for name in (*_OWN, *_PLAN)), field.c.code.label("field_code"),
        field.c.name.label("field_name"), farm.c.name.label("farm_name"), farm.c.grower_id,
        grower.c.name.label("grower_name"), grower.c.address.label("grower_address"),
        grower.c.language.label("grower_language"), grower.c.units.label("grower_units"), field.c.region,
        county.c.name.label("county_name"), field.c.area_ha, field.c.outline,
    )
    .select_from(
        sampling.join(field, sampling.c.field_id == field.c.id)
        .join(farm, field.c.farm_id == farm.c.id)
        .join(grower, farm.c.grower_id == grower.c.id)
        .outerjoin(county, field.c.county_id == county.c.id)
    )
)  # fmt: skip


def the_visit(look: Look, visit_id: int) -> VisitRow:
    """One visit.

    Raises
    ------
    NotFound
        If there is none in the caller's scope.
    """
    found = visits_of(look, [visit_id])
    if not found:
        raise absent("visit")
    return found[visit_id]


def visits_of(look: Look, visit_ids: Sequence[int]) -> dict[int, VisitRow]:
    """Visits by their ids; those outside the caller's scope are left out."""
    chosen = _VISIT.where(sampling.c.id.in_(visit_ids), own_among(look.scope))
    return {row["id"]: _visit(row) for row in look.connection.execute(chosen).mappings()}


def _visit(row: sa.RowMapping) -> VisitRow:
    plan = PlanRow(**{name: row[name] for name in _PLAN})
    return VisitRow(**{name: value for name, value in row.items() if name not in _PLAN}, plan=plan)


def samples_of(look: Look, visit_id: int) -> tuple[SampleOfVisit, ...]:
    """Samples of a visit that the caller has been shown to own, in the order of their numbers."""
    return samples_of_visits(look, [visit_id]).get(visit_id, ())


def samples_of_visits(look: Look, visit_ids: Sequence[int]) -> dict[int, tuple[SampleOfVisit, ...]]:
    """As :func:`samples_of`, of several visits; one without samples is left out."""
    chosen = (
        sa.select(sample.c.sampling_id, *(sample.c[name] for name in SampleOfVisit.model_fields))
        .where(sample.c.sampling_id.in_(visit_ids))
        .order_by(sample.c.lab_number, sample.c.id)
    )
    found: dict[int, tuple[SampleOfVisit, ...]] = {}
    for row in look.connection.execute(chosen).mappings():
        values = dict(row)
        visit_id = values.pop("sampling_id")
        found[visit_id] = (*found.get(visit_id, ()), SampleOfVisit(**values))
    return found


_OF_VALUE = (
    sample.c.lab_number, soil_value.c.analyte, soil_value.c.form, soil_value.c.method,
    soil_value.c.value, soil_value.c.unit, soil_value.c.basis, soil_value.c.standard_uncertainty,
    soil_value.c.below, sample.c.depth_from_cm, sample.c.depth_to_cm, sample.c.sampled_on,
    soil_value.c.origin,
)  # fmt: skip


def standing_values(look: Look, visit_id: int) -> list[dict[str, Any]]:
    """Standing soil values of a visit, as the columns of a frame of soil values."""
    return values_of_visits(look, [visit_id]).get(visit_id, [])


def values_of_visits(look: Look, visit_ids: Sequence[int]) -> dict[int, list[dict[str, Any]]]:
    """As :func:`standing_values`, of several visits; one without values is left out."""
    chosen = (
        sa.select(sample.c.sampling_id, *_OF_VALUE)
        .join(sample, soil_value.c.sample_id == sample.c.id)
        .where(sample.c.sampling_id.in_(visit_ids), soil_value.c.superseded_at.is_(None))
        .order_by(sample.c.lab_number, soil_value.c.id)
    )
    found: dict[int, list[dict[str, Any]]] = {}
    for row in look.connection.execute(chosen).mappings():
        values = dict(row)
        found.setdefault(values.pop("sampling_id"), []).append(values)
    return found


def earlier_values(look: Look, visit_ids: Sequence[int]) -> dict[int, list[dict[str, Any]]]:
    """Standing values of earlier visits to the same fields, newest first; a visit without any is left out.

    Only what the visit itself has a value of, by the same method in the same unit, basis and layer: anything
    else cannot be set beside it.
    """
    then, before, now = sampling.alias("then"), sample.alias("before"), sample.alias("now")
    old, new = soil_value.alias("old"), soil_value.alias("new")
    alike = (
        sa.select(new.c.id)
        .join(now, new.c.sample_id == now.c.id)
        .where(now.c.sampling_id == sampling.c.id, new.c.superseded_at.is_(None))
        .where(*(new.c[name] == old.c[name] for name in ("analyte", "form", "method", "unit", "basis")))
        .where(*(now.c[name] == before.c[name] for name in ("depth_from_cm", "depth_to_cm")))
        .exists()
    )
    chosen = (
        sa.select(
            sampling.c.id.label("visit_id"), before.c.sampled_on, before.c.label, old.c.analyte, old.c.method,
            old.c.unit, old.c.value, old.c.below,
        )
        .select_from(
            sampling.join(then, then.c.field_id == sampling.c.field_id)
            .join(before, before.c.sampling_id == then.c.id)
            .join(old, old.c.sample_id == before.c.id)
        )
        .where(sampling.c.id.in_(visit_ids), then.c.sampled_on < sampling.c.sampled_on)
        .where(old.c.superseded_at.is_(None), alike)
        .order_by(before.c.sampled_on.desc(), before.c.lab_number, old.c.id)
    )  # fmt: skip
    found: dict[int, list[dict[str, Any]]] = {}
    for row in look.connection.execute(chosen).mappings():
        values = dict(row)
        found.setdefault(values.pop("visit_id"), []).append(values)
    return found


def change_plan(change: Change, visit: VisitRow, version: int, values: Mapping[str, Any]) -> None:
    """Write some columns of a plan that nobody else has changed meanwhile.

    Raises
    ------
    Conflict
        If the plan is no longer the one of that version.
    """
    if visit.version == version:  # compared here first: no engine takes a whole number of any length
        changed = change.connection.execute(
            sampling.update()
            .where(sampling.c.id == visit.id, sampling.c.version == version)
            .values(**values, version=version + 1)
        ).rowcount
    else:
        changed = 0
    if changed != 1:
        raise Conflict(
            "somebody else has changed this plan since you opened it, so nothing was stored",
            where=f"visit {visit.id}", expected=f"the plan as it was when you opened it, version {version}",
            fix="open the visit again, look at what is there now, and change it once more",
        )  # fmt: skip


def samples_by_number(look: Look, numbers: Sequence[str]) -> dict[str, int]:
    """Ids of the caller's samples by laboratory number; what is not the caller's is left out."""
    found: dict[str, int] = {}
    for start in range(0, len(numbers), 500):
        rows = look.connection.execute(
            sa.select(sample.c.lab_number, sample.c.id)
            .join(sampling, sample.c.sampling_id == sampling.c.id)
            .join(field, sampling.c.field_id == field.c.id)
            .where(own_fields(look.scope), sample.c.lab_number.in_(numbers[start : start + 500]))
        )
        found |= {row.lab_number: row.id for row in rows}
    return found


def place_samples(change: Change, places: Mapping[int, tuple[float, float]]) -> None:
    """Write where samples were taken: longitude and latitude by the id of the sample."""
    if places:
        change.connection.execute(
            sample.update()
            .where(sample.c.id == sa.bindparam("of"))
            .values(longitude=sa.bindparam("east"), latitude=sa.bindparam("north")),
            [{"of": each, "east": place[0], "north": place[1]} for each, place in places.items()],
        )
