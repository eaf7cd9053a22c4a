"""Concentrations read off a curve: statsmodels fits it, scipy finds roots, ``uncertainties`` propagates.

Nothing here shares a line with the project: the fit and its covariance are statsmodels', the concentration
is where the fitted signal is met, the standard uncertainty is the first-order propagation of signal and
correlated coefficients, and the interval of a line ends where the confidence band does.

Largest relative differences seen in 1200 cases each: concentration 4e-12 of the highest standard, uncertainty
of a line 3e-10 and of a quadratic 7e-10, ends of the interval 8e-10 of their reach. They come from five
decades under a single curve; on evenly spread standards all of these stayed below 1e-12.
"""

from __future__ import annotations

import math

import numpy as np
import uncertainties
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import brentq
from uncertainties import umath

from interpretation.laboratory.inverse import inverse
from tests.second_opinion.agreement import EPSILON, agree, steady
from tests.second_opinion.curves import Fitted, fitted

SHARES = st.floats(0.0, 1.0)
READINGS = st.integers(1, 4)


def inside(f: Fitted, share: float) -> tuple[float, float]:
    """A concentration within the standards, and the signal statsmodels' curve has there."""
    x = share * float(f.x.max())
    return x, f.signal_at(x)


def tolerance(f: Fitted) -> float:
    """The covariance's own rounding, and a part in 10^9 for what roots are found to."""
    return f.rounding + 1e-9


@steady(120)
@given(fitted(), SHARES)
def test_concentration_is_where_the_signal_is_met(f: Fitted, share: float) -> None:
    x, signal = inside(f, share)
    top = float(f.x.max())
    # The band in which the curve runs one way: roots beyond a turning point are none of ours.
    root = brentq(lambda at: f.signal_at(at) - signal, -1e-3 * top, 1.001 * top, xtol=1e-13 * top)
    assume(abs(root - x) < 1e-6 * top)
    agree("concentration", f.curve.concentration(signal), root, tolerance(f), top)


@steady(120)
@given(fitted(models=("linear",)), SHARES, READINGS)
def test_uncertainty_of_a_line(f: Fitted, share: float, m: int) -> None:
    x, signal = inside(f, share)
    found = inverse(f.curve, signal, m)
    a, b = uncertainties.correlated_values(f.parameters, f.covariance)
    reading = uncertainties.ufloat(signal, math.sqrt(f.reading_variance_at(x) / m))
    read = (reading - a) / b
    agree("uncertainty", found.uncertainty, read.std_dev, tolerance(f))


@steady(120)
@given(fitted(models=("quadratic",)), SHARES, READINGS)
def test_uncertainty_of_a_quadratic(f: Fitted, share: float, m: int) -> None:
    x, signal = inside(f, share)
    found = inverse(f.curve, signal, m)
    a, b, c = uncertainties.correlated_values(f.parameters, f.covariance)
    reading = uncertainties.ufloat(signal, math.sqrt(f.reading_variance_at(x) / m))
    way = math.copysign(1.0, b.nominal_value)
    read = 2 * (reading - a) / (b + way * umath.sqrt(b * b + 4 * c * (reading - a)))
    assume(abs(read.nominal_value - x) < 1e-6 * f.x.max())
    agree("uncertainty", found.uncertainty, read.std_dev, tolerance(f) + steepness(f, x))


def steepness(f: Fitted, x: float) -> float:
    """Where a quadratic is flat its slope, and all that is divided by it, keeps fewer digits."""
    slope = f.parameters[1] + 2 * f.parameters[2] * x
    terms = abs(f.parameters[1]) + abs(2 * f.parameters[2] * x)
    return f.rounding * terms / abs(slope)


@steady(40)
@given(fitted(), SHARES)
def test_uncertainty_by_moving_each_figure_a_little(f: Fitted, share: float) -> None:
    """No formula at all: the root is found again for every figure moved; good to about seven digits."""
    x, signal = inside(f, share)
    top = float(f.x.max())
    centre = np.array([signal, *f.parameters])

    def root(figures: np.ndarray) -> float:
        polynomial = np.polynomial.Polynomial(figures[1:])
        return float(
            brentq(lambda at: polynomial(at) - figures[0], -0.05 * top, 1.05 * top, xtol=1e-14 * top)
        )

    try:
        assume(abs(root(centre) - x) < 1e-6 * top)
        # Steps that move the signal by a millionth of the curve's height.
        step = 1e-6 * np.ptp(f.y) / top ** np.array([0, *range(f.parameters.size)])
        moved = np.diag(step)
        gradient = np.array([(root(centre + d) - root(centre - d)) / 2 for d in moved]) / step
    except ValueError:  # bent over between the ends
        assume(False)
    variance = gradient[0] ** 2 * f.reading_variance_at(x) + gradient[1:] @ f.covariance @ gradient[1:]
    agree("uncertainty", inverse(f.curve, signal).uncertainty, math.sqrt(variance), 1e-5)


def reach_of_band(f: Fitted, x: float, t: float, m: int, way: float) -> float:
    """How far from x the line leaves the confidence band of its signal: outwards, then by brentq."""
    own, slope = f.reading_variance_at(x) / m, float(f.parameters[1])

    def outside(by: float) -> float:
        return (slope * by) ** 2 - t * t * (own + f.curve_variance_at(x + way * by))

    step = 1e-3 * math.sqrt(own) / abs(slope)
    while outside(step) <= 0:
        step *= 1.5
    return float(brentq(outside, 0.0, step, xtol=1e-12 * step))


@steady(150)
@given(fitted(models=("linear",), noise=0.15), SHARES, READINGS, st.sampled_from([0.9, 0.95]))
def test_interval_of_a_line_ends_where_the_band_does(
    f: Fitted, share: float, m: int, confidence: float
) -> None:
    x, signal = inside(f, share)
    t = float(stats.t.ppf((1 + confidence) / 2, f.df))
    found = inverse(f.curve, signal, m, confidence)
    # (1 - g) is what is left of the slope's certainty: near a slope that may be none, digits go; and an
    # end keeps those digits of x that are left after the width.
    g = t * t * f.covariance[1, 1] / f.parameters[1] ** 2
    for what, end, way in (("lower end", found.low, -1.0), ("upper end", found.high, 1.0)):
        reach = reach_of_band(f, x, t, m, way)
        digits = tolerance(f) / (1 - g) + 10 * EPSILON * x / reach
        agree(what, way * (end - found.x), reach, digits)


@steady(60)
@given(fitted(models=("quadratic",)), SHARES, READINGS)
def test_interval_of_a_quadratic_is_t_times_its_uncertainty(f: Fitted, share: float, m: int) -> None:
    _, signal = inside(f, share)
    found = inverse(f.curve, signal, m)
    half = stats.t.ppf(0.975, f.df) * found.uncertainty
    agree("half width", (found.high - found.low) / 2, half, 1e-9)
    agree("middle", (found.high + found.low) / 2, found.x, 1e-9, float(f.x.max()))
