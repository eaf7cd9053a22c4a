"""The standards of a run: which take part in the curve, which do not, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.errors import CalibrationError
from interpretation.laboratory.run import Columns, CurveChoice

ZERO_NOT_USED = "zero standard not used"


@dataclass(frozen=True, slots=True)
class Standards:
    """Standards in file order, retained or not.

    Attributes
    ----------
    row, position, cup_id, nominal_mg_per_l, signal
        Shape ``(n,)``, as in the run.
    retained
        Shape ``(n,)``; false for those a person excluded and for a zero standard that is not used.
    reason
        Shape ``(n,)``; why a standard does not take part, else "".
    """

    row: NDArray[np.int64]
    position: NDArray[np.int64]
    cup_id: NDArray[np.object_]
    nominal_mg_per_l: NDArray[np.float64]
    signal: NDArray[np.float64]
    retained: NDArray[np.bool_]
    reason: NDArray[np.object_]

    def name(self, index: int) -> str:
        """One standard as messages call it."""
        return f"standard {self.cup_id[index]!r}, row {self.row[index]}"


def standards_of(readings: pd.DataFrame | Columns, choice: CurveChoice) -> Standards:
    """Pick the standards out of a run.

    Parameters
    ----------
    readings
        Columns of :data:`interpretation.laboratory.run.READINGS`.
    choice
        With ``zero_standard`` the standards of nominal 0 and the calibration blanks take part, blanks at
        nominal 0; without it zero standards are listed as not used and blanks are not standards.

    Returns
    -------
    Standards

    Raises
    ------
    CalibrationError
        If there is no standard, one has no or a negative nominal value, every one is excluded, a retained
        one has no finite signal, or a zero standard is asked for and there is none.
    """
    kind = np.asarray(readings["kind"])
    is_blank = kind == "blank"
    index = np.flatnonzero((kind == "standard") | (is_blank if choice.zero_standard else False))
    nominal = np.where(is_blank, 0.0, np.asarray(readings["nominal_mg_per_l"]))[index]
    retained = ~np.asarray(readings["excluded"])[index]
    reason = np.asarray(readings["reason"])[index].astype(object)
    if not choice.zero_standard:
        unused = (nominal == 0) & retained
        retained &= ~unused
        reason[unused] = ZERO_NOT_USED
    standards = Standards(
        row=np.asarray(readings["row"])[index],
        position=np.asarray(readings["position"])[index],
        cup_id=np.asarray(readings["cup_id"])[index].astype(object),
        nominal_mg_per_l=nominal,
        signal=np.asarray(readings["signal"])[index],
        retained=retained,
        reason=reason,
    )
    _refuse_unreadable(standards)
    if choice.zero_standard and not (retained & (nominal == 0)).any():
        raise CalibrationError(
            "the curve is to include a zero standard, but the run has none",
            expected="a standard of nominal 0, or a calibration blank, that is not excluded",
            fix="add it, or choose the curve without a zero standard",
        )
    return standards


def _refuse_unreadable(standards: Standards) -> None:
    """Raise for a standard that cannot be placed on a curve, naming the first."""
    if not standards.row.size:
        raise CalibrationError(
            "the run has no standards",
            expected="cups of kind 'standard' with their nominal values",
            fix="check the kind column, or declare the signals to be concentrations",
        )
    misplaced = ~(standards.nominal_mg_per_l >= 0) | np.isinf(standards.nominal_mg_per_l)
    if misplaced.any():
        raise CalibrationError(
            f"nominal value {standards.nominal_mg_per_l[misplaced][0]:g} mg/L is not a concentration",
            where=standards.name(int(misplaced.argmax())),
            expected="a finite number, zero or more",
            fix="enter what the standard was made to hold",
        )
    if not standards.retained.any():
        raise CalibrationError(
            "every standard is excluded or not used",
            where=f"{standards.row.size} standards",
            expected="at least one curve's worth of retained standards",
            fix="take standards back in, or rerun the calibration",
        )
    for wrong, what in (
        (np.isnan(standards.signal), "a retained standard has no signal"),
        (np.isinf(standards.signal), "the signal of a retained standard is not finite"),
    ):
        wrong &= standards.retained
        if wrong.any():
            raise CalibrationError(
                what,
                where=standards.name(int(wrong.argmax())),
                expected="a finite reading",
                fix="reread the cup, or exclude the standard and give the reason",
            )
