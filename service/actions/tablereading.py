"""Tables to be read on the server: whose they are, and each in full."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from interpretation.agronomy.tables import RateTable, Region, ScaleTable, Source
from interpretation.results import Record
from service.actions.tables import ReportedClass, State, reported_classes, sources_of, state
from service.callers import Caller, Right
from service.site import Site
from service.store.land import absent

Kind = Literal["scales", "rates"]


@dataclass(frozen=True)
class RegionTables:
    """One region with its scales of classes and its tables of amounts."""

    region: Region
    scales: tuple[ScaleTable, ...]
    rates: tuple[RateTable, ...]


@dataclass(frozen=True)
class WholeTable:
    """One table, who is cited, and whether it holds today."""

    record: ScaleTable | RateTable
    region: Region
    classes: tuple[ReportedClass, ...]  # of a scale, as they are reported
    sources: tuple[Source, ...]
    fingerprint: str  # SHA-256 of its file
    state: State | None


def regions(site: Site, caller: Caller) -> tuple[RegionTables, ...]:
    """Every region that the caller may see, by name."""
    _may_read(site, caller)
    own = [each for each in site.tables.regions.values() if caller.scope.region in ("", each.id)]
    return tuple(_of(site, each) for each in sorted(own, key=lambda each: each.name.casefold()))


def region(site: Site, caller: Caller, region_id: str) -> RegionTables:
    """One region.

    Raises
    ------
    NotFound
        If there is none, or it is not the caller's.
    """
    _may_read(site, caller)
    if region_id not in site.tables.regions or caller.scope.region not in ("", region_id):
        raise absent("region")
    return _of(site, site.tables.regions[region_id])


def whole(site: Site, caller: Caller, kind: Kind, table_id: str) -> WholeTable:
    """One table.

    Raises
    ------
    NotFound
        If there is none, or its region is not the caller's.
    """
    _may_read(site, caller)
    tables = site.tables
    found: ScaleTable | RateTable | None = getattr(tables, kind).get(table_id)
    if found is None or caller.scope.region not in ("", found.region):
        raise absent("table")
    return WholeTable(
        record=found, region=tables.regions[found.region],
        classes=reported_classes(found) if isinstance(found, ScaleTable) else (),
        sources=tuple(tables.sources[each] for each in sources_of(found) if each in tables.sources),
        fingerprint=tables.fingerprints.get(table_id, ""), state=state(found, _today(site)),
    )  # fmt: skip


def in_force(site: Site, record: Record) -> State | None:
    """Whether a table holds today."""
    return state(record, _today(site))


def _of(site: Site, found: Region) -> RegionTables:
    tables = site.tables
    return RegionTables(
        found,
        tuple(each for _, each in sorted(tables.scales.items()) if each.region == found.id),
        tuple(each for _, each in sorted(tables.rates.items()) if each.region == found.id),
    )


def _may_read(site: Site, caller: Caller) -> None:
    with site.database.look(caller, Right.READ_TABLES):
        pass


def _today(site: Site) -> date:
    return site.database.now().date()
