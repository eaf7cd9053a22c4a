"""Which tables can hold for one sample together, and the unit in which a rate's soil test then comes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from interpretation.agronomy.tables import RateTable, ScaleTable, Scoped, TableSet
from interpretation.quantities import DEPTH_TOLERANCE_CM


def meet(one: Scoped, two: Scoped) -> bool:
    """Whether two tables of one region can hold for one sample on one day."""
    last = earlier(one.effective_to, two.effective_to)
    return (
        one.region == two.region
        and _share(one.crops, two.crops, every="any")
        and _share(one.textures, two.textures, every=())
        and _share(one.soil_groups, two.soil_groups, every=())
        and (one.depth_cm is None or two.depth_cm is None or _same(one.depth_cm, two.depth_cm))
        and (last is None or last >= max(one.effective_from, two.effective_from))
    )


def scales_of(table: RateTable, tables: TableSet) -> list[ScaleTable]:
    """Scales that class the soil test of a rate table, for some of its samples."""
    return [
        scale
        for scale in tables.scales.values()
        if (scale.analyte, scale.method) == (table.analyte, table.method) and meet(scale, table)
    ]


def soil_test_units(table: RateTable, tables: TableSet) -> frozenset[str]:
    """Units in which a rate's soil test may come: its scales', else its region's, else its method's own.

    Classed values are in the unit of their scale. A value that no scale of the region covers may be used as
    its method reports it, but never beside scales, and amounts, that count in another unit.
    """
    of_test = [
        scale
        for scale in tables.scales.values()
        if (scale.region, scale.method) == (table.region, table.method)
        and table.analyte in (None, scale.analyte)
    ]
    units = {scale.unit for scale in of_test if meet(scale, table)} or {scale.unit for scale in of_test}
    if not units and table.method in tables.methods:
        units = {tables.methods[table.method].unit}
    return frozenset(units)


def earlier(one: date | None, two: date | None) -> date | None:
    """The earlier of two last days; no day is no end."""
    return min((day for day in (one, two) if day is not None), default=None)


def _share(one: Sequence[str], two: Sequence[str], every: Sequence[str]) -> bool:
    return one == every or two == every or bool(set(one) & set(two))


def _same(one: tuple[float, float], two: tuple[float, float]) -> bool:
    return all(abs(a - b) <= 2 * DEPTH_TOLERANCE_CM for a, b in zip(one, two, strict=True))
