"""Weighted least squares for polynomials, by orthogonal factors of scaled columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from interpretation.errors import CalibrationError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PolynomialFit:
    """Coefficients and everything needed to state their uncertainty.

    Attributes
    ----------
    coefficients
        Shape ``(p,)``, rising powers; the first power is 1 where there is no intercept.
    root
        Shape ``(p, p)``: ``root @ root.T`` is the covariance of the coefficients for unit weight.
    powers
        Shape ``(p,)``, the power of x each coefficient belongs to.
    weights, residuals
        Shape ``(n,)``; residuals are observed minus fitted, unweighted.
    residual_sd
        ``sqrt(sum(w r^2) / (n - p))``; NaN when n equals p.
    degrees_of_freedom
        ``n - p``.
    residual_sum, total_sum
        Weighted sums of squares; the total is about the weighted mean, or about zero without an intercept.
    """

    coefficients: Array
    root: Array
    powers: NDArray[np.int64]
    weights: Array
    residuals: Array
    residual_sd: float
    degrees_of_freedom: int
    residual_sum: float
    total_sum: float

    @property
    def covariance(self) -> Array:
        """Covariance of the coefficients, shape ``(p, p)``."""
        return self.residual_sd**2 * (self.root @ self.root.T)

    @property
    def standard_errors(self) -> Array:
        """Standard errors of the coefficients, shape ``(p,)``."""
        return np.asarray(self.residual_sd * np.sqrt((self.root**2).sum(axis=1)))

    @property
    def r_squared(self) -> float:
        """``1 - residual_sum / total_sum``; NaN when the observations do not vary."""
        return 1 - self.residual_sum / self.total_sum if self.total_sum > 0 else float("nan")

    def variance_at(self, x: Array) -> Array:
        """Variance of the fitted curve at x, shape of ``x``; a sum of squares, so never negative."""
        projected: Array = (x[..., None] ** self.powers) @ self.root
        return np.asarray(self.residual_sd**2 * np.vecdot(projected, projected))


def weighted_polynomial(
    x: ArrayLike, y: ArrayLike, w: ArrayLike, degree: int, *, intercept: bool = True
) -> PolynomialFit:
    """Fit ``y = b0 + b1 x + ... + bd x^d`` by weighted least squares.

    Parameters
    ----------
    x, y
        Shape ``(n,)``.
    w
        Weights, shape ``(n,)``, proportional to ``1 / variance`` of each y; not normalised here.
    degree
        Highest power of x.
    intercept
        False leaves ``b0`` out.

    Returns
    -------
    PolynomialFit

    Raises
    ------
    CalibrationError
        If there are fewer points than coefficients, or the points do not determine them.

    Notes
    -----
    Columns of the design matrix are scaled to unit length before its QR factorisation. Normal equations on
    unscaled powers square the condition number and fail on the reference set Filip; this does not
    (NIST Statistical Reference Datasets, https://www.itl.nist.gov/div898/strd/lls/, checked in the tests).

    Examples
    --------
    >>> fit = weighted_polynomial([0, 1, 2, 3], [1.0, 3.0, 5.0, 7.0], [1, 1, 1, 1], 1)
    >>> [round(float(c), 9) for c in fit.coefficients]
    [1.0, 2.0]
    """
    x, y, w = (np.asarray(values, dtype=np.float64) for values in (x, y, w))
    powers = np.arange(0 if intercept else 1, degree + 1)
    degrees_of_freedom = x.size - powers.size
    if degrees_of_freedom < 0:
        raise CalibrationError(
            f"{x.size} points cannot determine {powers.size} coefficients",
            expected=f"at least {powers.size} points",
            fix="add standards or choose a simpler curve",
        )
    root_w = np.sqrt(w)
    design = x[:, None] ** powers
    weighted = design * root_w[:, None]
    length = np.sqrt((weighted * weighted).sum(axis=0))
    length[length == 0] = 1
    q, r = np.linalg.qr(weighted / length)
    pivots = np.abs(np.diag(r))
    # A unit column that lies in the span of those before it leaves a pivot of rounding size.
    if pivots.min() <= x.size * np.finfo(np.float64).eps:
        raise CalibrationError(
            f"the points do not determine {powers.size} coefficients",
            expected=f"at least {powers.size} different concentrations",
            fix="add standards at other concentrations or choose a simpler curve",
        )
    root = np.linalg.inv(r) / length[:, None]
    coefficients = root @ (q.T @ (root_w * y))
    residuals = y - design @ coefficients
    centre = float(w @ y / w.sum()) if intercept else 0.0
    residual_sum = float(w @ (residuals * residuals))
    return PolynomialFit(
        coefficients=coefficients,
        root=root,
        powers=powers,
        weights=w,
        residuals=residuals,
        residual_sd=(residual_sum / degrees_of_freedom) ** 0.5 if degrees_of_freedom else float("nan"),
        degrees_of_freedom=degrees_of_freedom,
        residual_sum=residual_sum,
        total_sum=float(w @ ((y - centre) * (y - centre))),
    )
