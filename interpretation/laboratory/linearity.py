"""Two looks at linearity: Mandel's fitting test and the ratio of signal to concentration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtri

from interpretation.errors import CalibrationError
from interpretation.laboratory.polynomial import weighted_polynomial

RATIO_LIMIT_PERCENT = 10.0  # points further from the median are worth a look (ISO 8466-1:2021 practice)


@dataclass(frozen=True, slots=True)
class Mandel:
    """Mandel's test: does a quadratic fit better than chance would make it?

    Attributes
    ----------
    statistic, critical
        Test value and its 99 % point ``F(1, n - 3)``; the statistic is NaN when the quadratic leaves no
        residuals to compare with.
    linear_sd, quadratic_sd
        Residual standard deviations of the two unweighted fits.
    """

    statistic: float
    critical: float
    linear_sd: float
    quadratic_sd: float

    @property
    def linear(self) -> bool:
        """Whether the line may stand."""
        return not self.statistic > self.critical


def mandel(x: ArrayLike, y: ArrayLike, confidence: float = 0.99) -> Mandel:
    """Mandel's fitting test on unweighted fits.

    Parameters
    ----------
    x, y
        Concentrations and signals of the standards, shape ``(n,)``, n at least 4.
    confidence
        Of the critical value.

    Raises
    ------
    CalibrationError
        If there are fewer than 4 standards or too few levels for a quadratic.

    Notes
    -----
    ``((n-2) s1^2 - (n-3) s2^2) / s2^2`` against ``F(1, n-3)`` (ISO 8466-1:1990; formula from memory). The
    2021 edition replaced it by plots of ratios, because with few or unequal variances it misses curvature
    that the eye sees: read it together with :func:`ratio_deviation`.

    Examples
    --------
    >>> x = [2, 4, 6, 8, 10, 12, 14, 16, 18, 20]
    >>> y = [0.202, 0.399, 0.588, 0.796, 0.997, 1.174, 1.377, 1.534, 1.622, 1.654]
    >>> test = mandel(x, y)
    >>> round(test.statistic, 3), round(test.critical, 3), test.linear
    (21.238, 12.246, False)
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.size < 4:
        raise CalibrationError(
            f"{x.size} standards are too few for Mandel's test",
            expected="at least 4",
            fix="add standards",
        )
    ones = np.ones_like(x)
    line, quadratic = weighted_polynomial(x, y, ones, 1), weighted_polynomial(x, y, ones, 2)
    statistic = float("nan")
    if quadratic.residual_sd > 1e-12 * float(np.abs(y).max()):  # more than rounding
        statistic = (line.residual_sum - quadratic.residual_sum) / quadratic.residual_sd**2
    critical = float(fdtri(1, quadratic.degrees_of_freedom, confidence))
    return Mandel(statistic, critical, line.residual_sd, quadratic.residual_sd)


def ratio_deviation(x: ArrayLike, y: ArrayLike, zero_signal: float = 0.0) -> NDArray[np.float64]:
    """Deviation of signal over concentration from its median, percent.

    Parameters
    ----------
    x, y
        Non-zero concentrations and their signals, shape ``(n,)``.
    zero_signal
        Signal of the zero standard, taken off first; without one a curve with a large intercept shows
        deviations at its low end that are no curvature.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Beyond :data:`RATIO_LIMIT_PERCENT` a standard deserves a look. NaN when the median ratio is zero.

    Notes
    -----
    ISO 8466-1:2021 and DIN 38402-51:2017 as described in the help of the R package chemCal (seen).

    Examples
    --------
    >>> [float(value) for value in ratio_deviation([1, 2, 4], [1.0, 2.0, 3.0]).round(1)]
    [0.0, 0.0, -25.0]
    """
    ratio = (np.asarray(y, dtype=np.float64) - zero_signal) / np.asarray(x, dtype=np.float64)
    middle = float(np.median(ratio))
    return np.asarray(100 * (ratio / (middle if middle else np.nan) - 1))
