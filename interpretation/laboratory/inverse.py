"""From signals to concentrations in the cup, with uncertainty, interval and flags."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from interpretation.laboratory.curve import Curve
from interpretation.laboratory.detection import DetectionLimits, blank_signals, limits_of
from interpretation.laboratory.flags import bit
from interpretation.results import Flag

Array = NDArray[np.float64]

SOLUTION = (
    "solution_mg_per_l",
    "solution_uncertainty_mg_per_l",
    "solution_low_mg_per_l",
    "solution_high_mg_per_l",
)

# A reading of the top standard itself must not be over-range by a rounding of the last digit.
ROUNDING = 1e-9


class Inverse(NamedTuple):
    """Concentrations read off a curve, each of the shape of the signals, mg/L."""

    x: Array
    uncertainty: Array
    low: Array
    high: Array


def inverse(curve: Curve, signal: ArrayLike, m: int = 1, confidence: float = 0.95) -> Inverse:
    """Concentration, standard uncertainty and confidence interval for signals.

    Parameters
    ----------
    curve
        The fitted curve.
    signal
        Any shape; each is the mean of ``m`` readings. A signal that is not finite, or that a quadratic
        never reaches, gives NaN.
    m
        Number of readings behind each signal.
    confidence
        Of the interval.

    Returns
    -------
    Inverse

    Notes
    -----
    Uncertainty as in :meth:`interpretation.laboratory.curve.Curve.uncertainty_at`. Interval of a line: the
    inversion (Fieller) interval, the x for which ``(y0 - a - b x)^2 <= t^2 (var_signal/m + g' C g)``, in
    the offset from the estimate so that no digits are lost; it is not symmetric, and falls together with
    ``x +/- t u`` as the slope grows certain (Greenwell & Schubert Kabban, *investr*, R Journal 6(1), 2014).
    Its end is finite because the curve's slope test is at least as strict. Interval of a quadratic:
    ``x +/- t u``.

    Examples
    --------
    >>> import numpy as np
    >>> from interpretation.laboratory.curve import fit_standards
    >>> from interpretation.laboratory.run import CurveChoice
    >>> from interpretation.laboratory.standards import Standards
    >>> x = np.array([0, 2, 4, 6, 8, 10, 12.0])
    >>> y = np.array([2.1, 5.0, 9.0, 12.6, 17.3, 21.0, 24.7])
    >>> text, number = np.full(7, "", dtype=object), np.arange(7)
    >>> standards = Standards(number, number, text, x, y, np.full(7, True), text)
    >>> curve = fit_standards(standards, CurveChoice(weighting="1", zero_standard=True))
    >>> found = inverse(curve, 13.5, m=4)
    >>> round(float(found.x), 2), round(float(found.uncertainty), 3)
    (6.21, 0.141)
    """
    y = np.asarray(signal, dtype=np.float64)
    x = curve.concentration(np.where(np.isfinite(y), y, np.nan))
    uncertainty = curve.uncertainty_at(x, m)
    t = float(stdtrit(curve.degrees_of_freedom, (1 + confidence) / 2))
    if curve.choice.model == "quadratic":
        return Inverse(x, uncertainty, x - t * uncertainty, x + t * uncertainty)
    # With d = x' - x the condition reads (b d)^2 <= t^2 (b^2 u^2 + 2 d q + d^2 C11), q = C01 + x C11.
    covariance, slope = curve.fit.covariance, float(curve.coefficients[1])
    c11 = float(covariance[1, 1])
    leading = slope * slope - t * t * c11
    middle = t * (covariance[0, 1] + x * c11)
    half = np.sqrt(middle * middle + leading * (slope * uncertainty) ** 2)
    return Inverse(x, uncertainty, x + t * (middle - half) / leading, x + t * (middle + half) / leading)


def solution(readings: pd.DataFrame, curve: Curve) -> pd.DataFrame:
    """Read every cup of a run off its curve.

    Parameters
    ----------
    readings
        Columns of :data:`interpretation.laboratory.run.READINGS`; bits in a ``flags`` column are kept.
    curve
        The fitted curve.

    Returns
    -------
    pandas.DataFrame
        The same rows, with the columns :data:`SOLUTION` (mg/L in the cup, interval 95 %) and ``flags`` added
        or replaced. Each cup is one reading (m = 1): replicate cups are not averaged here.

    Raises
    ------
    CalibrationError
        If nothing on the curve can be quantified.

    Notes
    -----
    Flags: NO_SIGNAL; EXCLUDED; OVER_RANGE above the highest retained standard; UNDER_RANGE below the lowest
    non-zero one; BELOW_LOQ and BELOW_LOD against :func:`interpretation.laboratory.detection.limits_of`. The
    number stays beside its flags, also where it is not to be released.
    """
    limits = limits_of(curve, blank_signals(readings))
    signal = readings["signal"].to_numpy()
    read = inverse(curve, signal)
    return _with_solution(readings, read, signal_flags(curve, signal, read.x, limits))


def signal_flags(
    curve: Curve, signal: Array, read_mg_per_l: Array, limits: DetectionLimits
) -> NDArray[np.int64]:
    """Flag what lies outside a curve's range or below its limits.

    Parameters
    ----------
    curve
        The fitted curve.
    signal
        Shape ``(n,)``, NaN without a reading.
    read_mg_per_l
        The same, read off the curve.
    limits
        Detection and quantification limit of the run.

    Returns
    -------
    numpy.ndarray of int64, shape (n,)
        Bits of the flags :func:`solution` sets, short of EXCLUDED.
    """
    has_signal = np.isfinite(signal)
    # A signal that a quadratic never reaches lies beyond its turning point, on that point's side.
    x = np.where(has_signal & np.isnan(read_mg_per_l), curve.turning_point_mg_per_l, read_mg_per_l)
    return _raised(
        (~has_signal, Flag.NO_SIGNAL),
        (x > curve.highest_mg_per_l * (1 + ROUNDING), Flag.OVER_RANGE),
        (x < curve.lowest_mg_per_l * (1 - ROUNDING), Flag.UNDER_RANGE),
        (x < limits.quantification_mg_per_l, Flag.BELOW_LOQ),
        (x < limits.detection_mg_per_l, Flag.BELOW_LOD),
    )


def as_read(readings: pd.DataFrame) -> pd.DataFrame:
    """Pass on the concentrations of a run that arrived without signals.

    Parameters
    ----------
    readings
        Columns of :data:`interpretation.laboratory.run.READINGS`, with ``solution_mg_per_l`` or
        ``below_mg_per_l`` filled.

    Returns
    -------
    pandas.DataFrame
        As :func:`solution` gives, with NaN for uncertainty and interval, which no curve is there to give.
        Flags: REPORTED_BELOW where the file says "< x", EXCLUDED, NO_SIGNAL where it says nothing.
    """
    value = readings["solution_mg_per_l"].to_numpy()
    below = readings["below_mg_per_l"].to_numpy()
    unknown = np.full(value.size, np.nan)
    flags = _raised(
        (~np.isfinite(value) & np.isnan(below), Flag.NO_SIGNAL),
        (~np.isnan(below), Flag.REPORTED_BELOW),
    )
    return _with_solution(readings, Inverse(value, unknown, unknown, unknown), flags)


def _raised(*conditions: tuple[NDArray[np.bool_], Flag]) -> NDArray[np.int64]:
    """Sum of the flags whose condition holds, one mask a cup."""
    total = np.zeros(conditions[0][0].size, dtype=np.int64)
    for holds, flag in conditions:
        total += holds * np.int64(bit(flag))
    return total


def _with_solution(readings: pd.DataFrame, read: Inverse, flags: NDArray[np.int64]) -> pd.DataFrame:
    flags |= readings["excluded"].to_numpy() * np.int64(bit(Flag.EXCLUDED))
    if "flags" in readings:
        flags |= readings["flags"].to_numpy()
    return readings.assign(**dict(zip(SOLUTION, read, strict=True)), flags=flags)
