"""Change of response during a run: between neighbouring checks, and along the whole run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import stdtr

from interpretation.conversions import FloatArray
from interpretation.laboratory.cups import RESULTS, Cups, IntArray
from interpretation.laboratory.flags import bit
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.lines import absent, judged, judged_cups
from interpretation.results import CheckLine, CheckName, Flag, Outcome

_CORRECTED = bit(Flag.DRIFT_CORRECTED)


def recovery(cups: Cups, rows: IntArray) -> FloatArray:
    """Per cent of the nominal value found in these cups; NaN where there is none."""
    nominal = np.where(cups.nominal[rows] > 0, cups.nominal[rows], np.nan)
    return np.asarray(100 * cups.extract[rows] / nominal)


def correct(cups: Cups) -> Cups:
    """Divide readings by the response interpolated between the checks on either side.

    Corrected is what is reported or decides what is (:data:`RESULTS`), and only between the first and the
    last check; every corrected cup is flagged. Standards, checks and calibration blanks are what the drift
    is seen by and stay as read. With fewer than two checks nothing is corrected.

    Notes
    -----
    ``C / (1 + d(p))`` where the checks' relative deviation d is a straight line in position between two
    neighbours; common practice.

    Examples
    --------
    A check reads 98 % at position 10 and 104 % at position 20, so at position 15 the response is 101 % and
    a reading of 50.0 is corrected to 50.0 / 1.01 = 49.505.
    """
    checks = cups.where("check")
    checks = checks[recovery(cups, checks) > 0]
    if len(checks) < 2:
        return cups
    between = (cups.position >= cups.position[checks[0]]) & (cups.position <= cups.position[checks[-1]])
    rows = np.flatnonzero(between & cups.is_kind(*RESULTS) & cups.read)
    response = np.interp(cups.position[rows], cups.position[checks], recovery(cups, checks) / 100)
    solution, uncertainty, flags = cups.solution.copy(), cups.uncertainty.copy(), cups.flags.copy()
    solution[rows] /= response
    uncertainty[rows] /= response
    flags[rows] |= _CORRECTED
    return replace(cups, solution=solution, uncertainty=uncertainty, flags=flags)


def drift_lines(cups: Cups, limits: Limits) -> tuple[CheckLine, ...]:
    """Judge the change of recovery from each check to the next.

    A drift that has been corrected, by the analyst's printed choice, warns instead of failing.
    """
    checks = cups.where("check")
    if len(checks) < 2:
        return absent(CheckName.DRIFT, limits.drift, "fewer-than-two-checks")
    corrected = bool((cups.flags & _CORRECTED).any())
    found = recovery(cups, checks)
    before, after = found[:-1], found[1:]
    return judged_cups(
        CheckName.DRIFT,
        limits.drift,
        after - before,
        "%",
        cups,
        checks[1:],
        found=after,
        expected=before,
        detail="drift-corrected" if corrected else "",
        failed_as=Outcome.WARN if corrected else None,
    )


def slope_significance(position: FloatArray, values: FloatArray) -> tuple[float, float]:
    """Fit a straight line against position.

    Parameters
    ----------
    position, values
        Shape (n,), n of 3 or more.

    Returns
    -------
    change, p
        Fitted change from the first to the last position, and the two-sided significance of the slope.

    Notes
    -----
    Ordinary least squares and Student's t with n - 2 degrees of freedom.

    Examples
    --------
    >>> change, p = slope_significance(np.array([1.0, 2.0, 3.0, 4.0]), np.array([1.0, -1.0, -1.0, 1.0]))
    >>> change, p
    (0.0, 1.0)
    """
    centred = position - position.mean()
    slope = float(centred @ values / (centred @ centred))
    residual = values - values.mean() - slope * centred
    degrees = len(values) - 2
    slope_error = float(np.sqrt(residual @ residual / degrees / (centred @ centred)))
    change = slope * float(np.ptp(position))
    if slope_error <= abs(slope) * 1e-12:  # a perfect line, rising or level
        return change, 0.0 if slope else 1.0
    return change, float(2 * stdtr(degrees, -abs(slope / slope_error)))


def trend_lines(cups: Cups, limits: Limits) -> tuple[CheckLine, ...]:
    """Judge whether checks, and each reference soil, walk away with position."""
    limit = limits.trend
    checks = cups.where("check")
    soils = cups.where("reference soil")
    series = [("", checks, recovery(cups, checks))] if len(checks) else []
    for name in dict.fromkeys(cups.cup_id[soils].tolist()):
        rows = soils[cups.cup_id[soils] == name]
        mean = float(cups.extract[rows].mean())
        if mean > 0:
            series.append((name, rows, 100 * cups.extract[rows] / mean))
    lines = []
    for name, rows, percent in series:
        if len(rows) < limit.points or not np.isfinite(percent).all():
            continue
        change, p = slope_significance(cups.position[rows].astype(float), percent)
        significant = p < limit.significance
        detail = "trend-significant" if significant else "trend-not-significant"
        outcome = limit.failed if significant else Outcome.PASS
        lines.append(
            judged(CheckName.TREND, limit, change, "%", cup_id=name, detail=detail, failed_as=outcome)
        )
    return tuple(lines) or absent(CheckName.TREND, limit, "too-few-to-see-a-trend")
