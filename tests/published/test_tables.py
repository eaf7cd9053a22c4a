"""The shipped tables against what their publishers print.

Rows are in ``tests/cases/printed_tables``, one file a region.

A class row goes the whole way: a soil value of a sample of the region, crop, texture and day is advised on,
and must come out in the table named and in the class printed. A rate row works its table out at the inputs
printed.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest

from interpretation.agronomy.advise import Advice, advise
from interpretation.agronomy.rates import rates
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import RateTable, ScaleTable, TableSet
from interpretation.quantities import ANALYTES
from service.paths import tables_directory
from service.tablefiles import read_tables
from tests.published import printed
from tests.small_world import ph, samples, values

ROWS = [
    row | {"region": path.stem}
    for path in sorted((printed.CASES / "printed_tables").glob("*.json"))
    for row in printed.load(f"printed_tables/{path.name}")["rows"]
]
CLASSES = [row for row in ROWS if row["kind"] == "class"]
RATES = [row for row in ROWS if row["kind"] == "rate"]


def label(row: dict[str, Any]) -> str:
    return f"{row['table']}-{'-'.join(f'{value}' for value in row['inputs'].values())}"


@cache
def shipped() -> TableSet:
    return read_tables(tables_directory())


def sample_of(row: dict[str, Any], number: str) -> dict[str, Any]:
    """A sample on the first day of the row's table, of its first crop unless the row names one."""
    table = shipped().scales[row["table"]]
    crop = next(iter(shipped().crops)) if table.crops == "any" else table.crops[0]
    return {
        "lab_number": number, "field_id": number, "region": table.region, "crop": crop,
        "texture": (*table.textures, "")[0], "soil_group": (*table.soil_groups, "")[0],
        "depth_from_cm": table.depth_cm[0], "depth_to_cm": table.depth_cm[1], "yield_goal": np.nan,
        "sampled_on": pd.Timestamp(table.effective_from),
    } | {name: value for name, value in row["inputs"].items() if name not in ("value", "unit")}  # fmt: skip


def value_of(row: dict[str, Any], number: str) -> dict[str, Any]:
    table = shipped().scales[row["table"]]
    return {
        "lab_number": number, "analyte": table.analyte, "method": table.method, "basis": table.basis,
        "form": table.form or ANALYTES[table.analyte].form, "value": float(row["inputs"]["value"]),
        "unit": row["inputs"].get("unit", table.unit), "sampled_on": pd.Timestamp(table.effective_from),
        "depth_from_cm": table.depth_cm[0], "depth_to_cm": table.depth_cm[1],
    }  # fmt: skip


def about_ph(row: dict[str, Any]) -> bool:
    return shipped().scales[row["table"]].analyte == "pH"


@cache
def advised() -> Advice:
    numbers = [f"{n:05}" for n in range(len(CLASSES))]
    soil = values(
        *(value_of(row, number) for row, number in zip(CLASSES, numbers, strict=True)),
        # Some methods hold only below a pH: every other sample is known to be slightly acid.
        *(ph(6.0, number) for row, number in zip(CLASSES, numbers, strict=True) if not about_ph(row)),
    )
    context = samples(*(sample_of(row, number) for row, number in zip(CLASSES, numbers, strict=True)))
    return advise(soil, shipped(), context)


@pytest.mark.parametrize(("position", "row"), list(enumerate(CLASSES)), ids=map(label, CLASSES))
def test_class(position: int, row: dict[str, Any], ledger: printed.Enter) -> None:
    ledger(row)
    found = advised().classed.frame.iloc[position]
    assert (found["table"], found["refusal"]) == (row["table"], "")
    names = [one.name for one in shipped().scales[row["table"]].classes]
    answer = row["printed"] if row["answer"] == "printed" else row["expected"]
    assert names[found["class_index"]] == answer


def test_what_a_source_does_not_class_is_refused() -> None:
    """Northern Ireland's law prints index 4 from 46 to 70 and nothing above."""
    row = {"table": "northern-ireland/phosphorus-olsen", "inputs": {"value": 71}}
    found = advise(values(value_of(row, "1")), shipped(), samples(sample_of(row, "1")))
    result = field_advice(found, "1").results[0]
    assert result.class_name is None
    assert result.refusal is not None
    assert (result.refusal.key, result.refusal.values["limit"]) == ("above-scale", 70)


@pytest.mark.parametrize("row", RATES, ids=map(label, RATES))
def test_rate(row: dict[str, Any], ledger: printed.Enter) -> None:
    ledger(row)
    table = shipped().rates[row["table"]]
    inputs = dict(row["inputs"])
    names = class_names(table)
    if "class" in inputs:
        inputs["class_index"] = names.index(inputs.pop("class"))
    if "value" in inputs:
        inputs["soil_test"] = inputs.pop("value")
    columns = {
        name: np.array([value if isinstance(value, str) else float(value)]) for name, value in inputs.items()
    }
    found = rates(table, columns, 1, names)
    assert found.missing[0] == ""
    assert found.rate[0] == printed.expected(row)


def class_names(table: RateTable) -> tuple[str, ...]:
    """Classes of the scale that a table by class goes by."""
    scales: list[ScaleTable] = [
        scale
        for scale in shipped().scales.values()
        if (scale.region, scale.analyte, scale.method) == (table.region, table.analyte, table.method)
        and {one.name for one in scale.classes} == set(table.by_class or {})
    ]
    return tuple(one.name for one in scales[0].classes) if scales else ()


def test_every_published_table_is_tried() -> None:
    """No shipped table of a real region is without an answer from outside."""
    tried = {row["table"] for row in ROWS}
    tables = {**shipped().scales, **shipped().rates}
    assert {name for name in tables if not name.startswith("marrowdale/")} - tried == set()
