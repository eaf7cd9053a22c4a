"""One row a sample: the columns that formulas and note rules may name.

Filled from the samples' context and from their soil values as reported (rounded), so that a printed working
adds up with the printed numbers. A value stands under a name only if its unit is the name's unit, it counts
the name's form (nitrate-N, not nitrate) and no water of a moist soil; nothing is converted here, and what is
not known stays NaN or empty.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.materials import removal_kg_per_ha
from interpretation.agronomy.tables import TableSet
from interpretation.agronomy.validity import WATER_PH_METHOD
from interpretation.agronomy.values import ClassedValues
from interpretation.agronomy.yields import yield_goals
from interpretation.quantities import ANALYTES

Floats = NDArray[np.float64]
Column = Any  # numbers as float64, texts as pandas categoricals

# Formula name: analyte and unit of the soil values that may stand under it.
SOIL_NAMES: Mapping[str, tuple[str, str]] = {
    "ph": ("pH", "pH"),
    "buffer_ph": ("buffer-pH", "pH"),
    "om_percent": ("organic-matter", "%"),
    "cec_cmol_per_kg": ("CEC", "cmol/kg"),
    "acidity_cmol_per_kg": ("exchangeable-acidity", "cmol/kg"),
    "p_mg_per_kg": ("P", "mg/kg"),
    "k_mg_per_kg": ("K", "mg/kg"),
    "ca_mg_per_kg": ("Ca", "mg/kg"),
    "mg_mg_per_kg": ("Mg", "mg/kg"),
    "zn_mg_per_kg": ("Zn", "mg/kg"),
    "mn_mg_per_kg": ("Mn", "mg/kg"),
    "cu_mg_per_kg": ("Cu", "mg/kg"),
    "fe_mg_per_kg": ("Fe", "mg/kg"),
    "b_mg_per_kg": ("B", "mg/kg"),
    "al_mg_per_kg": ("Al", "mg/kg"),
    "sulfate_mg_per_kg": ("sulfate", "mg/kg"),
    "na_percent": ("exchangeable-sodium", "%"),
    "ec_ds_per_m": ("salinity", "dS/m"),
    "nitrate_mg_per_kg": ("nitrate", "mg/kg"),
}

REMOVAL = "removal_"  # how the names of what a harvest carries away begin


def kg_per_ha(content_mg_per_kg: Floats, depth_cm: Floats, bulk_density_g_per_cm3: Floats) -> Floats:
    """Turn a content of oven-dry soil into mass per hectare of the sampled layer.

    Parameters
    ----------
    content_mg_per_kg, depth_cm, bulk_density_g_per_cm3
        Arrays or numbers that broadcast together; NaN where not known.

    Returns
    -------
    ndarray
        kg/ha.

    Notes
    -----
    One hectare, 1 cm deep, is 100 m3; at 1 g/cm3 it weighs 10^5 kg, and 1 mg/kg of that is 0.1 kg.

    Examples
    --------
    >>> kg_per_ha(np.array([10.0]), np.array([20.0]), np.array([1.3]))
    array([26.])
    """
    mass: Floats = np.asarray(0.1 * content_mg_per_kg * depth_cm * bulk_density_g_per_cm3)
    return mass


def context_columns(context: pd.DataFrame, tables: TableSet) -> dict[str, Column]:
    """Columns that come from the context alone; texts as categoricals, so that a comparison is cheap.

    Yield goals are in the crop's own unit. One outside the crop's plausible range (bushels where tonnes were
    meant) counts as not known, and so does one whose unit cannot be turned into the crop's.
    """
    columns: dict[str, Column] = {
        name: context[name].astype("category").array for name in ("crop", "previous_crop", "texture")
    }
    for name in (
        "bulk_density_g_per_cm3", "lime_percent",
        "manure_n_kg_per_ha", "manure_p2o5_kg_per_ha", "manure_k2o_kg_per_ha",
    ):  # fmt: skip
        columns[name] = context[name].to_numpy(dtype=np.float64)
    lowest, highest = (
        context["crop"].map({crop.id: getattr(crop, name) for crop in tables.crops.values()}).to_numpy(float)
        for name in ("yield_from", "yield_to")
    )
    goal = yield_goals(context, tables)
    columns["yield_goal"] = np.where((goal >= lowest) & (goal <= highest), goal, np.nan)
    for nutrient in ("N", "P2O5", "K2O", "S"):
        per_unit = {
            crop.id: removal_kg_per_ha(crop, 1.0).get(nutrient, np.nan) for crop in tables.crops.values()
        }
        removed = context["crop"].map(per_unit).to_numpy(float) * columns["yield_goal"]
        columns[f"{REMOVAL}{nutrient.lower()}_kg_per_ha"] = removed
    for name in ("near_water", "manured_since_harvest", "manured_in_three_years"):
        columns[name] = context[name].to_numpy(dtype=np.float64)
    columns["depth_from_cm"] = context["depth_from_cm"].to_numpy(dtype=np.float64)
    columns["depth_cm"] = (context["depth_to_cm"] - context["depth_from_cm"]).to_numpy(dtype=np.float64)
    columns["month"] = context["sampled_on"].dt.month.to_numpy(dtype=np.float64)
    return columns


def soil_columns(classed: ClassedValues, tables: TableSet, samples: int) -> dict[str, Column]:
    """Columns that come from the soil values: contents as reported, and classes.

    A value refused for its method, or below its scale, stands under no name. Of two methods for one name
    the first by id is taken, whatever the order of the rows.
    """
    columns: dict[str, Column] = {name: np.full(samples, np.nan) for name in SOIL_NAMES}
    columns |= {name: np.full(samples, np.nan) for name in ("p_class_index", "k_class_index", "p_top_class")}
    columns["borderline"] = np.zeros(samples)
    frame = classed.frame
    sample, index = (frame[name].to_numpy() for name in ("sample", "class_index"))
    reported = classed.in_method_unit()  # "p_mg_per_kg" is in mg/kg, whatever unit its scale counts in
    refusal, table = frame["refusal"], frame["table"].cat.codes.to_numpy()
    usable = ((refusal == "") | (refusal == "no-table")).to_numpy()
    top = np.array([len(scale.classes) - 1 for scale in tables.scales.values()] or [0])
    for kind in sorted(classed.kinds, key=lambda kind: kind.method):
        rows = kind.rows[usable[kind.rows]]
        for name, wanted in SOIL_NAMES.items():
            in_water = name != "ph" or kind.method.startswith(WATER_PH_METHOD)
            as_named = kind.form == ANALYTES[kind.analyte].form and kind.basis != "as-received"
            if (kind.analyte, kind.unit) == wanted and as_named and in_water:
                _fill(columns[name], sample[rows], reported[rows])
        if kind.analyte in ("P", "K"):
            rows = rows[index[rows] >= 0]
            _fill(columns[f"{kind.analyte.lower()}_class_index"], sample[rows], index[rows])
            if kind.analyte == "P":
                _fill(columns["p_top_class"], sample[rows], index[rows] == top[table[rows]])
    columns["borderline"][sample[frame["borderline"].to_numpy()]] = 1.0
    return columns


def _fill(column: Floats, sample: NDArray[np.int64], found: NDArray[np.generic]) -> None:
    """Write what is found where nothing stands yet."""
    empty = np.isnan(column[sample])
    column[sample[empty]] = found[empty]
