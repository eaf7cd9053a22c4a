"""Whole collections, read some rows at a time in the order of their ids, within the caller's scope."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

import sqlalchemy as sa

from service.callers import Right, Scope
from service.exportfiles import Column, Kind
from service.refusals import NotFound
from service.store.database import Look
from service.store.land import own_fields
from service.store.schema import county, farm, field, grower, report, run, sample, sampling, soil_value

Name = Literal["samples", "values", "reports", "fields"]


@dataclass(frozen=True)
class Wanted:
    """Which rows of a collection: of one county, of days from ``first`` to ``last``, both included."""

    county: str | None = None
    first: date | None = None
    last: date | None = None
    superseded: bool = False  # soil values that newer ones have replaced as well


@dataclass(frozen=True)
class Collection:
    """One collection that can be taken away whole.

    Attributes
    ----------
    columns, read
        What each row holds, and from where.
    shape
        What a row's geometry is made from: a point's longitude and latitude, an outline, or nothing.
    day
        By what ``first`` and ``last`` choose.
    """

    right: Right
    columns: tuple[Column, ...]
    read: tuple[sa.ColumnElement[Any], ...]
    home: sa.FromClause
    id: sa.Column[int]
    day: sa.Column[date]
    shape: tuple[sa.Column[Any], ...] = ()
    help: str = ""


_FIELD = field.outerjoin(county, field.c.county_id == county.c.id)
_VISIT = sampling.join(_FIELD, sampling.c.field_id == field.c.id)
_SAMPLE = sample.join(_VISIT, sample.c.sampling_id == sampling.c.id)
_older = report.alias("older")
_Made = tuple[str, Kind, Any, str]

_OF_FIELD: tuple[_Made, ...] = (
    ("field_code", "text", field.c.code, "the field's code in the lists of samples"),
    ("field_name", "text", field.c.name, "the field's name"),
    ("county", "text", field.c.county_id, "id of the county"),
    ("region", "text", field.c.region, "id of the region whose tables are used"),
)
_OF_SAMPLE: tuple[_Made, ...] = (
    ("lab_number", "text", sample.c.lab_number, "the laboratory's number of the sample"),
    ("label", "text", sample.c.label, "the grower's name for the place"),
    *_OF_FIELD,
    ("crop", "text", sampling.c.crop, "id of the crop of the visit"),
    ("depth_from_cm", "number", sample.c.depth_from_cm, "upper end of the sampled depth, in centimetres"),
    ("depth_to_cm", "number", sample.c.depth_to_cm, "lower end of the sampled depth, in centimetres"),
    ("sampled_on", "day", sample.c.sampled_on, "day the soil was taken"),
)
_SAMPLES: tuple[_Made, ...] = (
    ("sample_id", "whole", sample.c.id, "number of the sample in the API"),
    *_OF_SAMPLE,
    ("received_on", "day", sample.c.received_on, "day it reached the laboratory"),
    ("texture", "text", sample.c.texture, "texture of the soil"),
    ("soil_group", "text", sample.c.soil_group, "group of soils, in the region's own word"),
    ("cores", "number", sample.c.cores, "how many cores were mixed"),
    ("bulk_density_g_per_cm3", "number", sample.c.bulk_density_g_per_cm3, "bulk density, in g/cm3"),
    ("lime_percent", "number", sample.c.lime_percent, "carbonate of the soil, in percent"),
    ("moisture_percent", "number", sample.c.moisture_percent, "moisture as received, in percent"),
    ("longitude_degrees", "number", sample.c.longitude, "degrees east, WGS 84"),
    ("latitude_degrees", "number", sample.c.latitude, "degrees north, WGS 84"),
)
_VALUES: tuple[_Made, ...] = (
    ("value_id", "whole", soil_value.c.id, "number of the soil value in the API"),
    *_OF_SAMPLE,
    ("analyte", "text", soil_value.c.analyte, "what was determined"),
    ("form", "text", soil_value.c.form, "the form in which it is given: P is not P2O5"),
    ("method", "text", soil_value.c.method, "id of the laboratory method"),
    (
        "value",
        "number",
        soil_value.c.value,
        "the value, in `unit` on `basis`; empty where it is below a limit",
    ),
    ("below", "number", soil_value.c.below, "the limit it is below, in `unit` on `basis`"),
    ("unit", "text", soil_value.c.unit, "unit of value, below and standard_uncertainty"),
    ("basis", "text", soil_value.c.basis, "what the amount of soil is counted as"),
    (
        "standard_uncertainty",
        "number",
        soil_value.c.standard_uncertainty,
        "one standard deviation, in `unit`",
    ),
    ("origin", "text", soil_value.c.origin, "where the value comes from"),
    ("run", "text", run.c.run_id, "the laboratory's name of the run; empty: typed"),
    ("released_at_utc", "moment", soil_value.c.released_at, "instant of release, UTC"),
    (
        "superseded_at_utc",
        "moment",
        soil_value.c.superseded_at,
        "instant at which a newer value took over, UTC",
    ),
)
_REPORTS: tuple[_Made, ...] = (
    ("report", "text", report.c.report_id, "the report's number, as printed"),
    *_OF_FIELD,
    ("sampled_on", "day", sampling.c.sampled_on, "day of the visit"),
    ("crop", "text", report.c.crop, "id of the crop"),
    ("issued_on", "day", report.c.issued_on, "day printed on it"),
    ("issued_at_utc", "moment", report.c.issued_at, "instant of issue, UTC"),
    ("issued_by", "text", report.c.issued_by, "who issued it"),
    ("language", "text", report.c.language, "language of the page"),
    ("units", "text", report.c.units, "units of the page"),
    ("paper", "text", report.c.paper, "size of the page"),
    ("replaces", "text", _older.c.report_id, "number of the report that it replaces"),
    ("tables_sha256", "text", report.c.tables_sha256, "digest of the tables it was made from"),
    ("document_sha256", "text", report.c.document_sha256, "digest of its PDF"),
)
_FIELDS: tuple[_Made, ...] = (
    ("field_id", "whole", field.c.id, "number of the field in the API"),
    *_OF_FIELD,
    ("farm_name", "text", farm.c.name, "the farm's name"),
    ("grower_code", "text", grower.c.code, "the laboratory's number of the grower"),
    ("grower_name", "text", grower.c.name, "the grower's name"),
    ("area_ha", "number", field.c.area_ha, "area, in hectares"),
)


def _collection(made: tuple[_Made, ...], right: Right, home: sa.FromClause, **more: Any) -> Collection:
    return Collection(
        right, tuple(Column(name, kind, told) for name, kind, _, told in made),
        tuple(column for _, _, column, _ in made), home, **more,
    )  # fmt: skip


_POINT = (sample.c.longitude, sample.c.latitude)
COLLECTIONS: Mapping[Name, Collection] = {
    "samples": _collection(
        _SAMPLES, Right.READ_SAMPLES, _SAMPLE, id=sample.c.id, day=sample.c.sampled_on, shape=_POINT,
        help="one row a sample; days are those of sampling",
    ),
    "values": _collection(
        _VALUES, Right.READ_SAMPLES,
        soil_value.join(_SAMPLE, soil_value.c.sample_id == sample.c.id).outerjoin(
            run, soil_value.c.run_id == run.c.id
        ),
        id=soil_value.c.id, day=sample.c.sampled_on, shape=_POINT,
        help="one row a soil value that stands, with its unit and basis; days are those of sampling",
    ),
    "reports": _collection(
        _REPORTS, Right.READ_REPORTS,
        report.join(_VISIT, report.c.sampling_id == sampling.c.id).outerjoin(
            _older, report.c.replaces == _older.c.id
        ),
        id=report.c.id, day=report.c.issued_on, help="one row a report; days are those of issue",
    ),
    "fields": _collection(
        _FIELDS, Right.READ_FIELDS,
        _FIELD.join(farm, field.c.farm_id == farm.c.id).join(grower, farm.c.grower_id == grower.c.id),
        id=field.c.id, day=sampling.c.sampled_on, shape=(field.c.outline,),
        help="one row a field; days choose those with a visit in between",
    ),
}  # fmt: skip


def some(
    look: Look, name: Name, wanted: Wanted, after: int, most: int, *, shapes: bool
) -> tuple[int, Sequence[tuple[Any, ...]]]:
    """The next rows behind an id, and the id of the last; with each row's geometry at its end if wanted."""
    chosen = COLLECTIONS[name]
    extra = chosen.shape if shapes else ()
    rows = look.connection.execute(
        sa.select(chosen.id, *chosen.read, *extra)
        .select_from(chosen.home)
        .where(chosen.id > after, *_conditions(look.scope, name, wanted))
        .order_by(chosen.id)
        .limit(most)
    ).all()
    width = 1 + len(chosen.read)
    read = [(*row[1:width], _geometry(row[width:])) if shapes else tuple(row[1:]) for row in rows]
    return (rows[-1][0] if rows else after), read


