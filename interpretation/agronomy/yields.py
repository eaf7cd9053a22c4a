"""Yield goals in another unit: exact for masses, not known where a bushel or a bale was not weighed."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.tables import Crop, TableSet
from interpretation.quantities import KG_PER_HA_PER_LB_PER_ACRE, T_PER_HA_PER_TON_PER_ACRE

Floats = NDArray[np.float64]

# What one of each unit of mass is in kg/ha, by the definitions of the pound, the acre and the short ton.
_KG_PER_HA: Mapping[str, float] = {
    "t/ha": 1000.0,
    "lb/ac": KG_PER_HA_PER_LB_PER_ACRE,
    "ton/ac": 1000.0 * T_PER_HA_PER_TON_PER_ACRE,
}


def yield_kg_per_ha(crop: Crop, unit: str) -> float:
    """What one unit of yield weighs.

    Parameters
    ----------
    crop
        Its file says what a bushel of it weighs.
    unit
        A unit of ``tables.YieldUnit``.

    Returns
    -------
    float
        kg/ha; NaN for bushels of a crop whose bushel has no stated weight, and for bales.

    Examples
    --------
    >>> maize = Crop.model_validate({"id": "maize", "name": "maize", "yield_unit": "t/ha", "yield_from": 1,
    ...     "yield_to": 20, "bushel_lb": 56})
    >>> round(yield_kg_per_ha(maize, "bu/ac"), 2)
    62.77
    """
    if unit == "bu/ac":
        return (crop.bushel_lb or float("nan")) * KG_PER_HA_PER_LB_PER_ACRE
    return _KG_PER_HA.get(unit, float("nan"))


def yield_factor(crop: Crop, unit: str, wanted: str) -> float:
    """How many of the wanted unit one of a unit makes; NaN where that is not known."""
    return 1.0 if unit == wanted else yield_kg_per_ha(crop, unit) / yield_kg_per_ha(crop, wanted)


def yield_goals(context: pd.DataFrame, tables: TableSet, wanted: str | None = None) -> Floats:
    """The stated yield goals in one unit.

    Parameters
    ----------
    context
        One row a sample; an empty ``yield_unit`` is the crop's own.
    tables
        The crops.
    wanted
        A unit of ``tables.YieldUnit``; ``None`` is each crop's own.

    Returns
    -------
    ndarray
        One a sample. NaN where no goal was stated, or where it cannot be turned into the unit.
    """
    crops = [tables.crops[name] for name in context["crop"].unique()]
    factors = {
        f"{crop.id} {unit}": yield_factor(crop, unit or crop.yield_unit, wanted or crop.yield_unit)
        for crop, unit in product(crops, context["yield_unit"].unique())
    }
    factor = (context["crop"] + " " + context["yield_unit"]).map(factors).to_numpy(dtype=np.float64)
    goals: Floats = context["yield_goal"].to_numpy(dtype=np.float64) * factor
    return goals
