"""Random calibration runs, and the same curve fitted a second time by statsmodels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import statsmodels.regression.linear_model as statsmodels
from hypothesis import assume
from hypothesis import strategies as st
from numpy.typing import NDArray

from interpretation.errors import CalibrationError
from interpretation.laboratory.curve import Curve
from tests.compute.calibration_runs import curve_of
from tests.second_opinion.agreement import EPSILON
from tests.second_opinion.designs import WEIGHTINGS, concentrations, condition

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Fitted:
    """A curve of ours, the points it was fitted to, and statsmodels' fit of them.

    Attributes
    ----------
    curve
        Ours.
    x, y
        The standards that take part.
    lowest
        Lowest of them that is not zero: below it the weight is that of this standard.
    power
        Weights are ``1 / x**power``, not normalised here.
    parameters, covariance
        By statsmodels, turned back from columns of unit length.
    scatter
        Residual variance of a reading of weight 1, by statsmodels.
    rounding
        What rounding may do to a variance taken from the covariance, relatively: the condition number's
        square, and as much again as the signals exceed their residuals (see ``test_least_squares``).
    """

    curve: Curve
    x: Array
    y: Array
    lowest: float
    power: int
    parameters: Array
    covariance: Array
    scatter: float
    rounding: float

    @property
    def df(self) -> int:
        """Degrees of freedom."""
        return self.x.size - self.parameters.size

    def powers_at(self, x: float) -> Array:
        """``1, x`` or ``1, x, x^2``."""
        return float(x) ** np.arange(self.parameters.size)

    def signal_at(self, x: float) -> float:
        """The fitted signal."""
        return float(self.powers_at(x) @ self.parameters)

    def curve_variance_at(self, x: float) -> float:
        """Variance of the fitted signal."""
        return float(self.powers_at(x) @ self.covariance @ self.powers_at(x))

    def reading_variance_at(self, x: float) -> float:
        """Variance of one reading of a cup that holds x."""
        return self.scatter * max(x, self.lowest) ** self.power


@st.composite
def fitted(
    draw: st.DrawFn, *, noise: float = 0.05, models: tuple[str, ...] = ("linear", "quadratic")
) -> Fitted:
    """A usable curve over evenly spread levels or five decades, rising or falling, with or without zero."""
    model, weighting = draw(st.sampled_from(models)), draw(st.sampled_from(list(WEIGHTINGS)))
    x = draw(concentrations(draw(st.sampled_from(["even", "decades"])), draw(st.integers(6, 10))))
    x = np.concatenate([[0.0] * draw(st.integers(0, 2)), x, x[-draw(st.integers(1, 3)) :]])
    slope, bend = draw(st.floats(0.1, 1000)), draw(st.floats(-0.3, 0.3)) * (model == "quadratic")
    share = x / x.max()
    height = slope * x.max()
    errors = np.array(draw(st.lists(st.floats(-1, 1), min_size=x.size, max_size=x.size)))
    errors = errors + 0.3 * np.cos(2.0 * np.arange(x.size))
    lowest = float(x[x > 0].min())
    power = WEIGHTINGS[weighting]
    # Scatter as the weights say it is: constant, like the square root of x, or like x.
    scatter = draw(st.floats(0.001, noise)) * height * (np.maximum(x, lowest) / x.max()) ** (power / 2)
    y = draw(st.floats(-0.2, 0.2)) * height + height * (share + bend * share**2) + scatter * errors
    falling = draw(st.booleans())
    try:
        curve = curve_of(
            x, -y if falling else y, model, weighting, response="falling" if falling else "rising"
        )
    except CalibrationError:
        assume(False)
    return second_fit(curve, x, -y if falling else y, lowest, power)


def second_fit(curve: Curve, x: Array, y: Array, lowest: float, power: int) -> Fitted:
    """Fit the same points with statsmodels; the weights are worked out here again."""
    weights = np.array([1 / max(value, lowest) ** power for value in x.tolist()])
    powers = list(range(2 if curve.choice.model == "linear" else 3))
    of = condition(x, weights, powers)
    found = statsmodels.WLS(y, x[:, None] ** np.array(powers) / of.length, weights=weights).fit()
    signals = float(np.linalg.norm(np.sqrt(weights) * y) + np.linalg.norm(found.params))
    return Fitted(
        curve, x, y, lowest, power,
        parameters=found.params / of.length,
        covariance=found.cov_params() / np.outer(of.length, of.length),
        scatter=float(found.scale),
        rounding=10 * EPSILON * of.number * (of.number + signals / float(found.ssr) ** 0.5),
    )  # fmt: skip
