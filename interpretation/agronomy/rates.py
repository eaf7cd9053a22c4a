"""From a rate table to amounts, for many samples at once, with every intermediate figure kept.

The order of the arithmetic is the order of the working that is printed: whether the table holds at all,
whether anything is due, the raw rate, each credit, the table's cap or floor, the rounding step. An amount of
zero is a recommendation ("none needed"); an amount that cannot be worked out is refused with the name of what
is missing, and is never zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.classing import decimals_of, whole_steps
from interpretation.agronomy.formula import Expression, parse
from interpretation.agronomy.tables import Credit, RateTable

Floats = NDArray[np.float64]
Strings = NDArray[np.object_]
Columns = Mapping[str, Any]

_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True)
class Rates:
    """What one rate table says about ``n`` samples; amounts in the table's unit.

    Attributes
    ----------
    rate
        ``(n,)``: the amount, NaN where refused.
    raw
        ``(n,)``: before credits, cap and rounding; NaN where refused or nothing is due.
    credits
        ``(n, number of credits)``: as taken off, zero or more.
    due
        ``(n,)`` bool: False where the table's ``when`` says that nothing is due.
    missing
        ``(n,)`` of str: the name that was missing, ``"outside-table"`` where the table's ``holds_if`` does
        not hold, ``"rate-row"`` where it has no row, ``"formula"`` where the arithmetic itself has no answer
        (a division by zero), ``""`` where an amount was found.
    """

    rate: Floats
    raw: Floats
    credits: Floats
    due: NDArray[np.bool_]
    missing: Strings


@lru_cache(maxsize=4096)
def _parsed(
    text: str, where: str, constants: tuple[tuple[str, float], ...], want: Literal["number", "condition"]
) -> Expression:
    return parse(text, where=where, constants=dict(constants), want=want)


def expression(table: RateTable, text: str, want: Literal["number", "condition"] = "number") -> Expression:
    """Read a formula of a rate table, with the table's own constants."""
    return _parsed(text, table.id, tuple(table.values.items()), want)


def names_in(table: RateTable) -> frozenset[str]:
    """Every name that some formula of a table may ask for."""
    rules = [table.formula, *(table.by_class or {}).values(), *(step.rate for step in table.by_value or ())]
    texts = [text for text in (*rules, *(c.formula for c in table.credits)) if isinstance(text, str)]
    names = {name for text in texts for name in expression(table, text).names}
    for condition in (table.when, table.holds_if):
        if condition is not None:
            names |= {*expression(table, condition, "condition").names}
    return frozenset(names | {"previous_crop", table.rows_of})


def rates(table: RateTable, columns: Columns, n: int, class_names: tuple[str, ...] = ()) -> Rates:
    """Work out one rate table for ``n`` samples.

    Parameters
    ----------
    table
        The table. Its amounts are in its own unit.
    columns
        Names of :data:`interpretation.agronomy.formula.NAMES` to columns of shape ``(n,)``. A name that is
        absent is missing for every sample.
    n
        Number of samples.
    class_names
        Names of the classes that ``class_index`` counts; needed for ``by_class``.

    Returns
    -------
    Rates

    Examples
    --------
    >>> from interpretation.agronomy.tables import RateTable
    >>> table = RateTable.model_validate({
    ...     "id": "x/n", "region": "x", "crops": ["wheat"], "nutrient": "N", "unit": "kg/ha", "round_to": 5,
    ...     "formula": "20 * yield_goal", "effective_from": "2026-01-01", "sources": ["s"], "cap": 200,
    ...     "standing": "invented", "credits": [{"key": "manure", "formula": "manure_n_kg_per_ha"}]})
    >>> goals, manure = np.array([8.0, 12.0, np.nan]), np.zeros(3)
    >>> found = rates(table, {"yield_goal": goals, "manure_n_kg_per_ha": manure}, 3)
    >>> found.rate, found.missing.tolist()
    (array([160., 200.,  nan]), ['', '', 'yield_goal'])
    """
    missing, everywhere = np.full(n, "", dtype=object), np.ones(n, dtype=bool)
    if table.holds_if is not None:
        # Asked first: outside its scope a table does not even say that nothing is due.
        holds = _evaluate(expression(table, table.holds_if, "condition"), columns, missing, everywhere)
        missing[holds == 0.0] = "outside-table"
    due = np.ones(n)
    if table.when is not None:
        due = _evaluate(expression(table, table.when, "condition"), columns, missing, everywhere)
    needed = due == 1.0
    raw = _raw(table, columns, class_names, missing, needed)
    taken = np.empty((n, len(table.credits)))
    for position, credit in enumerate(table.credits):
        taken[:, position] = _credit(table, credit, columns, missing, needed)
    rate = _limit_and_round(table, raw - taken.sum(axis=1))
    rate[due == 0.0] = 0.0
    refused = missing != ""
    rate[refused] = np.nan
    raw[~needed | refused] = np.nan
    return Rates(rate, raw, taken, needed, missing)


