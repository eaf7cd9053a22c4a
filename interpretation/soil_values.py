"""The one thing that crosses from the laboratory to the agronomy: a frame of soil values.

One row a value. A value without its method, unit, form and basis is refused, because it cannot be classed.
"""

from __future__ import annotations

import pandas as pd

from interpretation.errors import SampleListError
from interpretation.quantities import ANALYTES, BASES, SOIL_UNITS

COLUMNS: dict[str, str] = {
    "lab_number": "str",  # the laboratory's number of the sample
    "analyte": "str",  # key of quantities.ANALYTES
    "form": "str",  # a form of that analyte
    "method": "str",  # id of a file in tables/methods
    "value": "float64",  # as measured, rounded only where it is printed; NaN exactly where `below` is given
    "unit": "str",  # one of quantities.SOIL_UNITS
    "basis": "str",  # one of quantities.BASES
    "standard_uncertainty": "float64",  # in `unit`; NaN when not known
    "below": "float64",  # quantification limit of a censored value, else NaN
    "depth_from_cm": "float64",
    "depth_to_cm": "float64",
    "sampled_on": "datetime64[us]",  # the day the soil was taken: tables are chosen by it
    "origin": "str",  # "run BR-0412", "bench pH", "paper of another laboratory"
}


def soil_values(frame: pd.DataFrame) -> pd.DataFrame:
    """Check and type a frame of soil values.

    Parameters
    ----------
    frame
        Has the columns of :data:`COLUMNS`, in any order; others are dropped.

    Returns
    -------
    pandas.DataFrame
        The same rows in order, columns and types of :data:`COLUMNS`.

    Raises
    ------
    SampleListError
        With the row, when a column is missing, a name is unknown, or a value is not exactly one of
        measured and censored.
    """
    missing = [name for name in COLUMNS if name not in frame]
    if missing:
        raise SampleListError(
            f"soil values lack the column {missing[0]!r}",
            expected=", ".join(COLUMNS),
            fix="add the column; a value without it cannot be classed",
        )
    typed = frame[list(COLUMNS)].astype(COLUMNS)
    for column, allowed in (("analyte", tuple(ANALYTES)), ("unit", SOIL_UNITS), ("basis", BASES)):
        wrong = ~typed[column].isin(allowed).to_numpy()
        if wrong.any():
            row = int(wrong.argmax())
            raise SampleListError(
                f"unknown {column} {typed[column].iloc[row]!r}",
                where=f"soil value {row + 1}, lab number {typed['lab_number'].iloc[row]}",
                expected=f"one of {', '.join(allowed)}",
                fix=f"state the {column} the value was reported with",
            )
    wrong = (typed["value"].isna() == typed["below"].isna()).to_numpy()
    if wrong.any():
        row = int(wrong.argmax())
        raise SampleListError(
            "a soil value is either a number or 'below' a limit, not both and not neither",
            where=f"soil value {row + 1}, lab number {typed['lab_number'].iloc[row]}",
            expected="exactly one of value and below",
            fix="leave the row out when nothing was measured",
        )
    return typed
