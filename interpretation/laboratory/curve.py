"""The calibration curve: signal as a line or a quadratic of concentration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.laboratory.criteria import DEFAULT_CRITERIA, CurveCriteria
from interpretation.laboratory.polynomial import PolynomialFit, weighted_polynomial
from interpretation.laboratory.refusals import (
    refuse_disagreeing_replicates,
    refuse_flat,
    refuse_too_few,
    refuse_unreached,
    refuse_wrong_way,
    turning_point,
)
from interpretation.laboratory.run import Columns, CurveChoice
from interpretation.laboratory.standards import Standards, standards_of

Array = NDArray[np.float64]

POWER_OF_WEIGHTING = {"1": 0, "1/x": 1, "1/x2": 2}


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve ``signal = a + b x (+ c x^2)``, x in mg/L.

    Attributes
    ----------
    choice
        Model, weighting, response and use of the zero standard, as the analyst chose them.
    standards
        Every standard, retained or not; the arrays below that have shape ``(n,)`` run along it.
    fit
        The least-squares fit over the retained standards.
    lowest_mg_per_l, highest_mg_per_l
        Lowest non-zero and highest retained standard: no value outside is released.
    weight_scale
        Makes the weights average 1, so that the residual standard deviation is in signal units.
    back_calculated_mg_per_l, residuals
        Shape ``(n,)``. A standard that is not retained is back-calculated too, where it has a signal, but
        has no residual (NaN).
    rse_percent
        Relative standard error, see :func:`relative_standard_error`.
    """

    choice: CurveChoice
    standards: Standards
    fit: PolynomialFit
    lowest_mg_per_l: float
    highest_mg_per_l: float
    weight_scale: float
    back_calculated_mg_per_l: Array
    residuals: Array
    rse_percent: float

    @property
    def coefficients(self) -> Array:
        """``a, b`` or ``a, b, c``."""
        return self.fit.coefficients

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation in signal units, of a reading of average weight."""
        return self.fit.residual_sd

    @property
    def degrees_of_freedom(self) -> int:
        """Retained standards (and blanks) less coefficients."""
        return self.fit.degrees_of_freedom

    @property
    def recovery_percent(self) -> Array:
        """Back-calculated over nominal, shape ``(n,)``; NaN for a zero standard."""
        nominal = self.standards.nominal_mg_per_l
        return 100 * self.back_calculated_mg_per_l / np.where(nominal > 0, nominal, np.nan)

    @property
    def zero_standard(self) -> bool:
        """Whether a zero standard took part."""
        return self.choice.zero_standard

    @property
    def turning_point_mg_per_l(self) -> float:
        """Where a quadratic bends over, always outside 0 to the highest standard; NaN for a line."""
        return turning_point(self.coefficients)

    def signal_at(self, x_mg_per_l: Array | float) -> Array:
        """Fitted signal."""
        x = np.asarray(x_mg_per_l, dtype=np.float64)
        return np.asarray(np.polynomial.polynomial.polyval(x, self.coefficients))

    def slope_at(self, x_mg_per_l: Array | float) -> Array:
        """Change of signal per mg/L."""
        curvature = self.coefficients[2] if self.coefficients.size == 3 else 0.0
        return np.asarray(self.coefficients[1] + 2 * curvature * np.asarray(x_mg_per_l, dtype=np.float64))

    def signal_variance_at(self, x_mg_per_l: Array | float) -> Array:
        """Variance of one reading of a cup holding x: ``s^2 / weight(x)``."""
        x = np.asarray(x_mg_per_l, dtype=np.float64)
        return self.residual_sd**2 / (
            self.weight_scale * _weights(x, self.choice.weighting, self.lowest_mg_per_l)
        )

    def uncertainty_at(self, x_mg_per_l: Array | float, readings: int = 1) -> Array:
        """Standard uncertainty of a concentration read off the curve, mg/L.

        Parameters
        ----------
        x_mg_per_l
            The concentration.
        readings
            Number of readings whose mean signal was used.

        Notes
        -----
        ``u = sqrt(var_signal / m + g' C g) / |dy/dx|`` with ``g = (1, x, x^2)`` and C the covariance of the
        coefficients. For an unweighted line this is ``(s/b) sqrt(1/m + 1/n + (x - mean)^2 / Sxx)``
        (e.g. Harvey, *Analytical Chemistry 2.1*, section 5.4); weighted: Massart et al. 1997, *Handbook of
        Chemometrics and Qualimetrics A*, eq. 8.28; quadratic: the same first-order propagation
        (ISO 8466-2, from memory).
        """
        x = np.asarray(x_mg_per_l, dtype=np.float64)
        variance = self.signal_variance_at(x) / readings + self.fit.variance_at(x)
        return np.asarray(np.sqrt(variance) / np.abs(self.slope_at(x)))

    def concentration(self, signal: Array | float) -> Array:
        """Concentration that gives a signal, mg/L; NaN where the curve never reaches it.

        Of a quadratic's two roots, the one on the branch that holds the standards, in the form that does
        not lose digits when c is small.
        """
        return _concentration(np.asarray(signal, dtype=np.float64), self.coefficients, self.choice.response)


def fit_curve(
    readings: pd.DataFrame | Columns, choice: CurveChoice, criteria: CurveCriteria = DEFAULT_CRITERIA
) -> Curve:
    """Fit the analyst's choice of curve to the standards of a run.

    Parameters
    ----------
    readings
        Columns of :data:`interpretation.laboratory.run.READINGS`.
    choice
        Model, weighting, response, and whether the zero standard takes part.
    criteria
        How many levels, how certain a slope, how far apart replicate standards may be.

    Returns
    -------
    Curve

    Raises
    ------
    CalibrationError
        For standards that cannot be used (see :func:`interpretation.laboratory.standards.standards_of`)
        or a curve that cannot (see :func:`fit_standards`).

    Notes
    -----
    The weight of a standard is ``1``, ``1/x`` or ``1/x^2``, scaled so that the weights average 1. A zero
    standard cannot carry ``1/0``: it, and any x below the lowest non-zero retained standard, has the weight
    of that standard. Weights belong to single cups, so replicate standards simply count as often as they
    were read.

    Examples
    --------
    >>> import pandas as pd
    >>> cups = pd.DataFrame({"nominal_mg_per_l": [0.5, 1, 2, 5, 10], "signal": [11, 21.5, 43, 106, 211]})
    >>> cups = cups.assign(kind="standard", cup_id="S", row=cups.index, position=cups.index)
    >>> curve = fit_curve(cups.assign(excluded=False, reason=""), CurveChoice(weighting="1/x"))
    >>> [round(float(c), 2) for c in curve.coefficients]
    [0.5, 21.08]
    """
    return fit_standards(standards_of(readings, choice), choice, criteria)


def fit_standards(
    standards: Standards, choice: CurveChoice, criteria: CurveCriteria = DEFAULT_CRITERIA
) -> Curve:
    """Fit a curve to standards already picked out, and refuse one that cannot be used.

    Raises
    ------
    CalibrationError
        Too few levels; replicate standards that disagree grossly; a response not distinguishable from none;
        one that runs against the declared direction; a quadratic that bends over within the range, or does
        not reach one of its own standards.
    """
    retained = standards.retained
    x, y = standards.nominal_mg_per_l[retained], standards.signal[retained]
    refuse_too_few(x, choice.model, criteria)
    lowest, highest = float(x[x > 0].min()), float(x.max())
    weights = _weights(x, choice.weighting, lowest)
    scale = x.size / float(weights.sum())
    degree = 1 if choice.model == "linear" else 2
    fit = weighted_polynomial(x, y, scale * weights, degree)

    refuse_disagreeing_replicates(standards, fit, lowest, criteria)
    refuse_flat(fit, y, criteria)
    refuse_wrong_way(fit, choice.response, highest)
    back = _concentration(standards.signal, fit.coefficients, choice.response)
    refuse_unreached(standards, back)

    residuals = np.full(retained.size, np.nan)
    residuals[retained] = fit.residuals
    nonzero = x > 0
    return Curve(
        choice=choice,
        standards=standards,
        fit=fit,
        lowest_mg_per_l=lowest,
        highest_mg_per_l=highest,
        weight_scale=scale,
        back_calculated_mg_per_l=back,
        residuals=residuals,
        rse_percent=relative_standard_error(x[nonzero], back[retained][nonzero], degree + 1),
    )


def relative_standard_error(nominal: Array, back_calculated: Array, coefficients: int) -> float:
    """Relative standard error of back-calculated standards, percent.

    Parameters
    ----------
    nominal, back_calculated
        Shape ``(n,)``, non-zero standards, same unit.
    coefficients
        Number of coefficients of the curve.

    Notes
    -----
    ``100 sqrt(sum(((found - nominal) / nominal)^2) / (n - p))``: The NELAC Institute, *Calculating relative
    standard error*, 6 Apr 2017 (seen; its example gives 12.83 %).

    Examples
    --------
    >>> found = np.array([0.0582, 0.4396, 2.304, 4.876, 10.34])
    >>> round(relative_standard_error(np.array([0.05, 0.5, 2.5, 5, 10]), found, 2), 2)
    12.83
    """
    relative = back_calculated / nominal - 1
    return 100 * float(np.sqrt((relative * relative).sum() / (nominal.size - coefficients)))


def _weights(x: Array, weighting: str, lowest: float) -> Array:
    """Relative weight of a reading at x; below the lowest non-zero standard, that standard's."""
    return np.asarray(1.0 / np.maximum(x, lowest) ** POWER_OF_WEIGHTING[weighting])


def _concentration(signal: Array, coefficients: Array, response: str) -> Array:
    """Root of the curve on the branch of the declared response (see :meth:`Curve.concentration`)."""
    net = signal - coefficients[0]
    slope = coefficients[1]
    if coefficients.size == 2:
        return np.asarray(net / slope)
    discriminant = slope * slope + 4 * coefficients[2] * net
    discriminant = np.where(discriminant >= 0, discriminant, np.nan)
    direction = 1.0 if response == "rising" else -1.0
    return np.asarray(2 * net / (slope + direction * np.sqrt(discriminant)))
