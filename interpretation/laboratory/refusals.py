"""Curves that cannot be used, and what each is told."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from interpretation.errors import CalibrationError
from interpretation.laboratory.criteria import CurveCriteria
from interpretation.laboratory.polynomial import PolynomialFit, weighted_polynomial
from interpretation.laboratory.standards import Standards

Array = NDArray[np.float64]


def refuse_too_few(nominal_mg_per_l: NDArray[np.float64], model: str, criteria: CurveCriteria) -> None:
    """Raise unless the retained standards span enough distinct non-zero levels for the model.

    Raises
    ------
    CalibrationError
        With the levels there are and the number there must be.
    """
    levels = sorted({level for level in nominal_mg_per_l.tolist() if level > 0})
    needed = criteria.linear_levels if model == "linear" else criteria.quadratic_levels
    if len(levels) < needed:
        listed = ", ".join(f"{level:g}" for level in levels) or "none"
        raise CalibrationError(
            f"too few standards for a {model} curve: {len(levels)} non-zero levels ({listed} mg/L)",
            expected=f"at least {needed} different non-zero concentrations ({criteria.levels_source})",
            fix="add standards, take excluded ones back in, or choose a simpler curve",
        )


def refuse_disagreeing_replicates(
    standards: Standards, fit: PolynomialFit, lowest: float, criteria: CurveCriteria
) -> None:
    """Raise when replicate standards of one level are too far apart to be replicates.

    Both must hold: their range exceeds ``replicate_spread_percent`` of that level's signal above the
    intercept (of the lowest non-zero level, for zero standards), and it exceeds ``replicate_spread_sd``
    residual standard deviations of the curve fitted without that level, so that the disagreement cannot
    hide itself. A level without which no curve can be fitted is judged on the percentage alone.
    """
    x, y = standards.nominal_mg_per_l[standards.retained], standards.signal[standards.retained]
    if len(set(x.tolist())) == x.size:
        return
    order = np.argsort(x, kind="stable")
    starts = np.flatnonzero(np.diff(x[order], prepend=-1.0) > 0)
    levels = x[order][starts]
    spread = np.maximum.reduceat(y[order], starts) - np.minimum.reduceat(y[order], starts)
    net = np.maximum(levels, lowest)[:, None] ** fit.powers[1:] @ fit.coefficients[1:]
    suspect = spread > criteria.replicate_spread_percent / 100 * np.abs(net)
    for level, level_spread in zip(levels[suspect], spread[suspect], strict=True):
        others = x != level
        if np.unique(x[others]).size > fit.powers.size:
            degree = int(fit.powers[-1])
            without = weighted_polynomial(x[others], y[others], fit.weights[others], degree)
            noise = without.residual_sd / float(fit.weights[~others].min()) ** 0.5
            if level_spread <= criteria.replicate_spread_sd * noise:
                continue
        cups = ", ".join(
            f"{standards.cup_id[i]!r} (row {standards.row[i]}) {standards.signal[i]:g}"
            for i in np.flatnonzero(standards.retained & (standards.nominal_mg_per_l == level))
        )
        raise CalibrationError(
            f"replicate standards of {level:g} mg/L disagree beyond any scatter",
            where=cups,
            expected=f"signals within {criteria.replicate_spread_percent:g} % of the level's own signal, "
            f"or within {criteria.replicate_spread_sd:g} residual standard deviations of the other levels",
            fix="correct the nominal value, or exclude the faulty cup and give the reason",
        )


def refuse_flat(fit: PolynomialFit, signal: Array, criteria: CurveCriteria) -> None:
    """Raise when the response is not distinguishable from none (F test of the curve against its mean).

    For a line F is the square of slope over its standard error, so a line that passes also has a finite
    Fieller interval (g < 1) at the same or a lower confidence.
    """
    terms = fit.coefficients.size - 1
    critical = float(fdtri(terms, fit.degrees_of_freedom, criteria.slope_confidence))
    explained = (fit.total_sum - fit.residual_sum) / terms
    alike = float(np.ptp(signal)) <= 1e-9 * float(np.abs(signal).max())  # equal but for rounding
    if alike or not explained > critical * fit.residual_sd**2:
        figure = explained / fit.residual_sd**2 if fit.residual_sd > 0 and not alike else 0.0
        raise CalibrationError(
            "the response of the standards is not distinguishable from none",
            where=f"{signal.size} retained standards, F = {figure:.3g}",
            expected=f"F above {critical:.3g} ({100 * criteria.slope_confidence:g} % confidence)",
            fix="check reagents, wavelength and the order of the standards, then rerun the calibration",
        )


def refuse_wrong_way(fit: PolynomialFit, response: str, highest: float) -> None:
    """Raise unless the curve runs the declared way all the way from zero to the highest standard.

    Zero, not the lowest standard, because blanks are read off the curve as well.
    """
    direction = 1.0 if response == "rising" else -1.0
    slope, curvature = float(fit.coefficients[1]), 2 * float(fit.coefficients[2:].sum())
    at_zero, at_top = direction * slope, direction * (slope + curvature * highest)
    if at_zero > 0 and at_top > 0:
        return
    if at_zero <= 0 and at_top <= 0:
        found = "falling" if response == "rising" else "rising"
        raise CalibrationError(
            f"the response is declared {response}, but the standards are {found}",
            where=f"slope {slope:.4g} signal units per mg/L",
            expected=f"a {response} response",
            fix="correct the declared response, or the order of the standards",
        )
    raise CalibrationError(
        f"the quadratic bends over at {turning_point(fit.coefficients):.4g} mg/L, within its own range",
        where=f"0 to {highest:g} mg/L",
        expected="a curve that rises (or falls) from zero to the highest retained standard",
        fix="exclude the standards beyond the bend, giving the reason, or choose a linear curve",
    )


def refuse_unreached(standards: Standards, back_calculated: Array) -> None:
    """Raise when a retained standard's signal lies beyond the turning point of the quadratic."""
    unreached = standards.retained & np.isnan(back_calculated)
    if unreached.any():
        raise CalibrationError(
            "the quadratic never reaches the signal of one of its own standards",
            where=standards.name(int(unreached.argmax())),
            expected="a curve that gives back every retained standard",
            fix="exclude the standards on the flat part, giving the reason, or choose a linear curve",
        )


def turning_point(coefficients: Array) -> float:
    """Concentration at which a quadratic bends over; NaN for a line and for a quadratic that is one."""
    if coefficients.size < 3 or coefficients[2] == 0:
        return float("nan")
    return float(-coefficients[1] / (2 * coefficients[2]))
