"""Soil values in the unit their table is printed in, where that is not the unit the method reports in.

A publisher may print classes in pounds an acre for a method that measures mg/kg, and say how it came from one
to the other ("pounds an acre are twice the parts per million"). That rule is the publisher's, says nothing of
the field's own bulk density, and is part of the table: it is applied before rounding and classing, and what
was measured is kept beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.classing import round_half_up
from interpretation.agronomy.outcome import Floats, Outcome, Rows
from interpretation.agronomy.tables import ScaleTable
from interpretation.methods import Method

NUMBERS = ["value", "standard_uncertainty", "below"]  # columns of soil values that are in the value's unit
# What stays known of a value that was turned: as it was measured.
TURNED: dict[str, str] = {
    "unit": "str",  # the method's
    "factor": "float64",  # of the scale's unit for one of it
    "reported": "float64",  # rounded as it is printed; NaN where censored
    "decimals": "int8",
    "below": "float64",
}


class Turned(NamedTuple):
    """What one scale turned: its rows, and columns of :data:`TURNED` as arrays."""

    rows: Rows
    unit: str
    factor: float
    reported: Floats
    decimals: NDArray[np.int8]
    below: Floats


def turn(numbers: Floats, rows: Rows, scale: ScaleTable, method: Method, out: Outcome) -> Turned:
    """Turn values into the scale's unit, and give what was measured.

    Parameters
    ----------
    numbers
        ``(n, 3)``, columns :data:`NUMBERS`; the rows named are multiplied in place, uncertainty and limit
        like the value: the factor is the publisher's definition and has no uncertainty of its own.
    rows
        Rows to turn, all measured by the method and in its unit.
    scale
        Says how many of its unit one of the method's makes.
    method
        The scale's method.
    out
        Holds the decimals that the method reports.

    Returns
    -------
    Turned

    Notes
    -----
    What was measured is printed with the decimals that its class hangs on, or the printed figures would not
    add up: a table in steps of 1 lb/ac, two for each mg/kg, asks for halves of mg/kg, and so for one decimal.
    """
    assert scale.per_method_unit is not None
    step = scale.round_to / scale.per_method_unit
    needed = int(np.clip(np.ceil(-np.log10(step) - 1e-9), 0, 4))
    decimals = np.maximum(out.decimals[rows], needed).astype(np.int8)
    value, below = numbers[rows, 0], numbers[rows, 2]
    numbers[rows] *= scale.per_method_unit
    numbers[rows, 2] = np.round(numbers[rows, 2], 9)  # 2.1 x 2 is printed as 4.2, whatever binary makes of it
    return Turned(rows, method.unit, scale.per_method_unit, _rounded(value, decimals), decimals, below)


def joined(parts: Sequence[Turned]) -> pd.DataFrame:
    """One frame of :data:`TURNED` of all parts, indexed by row."""
    lengths = [len(part.rows) for part in parts]
    columns = {
        "unit": pd.array([part.unit for part in parts], dtype="str").repeat(lengths),
        "factor": np.repeat([part.factor for part in parts], lengths),
        **{
            name: np.concatenate([np.empty(0), *(getattr(part, name) for part in parts)])
            for name in ("reported", "decimals", "below")
        },
    }
    rows = np.concatenate([np.empty(0, dtype=np.intp), *(part.rows for part in parts)])
    return pd.DataFrame(columns, index=rows).astype(TURNED)


def as_given(reported: Floats, turned: pd.DataFrame) -> Floats:
    """Reported values, each in the unit it was given in."""
    if turned.empty:
        return reported
    given = reported.copy()
    given[turned.index] = turned["reported"]
    return given


def kept(turned: pd.DataFrame, out: Outcome) -> pd.DataFrame:
    """Give a value back its own unit where in the end no scale holds for it; the rows that stay turned."""
    held = out.table[turned.index] >= 0
    lost = turned[~held]
    out.reported[lost.index], out.decimals[lost.index] = lost["reported"], lost["decimals"]
    return turned[held]


def _rounded(values: Floats, decimals: NDArray[np.int8]) -> Floats:
    rounded = values.copy()
    for places in np.unique(decimals):
        chosen = decimals == places
        rounded[chosen] = round_half_up(values[chosen], 10.0 ** -int(places))
    return rounded
