"""What was in force for a field on a day: the releases, and which table holds for what was measured."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from operator import attrgetter

from interpretation.agronomy.lookup import rate_applying, scale_applying
from interpretation.agronomy.tables import RateTable, ScaleTable, TableSet
from interpretation.errors import NoTableApplies
from service.books import SHARED
from service.callers import Caller, Right
from service.site import Site
from service.store import history, land, releases
from service.store.history import Measured
from service.store.land import FieldOnMap
from service.store.releases import ReleaseRow

MOST_VISITS = 20
Layer = tuple[float, float]
Soil = tuple[Layer, str, str]  # layer, texture, soil group


@dataclass(frozen=True)
class Holding:
    """One table that holds for samples that are alike, or why none does.

    Attributes
    ----------
    subject
        An analyte; of an amount a nutrient.
    method
        Of the soil test; empty of an amount.
    soils
        Layer, texture and soil group of the samples that it is the same for.
    failed
        What no table of the region matches, where none holds.
    tested
        Whether the soil test that a table of amounts rests on was measured.
    """

    subject: str
    method: str
    soils: tuple[Soil, ...]
    table: ScaleTable | RateTable | None
    failed: tuple[str, ...]
    tested: bool = True


@dataclass(frozen=True)
class OfVisit:
    """What holds for one visit."""

    id: int
    sampled_on: date
    crop: str
    scales: tuple[Holding, ...]
    rates: tuple[Holding, ...]


@dataclass(frozen=True)
class FieldTables:
    """What was in force for a field on a day.

    Attributes
    ----------
    of_region, shared
        The releases; None where none was in force.
    region_name
        As that release has it.
    first
        Day of the region's first release; None where it has none.
    visits
        Newest first, those made by that day.
    more
        Whether there are older ones.
    """

    field: FieldOnMap
    on: date
    of_region: ReleaseRow | None
    shared: ReleaseRow | None
    region_name: str
    first: date | None
    visits: tuple[OfVisit, ...]
    more: bool


def for_field(site: Site, caller: Caller, field_id: int, on: date | None = None) -> FieldTables:
    """Find what was in force for a field on a day; today if not given.

    Raises
    ------
    NotFound
        If there is no such field of the caller's.
    """
    with site.database.look(caller, Right.READ_FIELDS) as look:
        field = land.the_field(look, field_id)
        on = on or look.now.date()
        found = site.in_force(look, on)
        rows = releases.of_book(look, field.region)
        measured = history.measured(look, field_id, on)
    own = found.releases.get(field.region)
    visits = [list(group) for _, group in groupby(measured, attrgetter("visit"))] if own else []
    region = found.tables.regions.get(field.region)
    return FieldTables(
        field=field, on=on, of_region=own, shared=found.releases.get(SHARED),
        region_name=region.name if region else field.region,
        first=min((row.effective_on for row in rows), default=None),
        visits=tuple(_of_visit(found.tables, field.region, each) for each in visits[:MOST_VISITS]),
        more=len(visits) > MOST_VISITS,
    )  # fmt: skip


def _of_visit(tables: TableSet, region: str, measured: Sequence[Measured]) -> OfVisit:
    first = measured[0]
    return OfVisit(
        first.visit, first.visited_on, first.crop, _together(_scales(tables, region, measured)),
        _together(_rates(tables, region, measured)),
    )  # fmt: skip


def _scales(tables: TableSet, region: str, measured: Sequence[Measured]) -> Iterator[Holding]:
    for each in measured:
        table: ScaleTable | None = None
        failed: tuple[str, ...] = ()
        try:
            table = scale_applying(
                tables, region=region, crop=each.crop, analyte=each.analyte, form=each.form,
                method=each.method, unit=each.unit, basis=each.basis, on=each.sampled_on,
                depth_cm=_soil(each)[0], texture=each.texture, soil_group=each.soil_group,
            )  # fmt: skip
        except NoTableApplies as error:
            failed = error.failed
        yield Holding(each.analyte, each.method, (_soil(each),), table, failed)


def _rates(tables: TableSet, region: str, measured: Sequence[Measured]) -> Iterator[Holding]:
    own = [each for each in tables.rates.values() if each.region == region]
    by_soil = attrgetter("sampled_on", "depth_from_cm", "depth_to_cm", "texture", "soil_group")
    for _, group in groupby(sorted(measured, key=by_soil), by_soil):
        alike = list(group)
        tested = sorted({each.method for each in alike})
        for nutrient in sorted({each.nutrient for each in own}):
            others = {each.method for each in own if each.nutrient == nutrient and each.method} - {*tested}
            table, failed = _rate(tables, region, alike[0], nutrient, (tested, sorted(others)))
            if table is not None or failed:  # else the region recommends nothing for this crop
                is_tested = table is None or table.method is None or table.method in tested
                yield Holding(nutrient, "", (_soil(alike[0]),), table, failed, is_tested)


def _rate(
    tables: TableSet, region: str, one: Measured, nutrient: str, tests: Sequence[Sequence[str]]
) -> tuple[RateTable | None, tuple[str, ...]]:  # fmt: skip
    """The table that holds by the first of some sets of soil tests, or what none matches."""
    failures = []
    for methods in tests:
        try:
            table = rate_applying(
                tables, region=region, crop=one.crop, nutrient=nutrient, on=one.sampled_on,
                texture=one.texture, methods=methods, depth_cm=_soil(one)[0], soil_group=one.soil_group,
            )  # fmt: skip
        except NoTableApplies as error:
            failures.append(error.failed)
        else:
            return table, ()
    return None, min(failures, key=lambda failed: ("method" in failed, len(failed)))


def _soil(each: Measured) -> Soil:
    return (each.depth_from_cm, each.depth_to_cm), each.texture, each.soil_group


def _together(found: Iterator[Holding]) -> tuple[Holding, ...]:
    """One line for all samples of a visit that the same holds for."""
    lines: dict[tuple[object, ...], Holding] = {}
    for each in found:
        key = (each.subject, each.method, each.table and each.table.id, each.failed, each.tested)
        known = lines.get(key)
        soils = dict.fromkeys((*(known.soils if known else ()), *each.soils))
        lines[key] = replace(each, soils=tuple(soils))
    return tuple(lines.values())
