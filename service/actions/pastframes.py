"""Past samples as the agronomy reads them: one row a sample, one row a soil value."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.tables import YIELD_UNITS, TableSet
from interpretation.soil_values import COLUMNS

MANURE = ("manure_n_kg_per_ha", "manure_p2o5_kg_per_ha", "manure_k2o_kg_per_ha")
UNTOLD = ("label", "field_name", "farm_name", "grower_name")  # whose it is, and what they call it


def advisable(samples: pd.DataFrame, region: str, *sets: TableSet) -> NDArray[np.bool_]:
    """Which samples every one of some sets of tables can advise on: their crops and soil groups are known."""
    fit = samples["yield_unit"].isin(["", *YIELD_UNITS])
    for tables in sets:
        groups = tables.regions[region].soil_groups
        fit &= samples["crop"].isin(list(tables.crops))
        fit &= samples["previous_crop"].isin(["", *tables.crops])
        fit &= samples["soil_group"].isin(["", *groups])
    return np.asarray(fit, dtype=np.bool_)


def context_of(samples: pd.DataFrame, region: str) -> pd.DataFrame:
    """What is known of samples of the store, without what only a person knows them by.

    A sample's number is its place among them, unless the store has read the laboratory's; a visit is a field.
    """
    known: dict[str, Any] = {name: samples[name] for name in CONTEXT if name in samples}
    known |= dict.fromkeys(UNTOLD, "") | {"region": region, "example": False}
    known["field_id"] = samples["visit_id"].astype("str")
    if "lab_number" not in samples:
        known["lab_number"] = pd.Series(np.arange(len(samples)), index=samples.index).astype("str")
        known |= {"received_on": pd.NaT, "cores": np.nan}
    # Blank is none, unless manure came: then how much it brought is not known, and is not nought.
    blank = np.where(samples["manured_since_harvest"] == 1.0, np.nan, 0.0)
    known |= {name: np.where(samples[name].isna(), blank, samples[name]) for name in MANURE}
    known["near_water"] = samples["near_water"] == 1.0
    return pd.DataFrame(known, columns=list(CONTEXT), index=samples.index).astype(CONTEXT)


def soil_of(values: pd.DataFrame, samples: pd.DataFrame, context: pd.DataFrame) -> pd.DataFrame:
    """Soil values of samples; those of others are left out."""
    place = pd.Index(samples["sample_id"]).get_indexer(pd.Index(values["sample_id"]))
    if (place < 0).any():
        values, place = values[place >= 0], place[place >= 0]
    told = {
        name: context[name].array.take(place)
        for name in ("lab_number", "depth_from_cm", "depth_to_cm", "sampled_on")
    }
    told |= {name: values[name].array for name in COLUMNS if name in values}
    told = {"standard_uncertainty": np.nan, "origin": ""} | told
    return pd.DataFrame(told, columns=list(COLUMNS), index=pd.RangeIndex(len(values))).astype(COLUMNS)


def as_if(days: pd.Series, year: int | None) -> pd.Series:
    """The same days of another year; the last day of February for one that it does not have.

    Examples
    --------
    >>> as_if(pd.Series(pd.to_datetime(["2024-02-29", "2025-09-03"])), 2027).dt.strftime("%Y-%m-%d").to_list()
    ['2027-02-28', '2027-09-03']
    """
    if year is None:
        return days
    day = days.to_numpy().astype("datetime64[D]")
    month = day.astype("datetime64[M]")
    moved = np.datetime64(f"{year}-01", "M") + (month - month.astype("datetime64[Y]").astype("datetime64[M]"))
    last = (moved + 1).astype("datetime64[D]") - 1
    within = moved.astype("datetime64[D]") + (day - month.astype("datetime64[D]"))
    return pd.Series(np.minimum(within, last).astype("datetime64[us]"), index=days.index)
