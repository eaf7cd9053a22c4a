"""The amounts of a batch of samples as one frame, and as the columns that note rules may name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.rates import names_in
from interpretation.agronomy.samples import Column
from interpretation.agronomy.tables import TableSet
from interpretation.quantities import KG_PER_HA

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Part = dict[str, NDArray[Any]]  # columns of RATED, and "credits" (rows, credits of the table)

RATED: dict[str, str] = {
    "sample": "int64",  # row of the context
    "nutrient": "category",
    "table": "category",  # id of the rate table
    "rate": "float64",  # in the table's unit; NaN where refused, 0 where none is needed
    "raw": "float64",  # before credits, cap and rounding
    "due": "bool",  # False where the table says that nothing is due
    "soil_row": "int64",  # row of CLASSED the amount was worked out from, -1 without soil test
    "soil_test": "float64",  # as the table saw it; of a censored value its limit
    "bulk_density_g_per_cm3": "float64",  # used for nitrate per hectare: measured, or the table's
    "refusal": "category",  # "" or one of RATE_REFUSALS
    "refusal_detail": "category",
}
RATE_REFUSALS = (
    "",
    "missing-input",  # detail: the name that was not given
    "soil-test-refused",  # detail: why the soil test has no class
    "no-table",  # detail: what did not match
    "not-calibrated",  # the region has no rate of this nutrient for this crop
    "yield-goal-implausible",
    "outside-table",  # detail: the condition under which the table holds
    "no-rate-row",  # the table has no row, or no figure, for this class or value
    "not-computable",  # the formula has no answer, such as a division by zero
)
AMOUNT_NAMES: Mapping[str, str] = {
    "n_rate": "N", "p2o5_rate": "P2O5", "k2o_rate": "K2O", "s_rate": "S", "zn_rate": "Zn",
    "lime_rate": "lime",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RatedSamples:
    """A frame of :data:`RATED` and the credits that go with its rows.

    Attributes
    ----------
    frame
        One row for each sample and nutrient, by sample.
    credits
        ``(rows, credits of the longest table)``, in the table's unit; NaN beyond the row's own table.
    """

    frame: pd.DataFrame
    credits: Floats


def refused(samples: Rows, nutrient: str, refusal: str, detail: str) -> Part:
    """Rows of samples for which no table of a nutrient could be found."""
    n = len(samples)
    return {
        "sample": samples,
        "nutrient": np.full(n, nutrient, dtype=object),
        "table": np.full(n, None, dtype=object),
        "rate": np.full(n, np.nan),
        "raw": np.full(n, np.nan),
        "due": np.ones(n, dtype=np.bool_),
        "soil_row": np.full(n, -1, dtype=np.int64),
        "soil_test": np.full(n, np.nan),
        "bulk_density_g_per_cm3": np.full(n, np.nan),
        "refusal": np.full(n, refusal, dtype=object),
        "refusal_detail": np.full(n, detail, dtype=object),
        "credits": np.empty((n, 0)),
    }


def joined(parts: Sequence[Part]) -> RatedSamples:
    """One frame of all parts, by sample and nutrient."""
    parts = [*parts, refused(np.empty(0, dtype=np.int64), "", "", "")]
    widest = max(part["credits"].shape[1] for part in parts)
    taken = np.full((sum(len(part["sample"]) for part in parts), widest), np.nan)
    start = 0
    for part in parts:
        rows, width = part["credits"].shape
        taken[start : start + rows, :width] = part["credits"]
        start += rows
    frame = pd.DataFrame({name: np.concatenate([part[name] for part in parts]) for name in RATED}).astype(
        RATED
    )
    order = np.lexsort((frame["nutrient"].cat.codes.to_numpy(), frame["sample"].to_numpy()))
    return RatedSamples(frame.take(order).reset_index(drop=True), taken[order])


def rate_columns(rated: pd.DataFrame, tables: TableSet, samples: int) -> dict[str, Column]:
    """Amounts by formula name (``n_rate``), kg/ha, lime in t/ha; 0 where no amount is given.

    ``manure_n_counted`` and the like say whether the amount's table reads what the manure brings.
    """
    columns: dict[str, Column] = {}
    to_kg = {table.id: KG_PER_HA[table.unit] for table in tables.rates.values()}
    factor = rated["table"].map(to_kg).astype("float64").to_numpy()
    kg = rated["rate"].to_numpy() * factor
    for name, nutrient in AMOUNT_NAMES.items():
        columns[name] = np.zeros(samples)
        rows = ((rated["nutrient"] == nutrient) & rated["rate"].notna()).to_numpy()
        columns[name][rated["sample"].to_numpy()[rows]] = kg[rows] / (1000 if nutrient == "lime" else 1)
    for nutrient in ("N", "P2O5", "K2O"):
        manure = f"manure_{nutrient.lower()}"
        reading = [
            table.id
            for table in tables.rates.values()
            if table.nutrient == nutrient and f"{manure}_kg_per_ha" in names_in(table)
        ]
        rows = (rated["table"].isin(reading) & rated["rate"].notna() & rated["due"]).to_numpy()
        columns[f"{manure}_counted"] = np.zeros(samples)
        columns[f"{manure}_counted"][rated["sample"].to_numpy()[rows]] = 1.0
    return columns