def _limit_and_round(table: RateTable, net: Floats) -> Floats:
    """Clamp to [floor, cap], then round half up; rounding never leaves [floor, cap] again."""
    step = table.round_to
    highest = np.inf if table.cap is None else np.floor(table.cap / step + _TOLERANCE)
    lowest = np.ceil(table.floor / step - _TOLERANCE)
    steps = np.clip(whole_steps(limited(table, net), step), lowest, highest)
    rounded: Floats = np.round(steps * step, decimals_of(step))
    return rounded


def limited(table: RateTable, net: Floats) -> Floats:
    """The amount after credits, held between the table's floor (never below zero) and its cap."""
    held: Floats = np.clip(net, max(table.floor, 0.0), table.cap)
    return held


def _raw(
    table: RateTable,
    columns: Columns,
    class_names: tuple[str, ...],
    missing: Strings,
    needed: NDArray[np.bool_],
) -> Floats:
    if table.formula is not None:
        return _evaluate(expression(table, table.formula), columns, missing, needed)
    name = "class_index" if table.by_class is not None else table.rows_of
    at = _column(columns, name, len(missing))
    if table.by_class is not None:
        rules, rule_index = [table.by_class.get(name) for name in class_names], at
    else:
        steps = table.by_value or ()
        bounds = np.array([step.at for step in steps])
        if table.between_rows == "straight-line":
            return _between(table, at, bounds, missing, needed)
        rules = [step.rate for step in steps]
        rule_index = np.where(np.isnan(at), np.nan, np.searchsorted(bounds - _TOLERANCE, at, "right") - 1.0)
    raw = np.full(len(missing), np.nan)
    for index, rule in enumerate(rules):
        rows = needed & (rule_index == index)
        if rule is not None and rows.any():
            raw[rows] = _amount(table, rule, columns, missing, rows)[rows]
    _no_row(at, name, raw, missing, needed)
    return raw


def _between(
    table: RateTable, at: Floats, bounds: Floats, missing: Strings, needed: NDArray[np.bool_]
) -> Floats:
    """Amounts on straight lines between the rows; none below the first row or above the last."""
    rates_at = np.array([step.rate for step in table.by_value or ()], dtype=np.float64)
    raw: Floats = np.interp(at, bounds, rates_at)
    raw[(at < bounds[0] - _TOLERANCE) | (at > bounds[-1] + _TOLERANCE)] = np.nan
    _no_row(at, table.rows_of, raw, missing, needed)
    return raw


def _no_row(at: Floats, name: str, raw: Floats, missing: Strings, needed: NDArray[np.bool_]) -> None:
    """Note where there is no amount because the number is not known, or the table has no row for it."""
    without = needed & np.isnan(raw) & (missing == "")
    missing[without] = np.where(np.isnan(at[without]), name, "rate-row")


def _amount(
    table: RateTable, rule: float | str, columns: Columns, missing: Strings, rows: NDArray[np.bool_]
) -> Floats:
    if isinstance(rule, str):
        return _evaluate(expression(table, rule), columns, missing, rows)
    return np.full(len(missing), float(rule))


def _credit(
    table: RateTable, credit: Credit, columns: Columns, missing: Strings, needed: NDArray[np.bool_]
) -> Floats:
    n = len(missing)
    amount = np.zeros(n)
    if credit.by_previous_crop is not None:
        previous = pd.Series(columns.get("previous_crop", [""] * n), dtype="str")
        # A crop the table does not list leaves nothing behind; a crop not stated is not known.
        amount = np.asarray(previous.map(credit.by_previous_crop).fillna(0.0), dtype=np.float64)
        missing[needed & (previous == "").to_numpy() & (missing == "")] = "previous_crop"
    if credit.formula is not None:
        amount = amount + _evaluate(expression(table, credit.formula), columns, missing, needed)
    return np.maximum(amount, 0.0)


def _column(columns: Columns, name: str, n: int) -> Floats:
    return np.broadcast_to(np.asarray(columns.get(name, np.nan), dtype=np.float64), (n,))


def _evaluate(formula: Expression, columns: Columns, missing: Strings, rows: NDArray[np.bool_]) -> Floats:
    """Work a formula out and note, for the rows concerned, which of its names was missing."""
    n = len(missing)
    inputs = {name: columns[name] for name in formula.names if name in columns}
    result: Floats = np.broadcast_to(formula.evaluate(inputs), (n,)).copy()
    undecided = rows & np.isnan(result) & (missing == "")
    if undecided.any():
        for name in formula.names:
            absent = _absent(columns, name, n)
            missing[undecided & absent] = name
            undecided &= ~absent
        missing[undecided] = "formula"
    return result


def _absent(columns: Columns, name: str, n: int) -> NDArray[np.bool_]:
    if name not in columns:
        return np.ones(n, dtype=np.bool_)
    column = columns[name]
    absent = np.asarray(pd.isna(column), dtype=np.bool_) | np.asarray(column == "", dtype=np.bool_)
    return np.broadcast_to(absent, (n,))
