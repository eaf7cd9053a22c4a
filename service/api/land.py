"""Growers, farms, fields and their history; where samples were taken."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import JSONResponse

from reports.format import Units
from service.actions import advising, land, maps
from service.actions.checking import checked
from service.actions.geojson import take_ground
from service.actions.land import FieldChange, GrowerChange, Past
from service.api.common import After, Id, Input, Limit, Line, Output, Page, Text, page_of
from service.store.land import FieldInList, FieldOnMap, FieldRow, GrowerRow
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
GEOJSON = "application/geo+json"
Search = Annotated[
    str, Query(max_length=100, description="words; each begins a word of the name or the code")
]


class Grower(Output):
    """A grower: the person or business that a report is for."""

    id: int
    code: str | None = Field(description="the laboratory's number of the client")
    name: str
    address: str
    telephone: str
    email: str
    language: str = Field(description="usual language of reports")
    units: str = Field(description="usual units of reports: metric, us, garden-metric or garden-us")
    mail_consent: bool
    copy_to: str
    copy_consent: bool
    erased: bool = Field(description="whether what was kept about the person has been erased")


class GivenGrower(Input):
    """What is to be changed of a grower; what is left out or null stays."""

    name: Line | None = None
    address: Text | None = Field(default=None, max_length=400)
    telephone: Line | None = Field(default=None, max_length=60)
    email: Line | None = None
    language: Literal["en", "es"] | None = None
    units: Units | None = None
    mail_consent: bool | None = None
    copy_to: Line | None = None
    copy_consent: bool | None = None


class Farm(Output):
    """A farm of a grower."""

    id: int
    name: str


class Field_(Output):  # noqa: N801 - Field is pydantic's
    """A field, with whose it is."""

    id: int
    code: str = Field(description="field_id of the lists of samples")
    name: str
    farm_id: int
    farm_name: str
    grower_id: int
    grower_name: str
    county_id: str | None
    region: str = Field(description="whose tables are used")
    area_ha: float | None


class FieldWithDay(Field_):
    """A field of a list."""

    last_visit: date | None


class FieldWithOutline(Field_):
    """A field with its outline."""

    outline: dict[str, Any] | None = Field(description="GeoJSON Polygon, WGS 84")


class GivenField(Input):
    """What is to be changed of a field; what is left out or null stays."""

    name: Line | None = None
    county_id: Line | None = None
    area_ha: float | None = Field(default=None, gt=0, le=100_000, allow_inf_nan=False)
    outline: dict[str, Any] | None = Field(
        default=None, description="GeoJSON Polygon, WGS 84; an empty object takes the outline away"
    )


class Holding(Output):
    """A grower with farms and fields."""

    grower: Grower
    farms: list[Farm]
    fields: list[FieldWithDay]


class HistoricValue(Output):
    """One standing value: exactly one of `value` and `below` is given."""

    analyte: str
    form: str = Field(description="what the number counts")
    method: str
    value: float | None
    below: float | None = Field(description="the limit that the content is below")
    unit: str
    basis: str


class HistoricVisit(Output):
    """One visit with its standing values and the reports issued of it."""

    id: int
    sampled_on: date
    crop: str
    values: list[HistoricValue]
    reports: list[int]


class GivenName(Input):
    """A name."""

    name: Line


class Placed(Output):
    """How many places were taken."""

    samples: int
    fields: int


@router.get("/growers")
def growers(
    caller: ApiCaller, site: TheSite, search: Search = "", after: After = 0, limit: Limit = 50
) -> Page[Grower]:
    """List growers by rising id."""
    return page_of(land.growers_after(site, caller, search, after, limit + 1), limit, _grower)


@router.get("/growers/{grower_id}")
def grower(caller: ApiCaller, site: TheSite, grower_id: Id) -> Holding:
    """Show one grower with farms and fields."""
    return _holding(land.holding(site, caller, grower_id))


@router.patch("/growers/{grower_id}")
def change_grower(caller: ApiCaller, site: TheSite, grower_id: Id, given: GivenGrower) -> Holding:
    """Change contact facts, language, units and consents of a grower."""
    land.change_grower(site, caller, grower_id, checked(GrowerChange, given.model_dump()))
    return _holding(land.holding(site, caller, grower_id))


@router.put("/growers/{grower_id}/farms/{farm_id}")
def rename_farm(caller: ApiCaller, site: TheSite, grower_id: Id, farm_id: Id, given: GivenName) -> Holding:
    """Give a farm another name."""
    land.rename_farm(site, caller, grower_id, farm_id, given.name)
    return _holding(land.holding(site, caller, grower_id))


@router.get("/fields")
def fields(
    caller: ApiCaller, site: TheSite, search: Search = "", after: After = 0, limit: Limit = 50
) -> Page[FieldWithDay]:
    """List fields by rising id; a search also looks at the names of farm and grower."""
    return page_of(land.fields_after(site, caller, search, after, limit + 1), limit, _listed)


@router.get("/fields/{field_id}")
def field(caller: ApiCaller, site: TheSite, field_id: Id) -> FieldWithOutline:
    """Show one field."""
    return _field(land.field(site, caller, field_id))


@router.patch("/fields/{field_id}")
def change_field(caller: ApiCaller, site: TheSite, field_id: Id, given: GivenField) -> FieldWithOutline:
    """Change a field's name, county, area or outline."""
    land.change_field(site, caller, field_id, checked(FieldChange, given.model_dump()))
    return _field(land.field(site, caller, field_id))


