"""What other tables would say of the same samples: classes and amounts by both, side by side.

Only what can differ is worked out. A scale that changed touches its analyte; scales of pH and organic matter
touch every method that is not valid on all soils; an amount is touched by its own tables and by every analyte
that these read. What is worked out is exactly what :func:`interpretation.agronomy.advise.advise` gives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from interpretation.agronomy.rates import names_in
from interpretation.agronomy.samples import SOIL_NAMES
from interpretation.agronomy.tables import RateTable, Scoped, TableSet
from interpretation.agronomy.validity import LIMITS

# What is said of a table, and not by it.
TOLD = {"title", "sources", "standing", "remark"}
DECIDES_NOTHING = {"scales": TOLD | {"adequate_from", "scale_top"}, "rates": TOLD | {"materials"}}
OF_SOILS = frozenset({"pH", "organic-matter"})  # what the validity of methods is judged by

NITRATE = "nitrate_kg_per_ha"

# What became of a soil value.
CLASS, REFUSAL, NONE = "class", "refusal", "none"
NOT_ASKED = ""  # why there is no amount: the tables ask for none


@dataclass(frozen=True)
class Touched:
    """What a change of tables can reach.

    Attributes
    ----------
    analytes
        Whose values may be classed otherwise.
    nutrients
        Whose amounts may be other ones.
    needed
        Analytes of which values are needed to tell. No amount may read how sure a value is.
    """

    analytes: frozenset[str]
    nutrients: frozenset[str]
    needed: frozenset[str]

    @property
    def nothing(self) -> bool:
        """Whether nothing can differ."""
        return not self.analytes and not self.nutrients


def changed(before: TableSet, after: TableSet, kind: str) -> tuple[Scoped, ...]:
    """Tables of a kind that another set does not have just so, of both sets."""
    one, two = getattr(before, kind), getattr(after, kind)
    left_out = DECIDES_NOTHING[kind]

    def said(record: Any) -> Any:
        return None if record is None else record.model_dump(exclude=left_out)

    names = [name for name in {**one, **two} if one.get(name) is not two.get(name)]
    different = [name for name in names if said(one.get(name)) != said(two.get(name))]
    return tuple(tables[name] for name in different for tables in (one, two) if name in tables)


def touched(before: TableSet, after: TableSet) -> Touched:
    """What can differ between two sets of tables that share methods, crops and what no region owns."""
    analytes = {str(scale.analyte) for scale in changed(before, after, "scales")}
    if analytes & OF_SOILS:
        limited = [
            method.analyte
            for method in before.methods.values()
            if any(getattr(method, limit.field) is not None for limit in LIMITS)
        ]
        analytes |= set(limited)
    both = [*before.rates.values(), *after.rates.values()]
    nutrients = {rate.nutrient for rate in changed(before, after, "rates") if isinstance(rate, RateTable)}
    nutrients |= {rate.nutrient for rate in both if reads(rate, before) & analytes}
    read = {each for rate in both if rate.nutrient in nutrients for each in reads(rate, before)}
    return Touched(frozenset(analytes), frozenset(nutrients), frozenset(analytes | OF_SOILS | read))


def reads(rate: RateTable, tables: TableSet) -> frozenset[str]:
    """Analytes whose values an amount can stand on."""
    found = {rate.analyte} if rate.analyte else set()
    if rate.method in tables.methods:
        found.add(tables.methods[rate.method].analyte)
    for name in names_in(rate):
        if name in SOIL_NAMES:
            found.add(SOIL_NAMES[name][0])
        elif name == NITRATE:
            found.add("nitrate")
    return frozenset(found)


def narrowed(tables: TableSet, reach: Touched, region: str) -> TableSet:
    """A region's tables that decide about what can differ; no notes, which nothing else rests on."""
    return replace(
        tables,
        scales={
            name: scale
            for name, scale in tables.scales.items()
            if scale.region == region and scale.analyte in reach.needed
        },
        rates={
            name: rate
            for name, rate in tables.rates.items()
            if rate.region == region and rate.nutrient in reach.nutrients
        },
        notes={},
    )
