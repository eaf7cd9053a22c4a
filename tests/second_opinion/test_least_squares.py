"""The least-squares core against fractions, statsmodels and scipy, on easy and on hard designs.

What is to be expected: with the columns brought to unit length and kappa their condition number, a stable
solver answers as if the data had been wrong in the last digit. That moves the coefficients by
``eps (kappa (|y| + |b|) + kappa^2 |r|)`` with norms of signals, fit and residuals, their covariance for unit
scatter and the variance of the curve by ``eps kappa``, the residual standard deviation by
``eps (kappa + (|y| + |b|) / |r|)``, all relatively, ``eps = 2.2e-16``. Against fractions nothing here is
compared more loosely than ROUNDINGS times that.

statsmodels is given the columns at unit length and its default solver, a pseudo-inverse. It costs another
kappa for the residuals, and the variance of the curve, taken as ``g' C g``, another one too; so it is asked
up to kappa = 1e5, beyond that fractions alone. (On raw powers over five decades it calls well-determined
quadratics rank-deficient, and its other solver squares kappa for the covariance.)

Largest differences seen in 4500 cases, kappa up to 2e8, as shares of what is allowed: coefficients
0.19, their covariance 0.40, residual standard deviation 0.06, variance of the curve 0.10.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.regression.linear_model as statsmodels
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from interpretation.laboratory.polynomial import PolynomialFit, weighted_polynomial
from tests.second_opinion.agreement import EPSILON, agree, steady
from tests.second_opinion.designs import Condition, Exact, Points, condition, exact_fit, points

ROUNDINGS = 10.0
HARD = st.one_of(points("decades"), points("offset"))


def places(p: Points) -> np.ndarray:
    """Where the curve is looked at: on standards, between them, at zero and beyond."""
    return np.concatenate([p.x[:2], p.x.max() * np.array([0.0, 0.3, 0.9, 1.1])])


def rooms(p: Points, exact: Exact, of: Condition) -> tuple[float, float, float]:
    """What one rounding may do to coefficients, to covariances and to the residual standard deviation."""
    fitted = float(np.linalg.norm(exact.coefficients * of.length))
    signals = float(np.linalg.norm(np.sqrt(p.w) * p.y)) + fitted
    residuals = exact.residual_sum**0.5
    coefficients = of.number * signals / fitted + of.number**2 * residuals / fitted
    return EPSILON * coefficients, EPSILON * of.number, EPSILON * (of.number + signals / residuals)


def compare(p: Points) -> None:
    powers = list(range(p.degree + 1))
    exact, of = exact_fit(p.x, p.y, p.w, powers), condition(p.x, p.w, powers)
    ours = weighted_polynomial(p.x, p.y, p.w, p.degree)
    against_fractions(p, ours, exact, of)
    if of.number < 1e5:
        against_statsmodels(p, ours, exact, of)


def against_fractions(p: Points, ours: PolynomialFit, exact: Exact, of: Condition) -> None:
    coefficients, covariance, deviation = (ROUNDINGS * room for room in rooms(p, exact, of))
    scaled = exact.coefficients * of.length
    agree("coefficients", ours.coefficients * of.length, scaled, coefficients, np.linalg.norm(scaled))
    square = np.outer(of.length, of.length)
    unit = exact.unit_covariance * square
    agree("unit covariance", ours.root @ ours.root.T * square, unit, covariance, np.abs(unit).max())
    agree("residual sd", ours.residual_sd, exact.residual_sd, deviation)
    agree("residual sum", ours.residual_sum, exact.residual_sum, 2 * deviation)
    agree("total sum", ours.total_sum, exact.total_sum, 1e-12)
    variance = exact.residual_sd**2 * exact.unit_variance_at(places(p))
    agree("variance of the curve", ours.variance_at(places(p)), variance, covariance + 2 * deviation)
    errors = exact.residual_sd * np.sqrt(np.diag(exact.unit_covariance))
    agree("standard errors", ours.standard_errors, errors, covariance + deviation)


def against_statsmodels(p: Points, ours: PolynomialFit, exact: Exact, of: Condition) -> None:
    theirs = statsmodels.WLS(p.y, p.x[:, None] ** ours.powers / of.length, weights=p.w).fit()
    coefficients, covariance, deviation = (ROUNDINGS * room for room in rooms(p, exact, of))
    deviation *= of.number
    scaled, square = ours.coefficients * of.length, np.outer(of.length, of.length)
    agree("coefficients", scaled, theirs.params, coefficients, np.linalg.norm(theirs.params))
    expected = theirs.cov_params()
    whole = covariance + 2 * deviation
    agree("covariance", ours.covariance * square, expected, whole, np.abs(expected).max())
    agree("standard errors", ours.standard_errors * of.length, theirs.bse, whole)
    agree("residual variance", ours.residual_sd**2, theirs.mse_resid, 2 * deviation)
    agree("r squared", ours.r_squared, theirs.rsquared, 2 * deviation, 1.0)
    signals = np.linalg.norm(np.sqrt(p.w) * p.y) + np.linalg.norm(theirs.params)
    agree("residuals", np.sqrt(p.w) * ours.residuals, theirs.wresid, covariance, signals)
    at = theirs.get_prediction(places(p)[:, None] ** ours.powers / of.length)
    squared = covariance * of.number + 2 * deviation
    agree("variance of the curve", ours.variance_at(places(p)), at.se_mean**2, squared)
    assert ours.degrees_of_freedom == theirs.df_resid


@steady(150)
@given(points("even"))
def test_ordinary_standards(p: Points) -> None:
    assert condition(p.x, p.w, list(range(p.degree + 1))).number < 1e4
    compare(p)


@steady(200)
@given(HARD)
def test_five_decades_and_levels_far_from_zero(p: Points) -> None:
    compare(p)


def test_hard_means_hard() -> None:
    """Levels of 100 to 100.1 mg/L: a condition number of millions, and every digit that is left is right."""
    x = 100 + np.linspace(0, 0.1, 8)
    p = Points(x, 5 + 3 * x + 0.01 * x**2 + 1e-3 * np.cos(9 * x), np.ones(8), 2)
    assert 1e6 < condition(p.x, p.w, [0, 1, 2]).number < 1e9
    compare(p)


@steady(100)
@given(points("even"))
def test_lines_through_zero(p: Points) -> None:
    powers = list(range(1, p.degree + 1))
    ours = weighted_polynomial(p.x, p.y, p.w, p.degree, intercept=False)
    exact, of = exact_fit(p.x, p.y, p.w, powers), condition(p.x, p.w, powers)
    against_fractions(p, ours, exact, of)
    against_statsmodels(p, ours, exact, of)


@steady(150)
@given(points("even", "decades", "offset"))
def test_unweighted_lines_against_scipy(p: Points) -> None:
    ours, theirs = weighted_polynomial(p.x, p.y, np.ones(p.x.size), 1), stats.linregress(p.x, p.y)
    flat = Points(p.x, p.y, np.ones(p.x.size), 1)
    exact, of = exact_fit(flat.x, flat.y, flat.w, [0, 1]), condition(flat.x, flat.w, [0, 1])
    coefficients, covariance, deviation = (ROUNDINGS * room for room in rooms(flat, exact, of))
    found = np.array([theirs.intercept, theirs.slope]) * of.length
    agree("line", ours.coefficients * of.length, found, coefficients, np.linalg.norm(found))
    expected = [theirs.intercept_stderr, theirs.stderr]
    # scipy takes the residual sum as total times (1 - r^2): good to eps / (1 - r^2).
    lost = ROUNDINGS * EPSILON / (1 - exact_r_squared(exact))
    agree("standard errors", ours.standard_errors, expected, covariance + deviation + lost)
    agree("r squared", ours.r_squared, theirs.rvalue**2, 1e-12 + covariance, 1.0)
    # The test of the slope, as the curve's own test of being flat makes it: F = (slope / its error)^2.
    f = (ours.total_sum - ours.residual_sum) / ours.residual_sd**2
    p_value = stats.f.sf(f, 1, ours.degrees_of_freedom)
    agree("p of the slope", p_value, theirs.pvalue, 1e-6, max(theirs.pvalue, 1e-12))


def exact_r_squared(exact: Exact) -> float:
    return 1 - exact.residual_sum / exact.total_sum


@pytest.mark.parametrize("levels", [3, 4])
def test_no_degrees_of_freedom_left(levels: int) -> None:
    """As many points as coefficients: statsmodels divides by zero, here the scatter is not a number."""
    x = np.arange(1.0, levels + 1)
    fit = weighted_polynomial(x, 2 + 3 * x + x**3, np.ones(levels), levels - 1)
    assert fit.degrees_of_freedom == 0
    assert np.isnan(fit.residual_sd)
    assert np.isnan(fit.standard_errors).all()