@router.get("/fields/{field_id}/history")
def history(caller: ApiCaller, site: TheSite, field_id: Id) -> list[HistoricVisit]:
    """Everything found on a field over the years, newest visit first; superseded values are left out."""
    return _history(land.past(site, caller, field_id))


@router.get(
    "/visits/{visit_id}/geojson", response_class=JSONResponse,
    responses={200: {"content": {GEOJSON: {"schema": {"type": "object"}}}, "description": "RFC 7946"}},
)  # fmt: skip
def visit_geojson(caller: ApiCaller, site: TheSite, visit_id: Id) -> JSONResponse:
    """Show where a visit's samples were taken, with values, units and classes, as a FeatureCollection."""
    found = advising.advised(site, caller, visit_id)
    return JSONResponse(maps.features(found), media_type=GEOJSON)


@router.put("/places")
def load_places(caller: ApiCaller, site: TheSite, given: dict[str, Any]) -> Placed:
    """Set where samples were taken and how fields are outlined, from a GeoJSON FeatureCollection.

    A Point with the property `lab_number` places a sample; a Polygon with `field_id` outlines the field of
    that code. All are taken, or none.
    """
    samples, outlines = maps.load_ground(site, caller, take_ground(given))
    return Placed(samples=samples, fields=outlines)


def _grower(row: GrowerRow) -> Grower:
    return Grower(**row.model_dump())


def _fields_of(row: FieldRow) -> dict[str, Any]:
    return {name: getattr(row, name) for name in Field_.model_fields}


def _listed(row: FieldInList) -> FieldWithDay:
    return FieldWithDay(**_fields_of(row), last_visit=row.last_visit)


def _field(row: FieldOnMap) -> FieldWithOutline:
    return FieldWithOutline(**_fields_of(row), outline=row.outline)


def _holding(found: land.Holding) -> Holding:
    return Holding(
        grower=_grower(found.grower), farms=[Farm(id=f.id, name=f.name) for f in found.farms],
        fields=[_listed(row) for row in found.fields],
    )  # fmt: skip


def _history(past: Past) -> list[HistoricVisit]:
    visits: dict[int, HistoricVisit] = {}
    for row in past.visits:
        known = visits.setdefault(
            row[0],
            HistoricVisit(id=row[0], sampled_on=row[1], crop=row[2], values=[], reports=[]),
        )
        if row[3] is not None:
            known.reports.append(row[3])
    for visit, analyte, method, form, unit, basis, value, below in past.found:
        visits[visit].values.append(
            HistoricValue(
                analyte=analyte, form=form, method=method, value=value, below=below, unit=unit, basis=basis
            )
        )
    return list(visits.values())
