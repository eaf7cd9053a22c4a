"""Tables to be read on the server: whose they are, and each in full."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from interpretation.agronomy.tables import RateTable, Region, ScaleTable, Source, TableSet
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
    tables, _ = _today(site, caller)
    own = [each for each in tables.regions.values() if caller.scope.region in ("", each.id)]
    return tuple(tables_of(tables, each) for each in sorted(own, key=lambda each: each.name.casefold()))


def region(site: Site, caller: Caller, region_id: str) -> RegionTables:
    """One region.

    Raises
    ------
    NotFound
        If there is none, or it is not the caller's.
    """
    tables, _ = _today(site, caller)
    if region_id not in tables.regions or caller.scope.region not in ("", region_id):
        raise absent("region")
    return tables_of(tables, tables.regions[region_id])


def whole(site: Site, caller: Caller, kind: Kind, table_id: str) -> WholeTable:
    """One table.

    Raises
    ------
    NotFound
        If there is none, or its region is not the caller's.
    """
    tables, today = _today(site, caller)
    found = table_of(tables, kind, table_id, today)
    if caller.scope.region not in ("", found.region.id):
        raise absent("table")
    return found


def table_of(tables: TableSet, kind: Kind, table_id: str, on: date | None = None) -> WholeTable:
    """One table of certain tables; whether it holds is said for a day, if one is given.

    Raises
    ------
    NotFound
        If there is none.
    """
    found: ScaleTable | RateTable | None = getattr(tables, kind).get(table_id)
    if found is None:
        raise absent("table")
    return WholeTable(
        record=found, region=tables.regions[found.region],
        classes=reported_classes(found) if isinstance(found, ScaleTable) else (),
        sources=tuple(tables.sources[each] for each in sources_of(found) if each in tables.sources),
        fingerprint=tables.fingerprints.get(table_id, ""), state=state(found, on) if on else None,
    )  # fmt: skip


def tables_of(tables: TableSet, found: Region) -> RegionTables:
    """One region of certain tables with what is its own."""
    return RegionTables(
        found,
        tuple(each for _, each in sorted(tables.scales.items()) if each.region == found.id),
        tuple(each for _, each in sorted(tables.rates.items()) if each.region == found.id),
    )


def in_force(site: Site, record: Record) -> State | None:
    """Whether a table holds today."""
    return state(record, site.database.now().date())


def _today(site: Site, caller: Caller) -> tuple[TableSet, date]:
    """The tables in force, and the day."""
    with site.database.look(caller, Right.READ_TABLES) as look:
        return site.in_force(look).tables, look.now.date()
