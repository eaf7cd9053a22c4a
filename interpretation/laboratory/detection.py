"""Detection and quantification limits, each with the name of its definition.

A limit is a figure of merit of the measurement. It is not the lowest retained standard: a value is released
only at or above both (:mod:`interpretation.laboratory.inverse` sets a flag for each).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import stdtrit

from interpretation.errors import CalibrationError
from interpretation.laboratory.curve import Curve
from interpretation.laboratory.run import Columns

Definition = Literal["calibration", "blanks", "mdl"]

# Fewer blanks leave their standard deviation too uncertain (Eurachem, Fitness for Purpose: typically 10;
# from memory).
ENOUGH_BLANKS = 10


@dataclass(frozen=True, slots=True)
class DetectionLimits:
    """Two limits in the cup as read, and the key of the definition they follow."""

    detection_mg_per_l: float
    quantification_mg_per_l: float
    definition: Definition


def limits_of(curve: Curve, blanks: ArrayLike) -> DetectionLimits:
    """Detection and quantification limit of a run.

    Parameters
    ----------
    curve
        The fitted curve.
    blanks
        Signals of the calibration blanks (:func:`blank_signals`), any number.

    Returns
    -------
    DetectionLimits
        By :func:`blank_limits` when there are at least :data:`ENOUGH_BLANKS` blanks and they vary (blanks
        exported as "no peak" all read 0 and say nothing about scatter); else by :func:`calibration_limits`.

    Raises
    ------
    CalibrationError
        If nothing up to the highest standard can be quantified.
    """
    signals = np.asarray(blanks, dtype=np.float64)
    if signals.size >= ENOUGH_BLANKS and np.ptp(signals) > 0:
        return blank_limits(curve, signals)
    return calibration_limits(curve)


def blank_signals(readings: pd.DataFrame | Columns) -> NDArray[np.float64]:
    """Signals of the calibration blanks that are not excluded and have a reading."""
    signal = np.asarray(readings["signal"])
    usable = (np.asarray(readings["kind"]) == "blank") & ~np.asarray(readings["excluded"])
    return np.asarray(signal[usable & np.isfinite(signal)])


def critical_value(curve: Curve, alpha: float = 0.05, readings: int = 1) -> float:
    """Concentration above which a reading differs from zero at one-sided error ``alpha``, mg/L.

    Notes
    -----
    ``t(1 - alpha) u(0)``; for an unweighted line the calibration method of DIN 32645.
    """
    t = float(stdtrit(curve.degrees_of_freedom, 1 - alpha))
    return t * float(curve.uncertainty_at(0.0, readings))


def blank_critical_value(curve: Curve, blanks: ArrayLike, alpha: float = 0.05, readings: int = 1) -> float:
    """The same from repeated blanks: ``t(1-alpha) s/slope sqrt(1/m + 1/n)``, blank method of DIN 32645."""
    signals = np.asarray(blanks, dtype=np.float64)
    t = float(stdtrit(signals.size - 1, 1 - alpha))
    scatter = float(signals.std(ddof=1)) / abs(float(curve.slope_at(0.0)))
    return float(t * scatter * (1 / readings + 1 / signals.size) ** 0.5)


def calibration_limits(
    curve: Curve, alpha: float = 0.05, beta: float | None = None, k: float = 3, readings: int = 1
) -> DetectionLimits:
    """Limits from the scatter of the standards about the curve (DIN 32645; ISO 11843).

    Parameters
    ----------
    curve
        The fitted curve.
    alpha
        Error of calling a blank detected.
    beta
        Error of missing a sample at the detection limit. None takes twice the critical value, the quick
        form for ``beta = alpha``, which is the larger; a number solves ``x = x_c + t(1 - beta) u(x)``.
    k
        Reciprocal of the relative half-width accepted at the quantification limit.
    readings
        Readings averaged per cup.

    Returns
    -------
    DetectionLimits
        The quantification limit solves ``x = k t(1 - alpha/2) u(x)``.

    Raises
    ------
    CalibrationError
        If no retained standard satisfies ``x > k t(1 - alpha/2) u(x)``.
    """
    degrees_of_freedom = curve.degrees_of_freedom
    lowest = critical_value(curve, alpha, readings)
    detection = 2 * lowest
    if beta is not None:
        detection = _solve(curve, lowest, float(stdtrit(degrees_of_freedom, 1 - beta)), readings)
    t = float(stdtrit(degrees_of_freedom, 1 - alpha / 2))
    quantification = _solve(curve, 0.0, k * t, readings)
    return DetectionLimits(detection, quantification, "calibration")


def blank_limits(curve: Curve, blanks: ArrayLike) -> DetectionLimits:
    """Three and ten standard deviations of single blanks over the slope (Eurachem; from memory).

    Raises
    ------
    CalibrationError
        If ten standard deviations reach beyond the highest standard.
    """
    signals = np.asarray(blanks, dtype=np.float64)
    scatter = float(signals.std(ddof=1)) / abs(float(curve.slope_at(0.0)))
    if 10 * scatter > curve.highest_mg_per_l:
        raise _unquantifiable(curve)
    return DetectionLimits(3 * scatter, 10 * scatter, "blanks")


def mdl_limits(spiked_mg_per_l: ArrayLike, blanks_mg_per_l: ArrayLike = ()) -> DetectionLimits:
    """Method detection limit from replicates carried through every step.

    Parameters
    ----------
    spiked_mg_per_l
        At least 7 results of a low spike.
    blanks_mg_per_l
        Results of method blanks; none, or at least 7.

    Returns
    -------
    DetectionLimits
        ``t(n - 1, 0.99) s`` of the spikes or, where larger, mean plus the same of the blanks; the
        quantification limit is three times that (common practice).

    Raises
    ------
    CalibrationError
        If there are fewer than 7 of either.

    Notes
    -----
    40 CFR part 136 appendix B, revision 2: steps and t values seen, the blanks' part from memory.

    Examples
    --------
    >>> round(mdl_limits([2.05, 1.98, 2.11, 1.93, 2.07, 2.01, 1.99]).detection_mg_per_l, 4)
    0.1912
    """
    spikes, blanks = np.asarray(spiked_mg_per_l, dtype=float), np.asarray(blanks_mg_per_l, dtype=float)
    for what, found in (("spikes", spikes), ("blanks", blanks)):
        if found.size < 7 and not (what == "blanks" and found.size == 0):
            raise CalibrationError(
                f"{found.size} {what} are too few for a method detection limit",
                expected="at least 7 (40 CFR 136 appendix B)",
                fix="carry more replicates through the method",
            )
    detection = _t99(spikes.size) * float(spikes.std(ddof=1))
    if blanks.size:
        detection = max(detection, float(blanks.mean()) + _t99(blanks.size) * float(blanks.std(ddof=1)))
    return DetectionLimits(detection, 3 * detection, "mdl")


def _t99(n: int) -> float:
    return float(stdtrit(n - 1, 0.99))


def _solve(curve: Curve, offset: float, factor: float, readings: int) -> float:
    """Smallest root of ``x = offset + factor u(x)``, below the lowest standard that exceeds its right side.

    The standards, not the top of the range alone: where a quadratic flattens, u grows without bound there.
    """

    def excess(x: float | NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(x - offset - factor * curve.uncertainty_at(x, readings))

    levels = np.append(0.0, curve.standards.nominal_mg_per_l[curve.standards.retained])
    at_levels = excess(levels)
    enough = levels[(levels > 0) & (at_levels > 0)]
    if not enough.size:
        raise _unquantifiable(curve)
    if at_levels[0] >= 0:  # an exact curve has no scatter
        return 0.0
    top = float(enough.min())
    return float(brentq(lambda x: float(excess(x)), 0.0, top, xtol=1e-9 * top, rtol=1e-9))


def _unquantifiable(curve: Curve) -> CalibrationError:
    return CalibrationError(
        "the scatter is so large that no concentration on the curve can be quantified",
        where=f"residual standard deviation {curve.residual_sd:.3g} signal units, "
        f"highest standard {curve.highest_mg_per_l:g} mg/L",
        expected="a quantification limit below the highest retained standard",
        fix="look for the standards that are off, or choose a curve that fits them",
    )
