"""What rates come to on a whole field: what is bought, and not what a spreader is set to."""

from __future__ import annotations

import math
from collections.abc import Sequence

from interpretation.quantities import HA_PER_ACRE
from reports.format import coarse, half_up
from reports.wording import Wording

FIGURES = 3  # of a total: more would claim what a spreader cannot keep
# What a rate becomes on the whole field: its unit -> unit of the total, and whether the area is in acres.
TOTALS = {
    "kg/ha": ("kg", False), "t/ha": ("t", False), "lb/ac": ("lb", True), "ton/ac": ("ton", True),
}  # fmt: skip


def on_the_field(
    rates: Sequence[float], unit: str, area_ha: float, wording: Wording, *, lime: bool = False
) -> str:
    """Write the total of a field from its rates as they are printed: a reader who multiplies gets the same.

    Parameters
    ----------
    rates
        One for each sample, which all stand for equal parts of the field.
    unit
        Of the rates, as they are advised.
    lime
        Whether they are of lime, which is told in tonnes or tons.

    Returns
    -------
    str
        Nothing where the unit is none of a field.
    """
    shown, factor = wording.format.conversion(unit, lime=lime)
    if shown not in TOTALS:
        return ""
    total_unit, in_acres = TOTALS[shown]
    printed_rates = [rate if shown == unit else coarse(rate * factor) for rate in rates]
    area = area_ha / HA_PER_ACRE if in_acres else area_ha
    total = sum(printed_rates) / len(printed_rates) * area
    size = math.floor(math.log10(total)) if total > 0 else 0
    rounded = half_up(total, FIGURES - 1 - size)
    return f"{wording.format.number(rounded, max(0, FIGURES - 1 - size))} {total_unit}"