def count(look: Look, name: Name, wanted: Wanted) -> int:
    """How many rows there are."""
    chosen = COLLECTIONS[name]
    return look.connection.execute(
        sa.select(sa.func.count(chosen.id))
        .select_from(chosen.home)
        .where(*_conditions(look.scope, name, wanted))
    ).scalar_one()


def _geometry(shape: Sequence[Any]) -> Any:
    if len(shape) == 1:
        return shape[0]
    longitude, latitude = shape
    if longitude is None or latitude is None:
        return None
    return {"type": "Point", "coordinates": [longitude, latitude]}


def _conditions(scope: Scope, name: Name, wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    chosen = COLLECTIONS[name]
    found = [own_fields(scope)]
    if wanted.county is not None:
        found.append(field.c.county_id == wanted.county)
    if name == "values" and not wanted.superseded:
        found.append(soil_value.c.superseded_at.is_(None))
    days: list[sa.ColumnElement[bool]] = []
    if wanted.first is not None:
        days.append(chosen.day >= wanted.first)
    if wanted.last is not None:
        days.append(chosen.day <= wanted.last)
    if name == "fields" and days:
        return [*found, sa.exists().where(sampling.c.field_id == field.c.id, *days)]
    return found + days


def check_county(look: Look, county_id: str) -> None:
    """Make sure that a county is one of the caller's.

    Raises
    ------
    NotFound
        Otherwise: an empty file would look like a county without samples.
    """
    scope = look.scope
    known = look.connection.scalar(sa.select(county.c.id).where(county.c.id == county_id))
    if known is None or (scope.counties is not None and known not in scope.counties):
        raise NotFound(
            "there is no such county among yours",
            where="county",
            expected="the id of one of your counties",
            fix="leave it out to get all of yours",
        )
