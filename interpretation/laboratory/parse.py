"""Does what was read make sense as a run? The last step before any arithmetic."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.errors import BasisError, RunError
from interpretation.laboratory.run import KINDS, READINGS, Run, RunHeader
from interpretation.quantities import form_factor

# What a column holds when the file does not have it. A missing dilution is an undiluted cup.
_DEFAULTS: dict[str, Any] = {
    "of": "",
    "nominal_mg_per_l": np.nan,
    "signal": np.nan,
    "solution_mg_per_l": np.nan,
    "below_mg_per_l": np.nan,
    "dilution": 1.0,
    "excluded": False,
    "reason": "",
}
_MADE_TO_HOLD = ("standard", "check", "second source", "spike")  # kinds that need a nominal value
_NAMED = ("sample", "reference soil")  # kinds whose results stand under their own name
_OF_A_SAMPLE = ("duplicate", "spike")
# Column, smallest and largest size of a number that is not zero. Wide on purpose: they catch a wrong column,
# a word for "no reading" such as 1e300, and sizes that arithmetic cannot hold. Water weighs 1e6 mg/L.
_SIZES = (
    ("signal", 0.0, 1e12),
    ("solution_mg_per_l", 0.0, 1e7),
    ("below_mg_per_l", 0.0, 1e7),
    ("nominal_mg_per_l", 1e-6, 1e7),
    ("dilution", 0.0, 1e6),
)
_CODES = {kind: code for code, kind in enumerate(KINDS)}
_TEXT = pd.StringDtype(na_value=np.nan)  # pandas' own "str", looked up once

Mask = NDArray[np.bool_]


def parse_run(
    header: RunHeader,
    cells: pd.DataFrame | Mapping[str, Any],
    *,
    source: str = "",
    calibration_only: bool = False,
) -> Run:
    """Check a run's sense and put its cups into instrument order.

    Parameters
    ----------
    header
        What is known about the whole run.
    cells
        One row a cup: typed columns of ``READINGS`` in any order, as a frame or as arrays and lists by
        name (a frame made before the checks would be made twice). ``row``, ``position``, ``kind`` and
        ``cup_id`` must be there, and ``signal`` or ``solution_mg_per_l``; others are filled in with
        their defaults. A dilution that is missing, or NaN, is 1: the undiluted cup.
    source
        Name of the file, for messages.
    calibration_only
        Accept a run without samples, because it is meant as a calibration alone.

    Returns
    -------
    Run
        Readings with exactly the columns and types of ``READINGS``, rising in ``position``.

    Raises
    ------
    RunError
        With file, row and cup, and how to mend it.

    Notes
    -----
    A sample may be there more than once: as replicate cups, or undiluted and again diluted after an
    over-range reading. Which of them counts is decided by acceptance. A reading may be slightly negative
    (noise about zero) and is left to the limits; a nominal value or a limit may not.

    Examples
    --------
    >>> from datetime import date
    >>> header = RunHeader(run_id="R1", laboratory="A laboratory", analyte="P", form="P", method="m",
    ...     signal_kind="absorbance", standards_matrix="extractant", run_on=date(2026, 3, 4),
    ...     operator="E. R.", blank_subtracted=False, dilution_applied=False)
    >>> cells = pd.DataFrame({"row": [2, 3], "position": [2, 1], "kind": ["sample", "standard"],
    ...     "cup_id": ["0012", "S1"], "nominal_mg_per_l": [float("nan"), 1.0], "signal": [0.2, 0.1]})
    >>> parse_run(header, cells).readings["cup_id"].tolist()
    ['S1', '0012']
    """
    cups = _Cups(_columns(cells), source)
    _check_header(header, source)
    _check_kinds(cups)
    _check_names(cups)
    _check_readings(header, cups)
    _check_numbers(cups)
    _check_exclusions(cups)
    if not calibration_only and not cups.of_kind("sample").any():
        raise RunError(
            "the run has no samples", where=source, expected="at least one cup of kind sample",
            fix="correct the kinds; a run of standards alone can be calibrated, not measured",
        )  # fmt: skip
    return Run(header, _frame(cups), source)


def _columns(cells: pd.DataFrame | Mapping[str, Any]) -> dict[str, Any]:
    """All columns of READINGS: lists of text, arrays of everything else."""
    missing = [name for name in ("row", "position", "kind", "cup_id") if name not in cells]
    if missing or not len(cells["row"]):
        raise RunError(
            f"the cups have no column {missing[0]!r}" if missing else "the run has no cups",
            expected="one row a cup with row, position, kind and cup_id",
            fix="add what is missing",
        )
    count = len(cells["row"])
    columns: dict[str, Any] = {}
    for name, dtype in READINGS.items():
        column = cells[name] if name in cells else [_DEFAULTS[name]] * count
        if dtype != "str":
            columns[name] = np.asarray(column, dtype=dtype)
        else:
            columns[name] = column.fillna("").tolist() if isinstance(column, pd.Series) else list(column)
    dilution = columns["dilution"]
    columns["dilution"] = np.where(np.isnan(dilution), 1.0, dilution)
    return columns


def _frame(cups: _Cups) -> pd.DataFrame:
    """The cups in instrument order, as declared in READINGS."""
    order = np.argsort(cups.position)
    in_order = bool((order[1:] > order[:-1]).all())
    typed = {}
    for name, column in cups.columns.items():
        if READINGS[name] == "str":
            typed[name] = pd.array(column if in_order else [column[i] for i in order], dtype=_TEXT)
        else:
            typed[name] = column if in_order else column[order]
    return pd.DataFrame(typed)


class _Cups:
    """The cups as arrays and lists, and the words for one of them."""

    def __init__(self, columns: dict[str, Any], source: str) -> None:
        self.columns, self.source = columns, source
        self.position: NDArray[np.int64] = columns["position"]
        self.kind: list[str] = columns["kind"]
        self.cup_id: list[str] = columns["cup_id"]
        self.of: list[str] = columns["of"]
        self.nominal: NDArray[np.float64] = columns["nominal_mg_per_l"]
        self.solution: NDArray[np.float64] = columns["solution_mg_per_l"]
        self.below: NDArray[np.float64] = columns["below_mg_per_l"]
        self._codes = np.array([_CODES.get(kind, len(KINDS)) for kind in self.kind])

    def of_kind(self, *kinds: str) -> Mask:
        member = np.zeros(len(KINDS) + 1, dtype=bool)
        member[[_CODES[kind] for kind in kinds]] = True
        of_kind: Mask = member[self._codes]
        return of_kind

    def refuse_any(self, wrong: Mask, what: str, *, expected: str, fix: str) -> None:
        """Raise for the first cup where ``wrong`` holds."""
        if wrong.any():
            raise self.refuse(int(wrong.argmax()), what, expected=expected, fix=fix)

    def refuse(self, cup: int, what: str, *, expected: str, fix: str) -> RunError:
        place = f"row {self.columns['row'][cup]}, position {self.position[cup]}"
        name = " ".join(filter(None, (self.kind[cup], self.cup_id[cup])))
        where = ", ".join(filter(None, (self.source, place, name)))
        return RunError(what, where=where, expected=expected, fix=fix)


def _given(texts: list[str]) -> Mask:
    return np.fromiter(map(bool, texts), dtype=bool, count=len(texts))


def _check_header(header: RunHeader, source: str) -> None:
    try:
        form_factor(header.analyte, header.form, header.form)
    except BasisError as error:
        raise RunError(
            error.what, where=f"{source}, run {header.run_id}" if source else f"run {header.run_id}",
            expected=error.expected, fix="correct analyte and form in the run's header",
        ) from None  # fmt: skip
    if header.dilution_applied and header.signal_kind != "concentration":
        raise RunError(
            f"dilution_applied is said of a run whose cups hold {header.signal_kind}",
            where=f"{source}, run {header.run_id}" if source else f"run {header.run_id}",
            expected="dilution_applied: no, as only a concentration can be multiplied by a dilution",
            fix="correct signal_kind or dilution_applied in the run's header",
        )


def _check_kinds(cups: _Cups) -> None:
    unknown = ~cups.of_kind(*KINDS)
    if unknown.any():
        cup = int(unknown.argmax())
        raise cups.refuse(
            cup, f"unknown kind {cups.kind[cup]!r}", expected=f"one of {', '.join(KINDS)}",
            fix="correct the kind",
        )  # fmt: skip
    if len(set(cups.position.tolist())) < len(cups.position):
        _, first = np.unique(cups.position, return_index=True)
        later = int(np.setdiff1d(np.arange(len(cups.position)), first)[0])
        row = cups.columns["row"][int((cups.position == cups.position[later]).argmax())]
        raise cups.refuse(
            later, f"the position is there twice, also in row {row}",
            expected="every position once: drift and carry-over depend on the order",
            fix="correct one of the two positions",
        )  # fmt: skip


def _check_names(cups: _Cups) -> None:
    cups.refuse_any(
        ~_given(cups.cup_id) & cups.of_kind(*_NAMED), "the cup has no id",
        expected="an id on every sample and reference soil", fix="fill the id in",
    )  # fmt: skip
    samples = {name for name, kind in zip(cups.cup_id, cups.kind, strict=True) if kind == "sample"}
    belongs = cups.of_kind(*_OF_A_SAMPLE)
    for cup in np.flatnonzero(belongs):
        if cups.of[cup] not in samples:
            raise cups.refuse(
                int(cup), f"it belongs to {cups.of[cup]!r}, which is no sample of this run" if cups.of[cup]
                else "it does not say which sample it belongs to",
                expected="the id of a sample of this run in 'of'", fix="fill in or correct 'of'",
            )  # fmt: skip
    cups.refuse_any(
        ~belongs & _given(cups.of),
        "'of' is given for a cup that belongs to no sample",
        expected=f"'of' only on {' and '.join(_OF_A_SAMPLE)}", fix="empty 'of', or correct the kind",
    )  # fmt: skip


def _check_readings(header: RunHeader, cups: _Cups) -> None:
    signal = ~np.isnan(cups.columns["signal"])
    solution = ~np.isnan(cups.solution) | ~np.isnan(cups.below)
    concentrations = header.signal_kind == "concentration"
    wanted, other = ("solution_mg_per_l", signal) if concentrations else ("signal", solution)
    cups.refuse_any(
        other, f"the header says the cups hold {header.signal_kind}, the cup holds the other kind of reading",
        expected=f"readings in {wanted} only",
        fix="correct signal_kind in the header, or the layout's columns",
    )  # fmt: skip
    if not (solution if concentrations else signal).any():
        raise RunError(
            "no cup has a reading", where=cups.source, expected=f"readings in {wanted}",
            fix="export the run again; check the layout's columns and blank words",
        )  # fmt: skip
    cups.refuse_any(
        ~np.isnan(cups.solution) & ~np.isnan(cups.below),
        "the cup has a concentration and a limit",
        expected="one of the two",
        fix="empty one of them",
    )


def _check_numbers(cups: _Cups) -> None:
    cups.refuse_any(
        np.isnan(cups.nominal) & cups.of_kind(*_MADE_TO_HOLD), "the cup has no nominal value",
        expected=f"a nominal value in mg/L on every {', '.join(_MADE_TO_HOLD)}", fix="fill the value in",
    )  # fmt: skip
    cups.refuse_any(
        (cups.nominal < 0) | ((cups.nominal == 0) & cups.of_kind("spike")), "the nominal value cannot be",
        expected="zero or more in mg/L; more than zero for a spike", fix="correct the nominal value",
    )  # fmt: skip
    cups.refuse_any(
        cups.below <= 0, "a limit of zero or less",
        expected="a positive limit in mg/L", fix="correct the limit",
    )  # fmt: skip
    for name, smallest, largest in _SIZES:
        size = np.abs(cups.columns[name])
        cups.refuse_any(
            (size > largest) | ((size > 0) & (size < smallest)), f"{name} is of an impossible size",
            expected=f"a number up to {largest:g}" + f", zero or from {smallest:g}" * (smallest > 0),
            fix="correct the decimal mark or the unit; leave a cup that was not read empty",
        )  # fmt: skip
    cups.refuse_any(
        cups.columns["dilution"] < 1, "a dilution below 1",
        expected="final volume over aliquot volume: 1 undiluted, 10 for 1 part made up to 10",
        fix="write the factor, not its inverse",
    )  # fmt: skip


def _check_exclusions(cups: _Cups) -> None:
    excluded, reasoned = cups.columns["excluded"], _given(cups.columns["reason"])
    cups.refuse_any(
        excluded & ~reasoned, "the cup is excluded without a reason",
        expected="a reason, which is printed with the run", fix="write the reason",
    )  # fmt: skip
    cups.refuse_any(
        ~excluded & reasoned, "a reason is given and the cup is not excluded",
        expected="a reason only on excluded cups", fix="exclude the cup, or empty the reason",
    )  # fmt: skip
