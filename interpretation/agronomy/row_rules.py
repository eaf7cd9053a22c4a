"""Rules of a rate table's rows by value, and of the unit of its yield goal."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from interpretation.agronomy.formula import CONDITION_NAMES, NAMES, NOTE_NAMES, TEXT_NAMES
from interpretation.agronomy.problems import Problem
from interpretation.agronomy.rates import names_in
from interpretation.agronomy.tables import RateTable, TableSet
from interpretation.agronomy.yields import yield_factor
from interpretation.errors import FormulaError

KIND = "rates"
ROW_NUMBERS = [name for name in NAMES if name not in TEXT_NAMES | CONDITION_NAMES | NOTE_NAMES]


def check(table: RateTable, tables: TableSet) -> Iterator[Problem]:
    """Rows run over a known number, rise, and can be followed between them; yields can be turned."""
    if table.by_value is None:
        yield from _only_with_rows(table)
    else:
        yield from _number(table)
        yield from _first_row(table)
        yield from _rising(table)
        if table.between_rows == "straight-line":
            yield from _straight(table)
    yield from _yield_unit(table, tables)


def _only_with_rows(table: RateTable) -> Iterator[Problem]:
    for name in ("rows_of", "between_rows"):
        if name in table.model_fields_set:
            yield Problem(
                KIND,
                table.id,
                (name,),
                f"{name} without rows by value",
                f"{name} beside by_value only",
                "give the amounts by_value, or leave it out",
            )


def _number(table: RateTable) -> Iterator[Problem]:
    if table.rows_of not in ROW_NUMBERS:
        yield Problem(
            KIND,
            table.id,
            ("rows_of",),
            f"{table.rows_of!r} is no number that rows can run over",
            ", ".join(ROW_NUMBERS),
            "correct the name",
        )


def _first_row(table: RateTable) -> Iterator[Problem]:
    steps = table.by_value or ()
    if not steps:
        yield Problem(
            KIND,
            table.id,
            ("by_value",),
            "a list without rows",
            "at least one row, such as {from: 0, rate: 40}",
            "add the rows",
        )
    elif table.between_rows == "step" and steps[0].at != 0:
        yield Problem(
            KIND,
            table.id,
            ("by_value", 0, "from"),
            f"the first row begins at {steps[0].at:g}",
            "from: 0, so that every value has an amount or, with rate: null, an open answer",
            "add the row below, or begin at 0",
        )


def _rising(table: RateTable) -> Iterator[Problem]:
    for position, (below, above) in enumerate(pairwise(table.by_value or ()), 1):
        if above.at <= below.at:
            yield Problem(
                KIND,
                table.id,
                ("by_value", position, "from"),
                f"the row begins at {above.at:g}, not above the row before it at {below.at:g}",
                "rows listed from low to high",
                "sort the rows, or correct the bound",
            )


def _straight(table: RateTable) -> Iterator[Problem]:
    steps = table.by_value or ()
    if len(steps) == 1:
        yield Problem(
            KIND,
            table.id,
            ("by_value",),
            "a straight line from a single row",
            "two rows or more",
            "add a row, or leave between_rows out",
        )
    for position, step in enumerate(steps):
        if not isinstance(step.rate, float):
            yield Problem(
                KIND,
                table.id,
                ("by_value", position, "rate"),
                "no straight line leads to a row without a number",
                "a number in each row, such as 45",
                "write the number, or leave between_rows out",
            )


def _yield_unit(table: RateTable, tables: TableSet) -> Iterator[Problem]:
    if table.yield_unit is None:
        return
    if not _asks_for_goals(table):
        yield Problem(
            KIND,
            table.id,
            ("yield_unit",),
            "a unit of yield, and nothing asks for yield_goal",
            "yield_unit only where formulas or rows use yield_goal",
            "use it, or remove it",
            severity="warning",
        )
    for name in () if table.crops == "any" else table.crops:
        crop = tables.crops.get(name)
        if crop is not None and np.isnan(yield_factor(crop, crop.yield_unit, table.yield_unit)):
            yield Problem(
                KIND,
                table.id,
                ("yield_unit",),
                f"{crop.yield_unit} of {name} cannot be turned into {table.yield_unit}",
                "a unit of mass, or bushels of a crop whose file has bushel_lb",
                f"state bushel_lb in the file of {name}, or correct the unit",
            )


def _asks_for_goals(table: RateTable) -> bool:
    """Whether a formula or the rows use yield_goal; not denied while a formula cannot be read."""
    try:
        return "yield_goal" in names_in(table)
    except FormulaError:
        return True
