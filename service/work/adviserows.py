"""What was advised on a partition as tables of Parquet: nothing in them depends on what else was in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from interpretation.agronomy.advise import Advice
from interpretation.agronomy.extractants import MEASURED
from interpretation.agronomy.table_units import TURNED
from interpretation.agronomy.values import CLASSED

_TYPES = {
    "str": pa.string(), "category": pa.string(), "float64": pa.float64(), "int8": pa.int8(),
    "bool": pa.bool_(), "datetime64[us]": pa.timestamp("us"),
}  # fmt: skip
Rows = NDArray[np.int64]


def tables_of(advice: Advice) -> dict[str, pa.Table]:
    """Classed values, amounts and notes, each with the numbers of its sample and field."""
    return {"classed": classed_table(advice), "amounts": amounts_table(advice), "notes": notes_table(advice)}


def classed_table(advice: Advice) -> pa.Table:
    """One row a soil value: as given, as reported, its class and the probability of each class.

    ``measured_*`` is what was measured where an equation between methods was switched on, ``turned_*`` what
    was reported before the value was turned into the unit of its scale.
    """
    frame = advice.classed.frame
    columns = _of_sample(advice, frame["sample"].to_numpy())
    columns |= {
        name: _array(frame[name], kind)
        for name, kind in CLASSED.items()
        if name not in ("sample", "lab_number")
    }
    columns["class_name"] = _class_names(advice)
    columns["probability"] = _lists(advice.classed.probability.astype(np.float32), pa.float32())
    for name, part, kinds in (
        ("measured", advice.measured, MEASURED),
        ("turned", advice.classed.turned, TURNED),
    ):
        at = np.asarray(part.index, dtype=np.int64)
        for column, kind in kinds.items():
            columns[f"{name}_{column}"] = _at(_array(part[column], kind), at, len(frame))
    return pa.table(columns)


def amounts_table(advice: Advice) -> pa.Table:
    """One row for each sample and nutrient: the amount, what it was worked out from, and its credits."""
    frame, soil = advice.rated.frame, advice.classed.frame
    rates = advice.tables.rates
    columns = _of_sample(advice, frame["sample"].to_numpy())
    columns["nutrient"] = _array(frame["nutrient"], "category")
    columns["rate"] = _array(frame["rate"], "float64")
    columns["unit"] = _by_table(frame["table"], lambda table: rates[table].unit)
    for name in ("table", "raw", "due", "soil_test", "bulk_density_g_per_cm3", "refusal", "refusal_detail"):
        columns[name] = _array(frame[name], str(frame[name].dtype))
    row = frame["soil_row"].to_numpy()
    for name in ("analyte", "method"):
        texts = _array(soil[name], "str")
        columns[f"soil_test_{name}"] = texts.take(pa.array(row, mask=row < 0))
    columns["credits"] = _lists(advice.rated.credits, pa.float64())
    return pa.table(columns)


def notes_table(advice: Advice) -> pa.Table:
    """One row for each sample and note, in the order of the samples."""
    frame = advice.noted.sort_values("sample", kind="stable")
    columns = _of_sample(advice, frame["sample"].to_numpy())
    return pa.table(columns | {"note": _array(frame["note"], "category")})


def _of_sample(advice: Advice, sample: Rows) -> dict[str, pa.Array]:
    at = pa.array(sample)
    return {name: _array(advice.context[name], "str").take(at) for name in ("lab_number", "field_id")}


def _array(column: pd.Series, kind: str) -> pa.Array:
    """A column of one type, whatever values happen to be in it; not a number is not known."""
    if kind == "category":
        codes = column.cat.codes.to_numpy()
        texts = pa.array(column.cat.categories.to_numpy(dtype=object), pa.string())
        return texts.take(pa.array(codes.astype(np.int32), mask=codes < 0))
    if kind == "float64":
        values = column.to_numpy(dtype=np.float64)
        return pa.array(values, mask=np.isnan(values))
    made = pa.array(column, _TYPES[kind])
    return made.combine_chunks() if isinstance(made, pa.ChunkedArray) else made


def _class_names(advice: Advice) -> pa.Array:
    scales = advice.tables.scales
    table, index = advice.classed.frame["table"], advice.classed.frame["class_index"].to_numpy()
    names: list[str] = []
    start = np.zeros(len(table.cat.categories), dtype=np.int64)
    for number, scale in enumerate(table.cat.categories):
        start[number] = len(names)
        if scale in scales:
            names += [each.name for each in scales[scale].classes]
    codes = table.cat.codes.to_numpy()
    without = (index < 0) | (codes < 0)
    where = np.where(without, 0, start[np.where(codes < 0, 0, codes)] + index) if len(start) else index * 0
    return pa.array(names, pa.string()).take(pa.array(where.astype(np.int64), mask=without))


def _by_table(table: pd.Series, tell: Callable[[str], str]) -> pa.Array:
    told = pa.array([tell(each) if each else None for each in table.cat.categories], pa.string())
    codes = table.cat.codes.to_numpy()
    return told.take(pa.array(codes.astype(np.int32), mask=codes < 0))


def _lists(values: NDArray[Any], kind: pa.DataType) -> pa.Array:
    """Rows of known numbers: how wide the widest row is, is no matter of the others."""
    known = ~np.isnan(values)
    offsets = np.concatenate([[0], known.sum(axis=1).cumsum()]).astype(np.int32)
    return pa.ListArray.from_arrays(pa.array(offsets), pa.array(values[known], kind))


def _at(values: pa.Array, rows: Rows, count: int) -> pa.Array:
    """Values of a few rows among all rows."""
    place = np.full(count, -1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    return values.take(pa.array(place, mask=place < 0))


def counts_of(advice: Advice) -> Mapping[str, int]:
    """How much there is, and of how much it is said why there is none."""
    return {
        "samples": len(advice.context),
        "values": len(advice.classed.frame),
        "values_refused": int((advice.classed.frame["refusal"] != "").sum()),
        "amounts": len(advice.rated.frame),
        "amounts_refused": int((advice.rated.frame["refusal"] != "").sum()),
        "notes": len(advice.noted),
    }
