"""Tables in force: a list, and each in full. They are read here, not changed."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query
from pydantic import Field

from interpretation.agronomy.tables import RateTable, Region, ScaleTable
from service.actions import tablereading
from service.api.common import Output
from service.refusals import Invalid
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
TableId = Annotated[str, Path(max_length=120, description="id of the table; it has a slash in it")]


class Listed(Output):
    """One table of a list."""

    kind: Literal["scales", "rates"]
    id: str
    title: str
    region: str
    analyte: str | None
    nutrient: str | None = Field(description="of a table of amounts")
    method: str | None
    unit: str
    effective_from: date
    effective_to: date | None = Field(description="last day, inclusive")
    standing: str


class OneScale(Output):
    """A scale of classes in full."""

    fingerprint: str = Field(description="SHA-256 of its canonical JSON (RFC 8785)")
    table: ScaleTable


class OneRate(Output):
    """A table of amounts in full."""

    fingerprint: str = Field(description="SHA-256 of its canonical JSON (RFC 8785)")
    table: RateTable


@router.get("/tables")
def tables(
    caller: ApiCaller, site: TheSite,
    region: Annotated[str, Query(max_length=120, description="only this region's")] = "",
) -> list[Listed]:  # fmt: skip
    """List scales of classes and tables of amounts, region by region."""
    found = tablereading.regions(site, caller)
    if region and region not in [each.region.id for each in found]:
        raise Invalid(
            "there is no such region", where="region", expected="the id of one of the regions",
            fix="look at the list of regions", fields={"query/region": "is the id of no region of yours"},
        )  # fmt: skip
    return [
        Listed(
            kind="rates" if isinstance(each, RateTable) else "scales", id=each.id, title=each.title,
            region=each.region, analyte=each.analyte,
            nutrient=each.nutrient if isinstance(each, RateTable) else None, method=each.method,
            unit=each.unit, effective_from=each.effective_from, effective_to=each.effective_to,
            standing=each.standing,
        )
        for one in found
        if region in ("", one.region.id)
        for each in (*one.scales, *one.rates)
    ]  # fmt: skip


@router.get("/tables/regions")
def regions(caller: ApiCaller, site: TheSite) -> list[Region]:
    """List the regions, with who publishes their tables and for whom they are valid."""
    return [each.region for each in tablereading.regions(site, caller)]


@router.get("/tables/scales/{table_id:path}")
def scale(caller: ApiCaller, site: TheSite, table_id: TableId) -> OneScale:
    """Show one scale of classes."""
    found = tablereading.whole(site, caller, "scales", table_id)
    assert isinstance(found.record, ScaleTable)
    return OneScale(fingerprint=found.fingerprint, table=found.record)


@router.get("/tables/rates/{table_id:path}")
def rate(caller: ApiCaller, site: TheSite, table_id: TableId) -> OneRate:
    """Show one table of amounts."""
    found = tablereading.whole(site, caller, "rates", table_id)
    assert isinstance(found.record, RateTable)
    return OneRate(fingerprint=found.fingerprint, table=found.record)
