"""What each piece of a formula does to whole columns: one small numpy step per piece.

A step takes the columns and gives a column or one value. Conditions are 1.0, 0.0 or NaN for "cannot be
known"; see :mod:`interpretation.agronomy.formula`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Columns = Mapping[str, Any]  # float, bool or text columns (numpy or pandas), or single values
Step = Callable[[Columns], Any]


def constant(value: Any) -> Step:
    """The same value in every row."""
    return lambda _: value


def column(name: str) -> Step:
    """A sample's number or condition; NaN in every row when the column is absent."""
    return lambda columns: np.asarray(columns.get(name, np.nan), dtype=np.float64)


def _known(result: Any, *inputs: Any) -> Floats:
    """The result, NaN wherever an input is NaN."""
    unknown = np.logical_or.reduce(np.broadcast_arrays(*(np.isnan(i) for i in inputs)))
    return np.where(unknown, np.nan, result)


def arithmetic(do: Callable[[Any, Any], Any], left: Step, right: Step) -> Step:
    """Two numbers into one; a result that is not finite becomes NaN."""

    def step(columns: Columns) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
            result = do(left(columns), right(columns))
        # Infinity is stopped where it arises: min(1 / 0, 50) would otherwise be an amount of 50.
        return np.where(np.isfinite(result), result, np.nan)

    return step


def comparison(do: Callable[[Any, Any], Any], left: Step, right: Step) -> Step:
    """Two numbers into a condition, NaN where either is."""

    def step(columns: Columns) -> Floats:
        a, b = left(columns), right(columns)
        return _known(do(a, b), a, b)

    return step


def same_text(name: str, text: str, *, wanted: bool) -> Step:
    """Whether a text column equals a text, or differs from it when not ``wanted``; empty is not known."""

    def step(columns: Columns) -> Floats:
        column = columns.get(name, "")
        if isinstance(column, list | tuple):
            column = np.asarray(column, dtype=object)
        same = np.asarray(column == text, dtype=bool)
        unknown = np.asarray(pd.isna(column), dtype=bool) | np.asarray(column == "", dtype=bool)
        return np.where(unknown, np.nan, same == wanted)

    return step


def kleene(steps: list[Step], decisive: float) -> Step:
    """Kleene's ``and`` (a 0 decides) or ``or`` (a 1 decides); undecided, any NaN makes it NaN."""

    def step(columns: Columns) -> Floats:
        parts = np.stack(np.broadcast_arrays(*(part(columns) for part in steps)))
        undecided = np.where(np.isnan(parts).any(axis=0), np.nan, 1.0 - decisive)
        return np.where((parts == decisive).any(axis=0), decisive, undecided)

    return step


def choose(condition: Step, yes: Step, no: Step) -> Step:
    """One of two numbers by a condition; NaN where the condition is."""

    def step(columns: Columns) -> Floats:
        holds = condition(columns)
        return _known(np.where(holds == 1.0, yes(columns), no(columns)), holds)

    return step


def fold(do: Callable[[Any, Any], Any], steps: list[Step]) -> Step:
    """The smallest or largest of several numbers; NaN where any is."""

    def step(columns: Columns) -> Any:
        result = steps[0](columns)
        for later in steps[1:]:
            result = do(result, later(columns))
        return result

    return step
