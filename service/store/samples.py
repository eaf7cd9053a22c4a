"""Samples: found by laboratory number or field, with what came of each, and as a run needs them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any, Literal

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.refusals import NotFound
from service.store.database import Look
from service.store.land import own_fields
from service.store.schema import county, farm, field, grower, sample, sampling, soil_value
from service.store.values import chunks

Measured = Literal["with", "without"]


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SampleInList(_Row):
    """One sample of a list; ``values`` counts those that stand."""

    id: int
    lab_number: str
    label: str
    field_id: int
    field_code: str
    field_name: str
    crop: str
    sampled_on: date
    received_on: date | None
    values: int


class SampleRow(_Row):
    """Everything registered of one sample and of its visit."""

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
    ph_water: float | None
    moisture_percent: float | None
    air_dry_moisture_percent: float | None
    soil_g: float | None
    extract_ml: float | None
    longitude: float | None
    latitude: float | None
    sampling_id: int
    crop: str
    other_crops: list[str]
    tests_wanted: str
    registered_at: datetime
    registered_by: str
    field_id: int
    field_code: str
    field_name: str
    region: str
    county_name: str | None
    farm_name: str
    grower_id: int
    grower_name: str


_HOME = sample.join(sampling, sample.c.sampling_id == sampling.c.id).join(
    field, sampling.c.field_id == field.c.id
)
_STANDING = (soil_value.c.sample_id == sample.c.id) & soil_value.c.superseded_at.is_(None)
_COUNT = (
    sa.select(sa.func.count())
    .select_from(soil_value)
    .where(_STANDING)
    .correlate(sample)
    .scalar_subquery()
    .label("values")
)
_LIST = (
    sample.c.id, sample.c.lab_number, sample.c.label, field.c.id.label("field_id"),
    field.c.code.label("field_code"), field.c.name.label("field_name"), sampling.c.crop,
    sample.c.sampled_on, sample.c.received_on, _COUNT,
)  # fmt: skip
_OF_THE_VISIT = ("crop", "other_crops", "tests_wanted", "registered_at", "registered_by")
_OF_OTHERS = {
    "sampling_id": sampling.c.id,
    **{name: sampling.c[name] for name in _OF_THE_VISIT},
    "field_id": field.c.id,
    "field_code": field.c.code,
    "field_name": field.c.name,
    "region": field.c.region,
    "county_name": county.c.name,
    "farm_name": farm.c.name,
    "grower_id": grower.c.id,
    "grower_name": grower.c.name,
}


def listing(
    look: Look,
    *,
    search: str = "",
    measured: Measured | None = None,
    before: int | None = None,
    most: int = 50,
) -> tuple[SampleInList, ...]:
    """Samples from the newest on, behind one; ``search`` begins the lab number or the field's code."""
    chosen = _matching(look, search, measured).order_by(sample.c.id.desc()).limit(most)
    if before is not None:
        chosen = chosen.where(sample.c.id < before)
    return _listed(look, chosen, sample.c.id.desc())


def after(
    look: Look, last: int, most: int, *, search: str = "", measured: Measured | None = None
) -> tuple[SampleInList, ...]:
    """Samples in the order of their ids, behind one."""
    chosen = _matching(look, search, measured).where(sample.c.id > last).order_by(sample.c.id).limit(most)
    return _listed(look, chosen, sample.c.id.asc())


def _listed(look: Look, chosen: sa.Select[Any], order: sa.ColumnElement[Any]) -> tuple[SampleInList, ...]:
    """The rows of a few samples: which ones is settled first, so that only theirs are gathered."""
    some = chosen.subquery()
    whole = sa.select(*_LIST).select_from(_HOME.join(some, some.c.id == sample.c.id)).order_by(order)
    rows = look.connection.execute(whole).mappings()
    return tuple(SampleInList.model_validate(dict(row)) for row in rows)


def _matching(look: Look, search: str, measured: Measured | None) -> sa.Select[Any]:
    """Ids of samples; walked along an index, so the county of each is asked for one by one."""
    chosen = sa.select(sample.c.id).where(sample.c.laboratory_id == look.scope.laboratory_id)
    if look.scope.counties is not None:
        home = sampling.join(field, sampling.c.field_id == field.c.id)
        own = (
            sa.exists().select_from(home).where(sampling.c.id == sample.c.sampling_id, own_fields(look.scope))
        )
        chosen = chosen.where(own.correlate(sample))
    if search := search.strip():
        by_number = sa.select(sample.c.id).where(
            sample.c.laboratory_id == look.scope.laboratory_id,
            sample.c.lab_number.startswith(search, autoescape=True),
        )
        by_field = (
            sa.select(sample.c.id)
            .select_from(_HOME)
            .where(
                field.c.laboratory_id == look.scope.laboratory_id,
                field.c.code_folded.startswith(search.casefold(), autoescape=True),
            )
        )
        chosen = chosen.where(sample.c.id.in_(by_number.union(by_field)))
    if measured is not None:
        has = sa.exists().where(_STANDING).correlate(sample)
        chosen = chosen.where(has if measured == "with" else ~has)
    return chosen


def _own(look: Look) -> list[sa.ColumnElement[bool]]:
    return [sample.c.laboratory_id == look.scope.laboratory_id, own_fields(look.scope)]


def the_sample(look: Look, sample_id: int) -> SampleRow:
    """One sample.

    Raises
    ------
    NotFound
        If there is none in the caller's scope.
    """
    own = [sample.c[name] for name in SampleRow.model_fields if name not in _OF_OTHERS]
    others = [column.label(name) for name, column in _OF_OTHERS.items()]
    home = (
        _HOME.join(farm, field.c.farm_id == farm.c.id)
        .join(grower, farm.c.grower_id == grower.c.id)
        .outerjoin(county, field.c.county_id == county.c.id)
    )
    chosen = sa.select(*own, *others).select_from(home).where(sample.c.id == sample_id, *_own(look))
    row = look.connection.execute(chosen).mappings().one_or_none()
    if row is None:
        raise NotFound(
            "there is no such sample",
            expected="a sample of your own",
            fix="look for it in the list of samples; it may belong to somebody else",
        )
    return SampleRow.model_validate(dict(row))


# ------------------------------------------------------------------------------------------- for the bench


def ids_of(look: Look, numbers: Iterable[str]) -> dict[str, int]:
    """Id of the sample of each lab number that the caller has."""
    found: dict[str, int] = {}
    for some in chunks(numbers):
        rows = look.connection.execute(
            sa.select(sample.c.lab_number, sample.c.id)
            .select_from(_HOME)
            .where(*_own(look), sample.c.lab_number.in_(some))
        )
        found |= {row.lab_number: row.id for row in rows}
    return found


def prepared(look: Look, numbers: Iterable[str], names: Iterable[str]) -> dict[str, dict[str, Any]]:
    """What is known of the preparation of samples: lab number -> the named columns and ``id``."""
    wanted = [sample.c.id, *(sample.c[name] for name in names)]
    found: dict[str, dict[str, Any]] = {}
    for some in chunks(numbers):
        rows = look.connection.execute(
            sa.select(*wanted)
            .add_columns(sample.c.lab_number.label("number"))
            .where(sample.c.laboratory_id == look.scope.laboratory_id, sample.c.lab_number.in_(some))
        ).mappings()
        for row in rows:
            values = dict(row)
            found[values.pop("number")] = values
    return found
