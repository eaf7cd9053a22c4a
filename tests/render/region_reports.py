"""A field of every shipped region: one sample low and one high in everything that it has classes for."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import pairwise

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import ScaleTable, TableSet
from interpretation.results import FieldAdvice
from service.paths import tables_directory
from service.tablefiles import read_tables
from tests.small_world import samples, values

CROPS_EACH = 3


@cache
def tables() -> TableSet:
    return read_tables(tables_directory())


def region_fields() -> Iterator[FieldAdvice]:
    """Fields of every region, in a few of the crops it has tables for."""
    for region in tables().regions:
        scales = [scale for scale in tables().scales.values() if scale.region == region]
        rates = [rate for rate in tables().rates.values() if rate.region == region]
        named = dict.fromkeys(
            crop for table in (*rates, *scales) if table.crops != "any" for crop in table.crops
        )
        for crop in list(named)[:CROPS_EACH] or ["maize"]:
            yield _field(region, crop, scales)


def _field(region: str, crop: str, scales: list[ScaleTable]) -> FieldAdvice:
    ours = [scale for scale in scales if scale.crops == "any" or crop in scale.crops]
    deepest = max((scale.depth_cm[1] for scale in ours if scale.depth_cm), default=20.0)
    plain = {"region": region, "crop": crop, "depth_to_cm": deepest}
    context = samples(*(plain | {"label": label} for label in ("North", "South")))
    rows = {}
    for scale in ours:
        if scale.depth_cm and scale.depth_cm[1] != deepest:
            continue
        for number, at in enumerate((0, -1)):
            method, factor = tables().methods[scale.method], scale.per_method_unit
            value = _inside(scale, at) / (factor or 1)
            rows[number, scale.analyte, scale.method] = {
                "lab_number": f"S{number + 1}", "analyte": scale.analyte, "form": method.form,
                "method": scale.method, "unit": method.unit if factor else scale.unit, "basis": method.basis,
                "value": value, "standard_uncertainty": 0.05 * value, "depth_to_cm": deepest,
            }  # fmt: skip
    soil = values(*rows.values()) if rows else values({"value": 1.0}).iloc[:0]
    return field_advice(advise(soil, tables(), context), "f1")


def _inside(scale: ScaleTable, index: int) -> float:
    """A value in the first or the last class."""
    lowers = [one.lower for one in scale.classes]
    if index == 0 and len(lowers) > 1:
        low, high = next(pairwise(lowers))
        return (low + high) / 2
    return lowers[-1] * 1.1 + scale.round_to
