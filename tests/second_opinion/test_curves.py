"""Whole curves, their tests and limits against statsmodels and scipy, from the points on."""

from __future__ import annotations

import math
from statistics import median

import numpy as np
import statsmodels.regression.linear_model as statsmodels
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import brentq

from interpretation.errors import CalibrationError
from interpretation.laboratory.criteria import CurveCriteria
from interpretation.laboratory.detection import (
    blank_critical_value,
    blank_limits,
    calibration_limits,
    critical_value,
    mdl_limits,
)
from interpretation.laboratory.drift import slope_significance
from interpretation.laboratory.linearity import mandel, ratio_deviation
from tests.compute.calibration_runs import curve_of
from tests.second_opinion.agreement import EPSILON, agree, steady
from tests.second_opinion.curves import Fitted, fitted
from tests.second_opinion.designs import WEIGHTINGS

SCATTER = st.lists(st.floats(-1, 1), min_size=8, max_size=8)
LEVELS = np.array([1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 16.0, 20.0])


def uncertainty(f: Fitted, x: float, readings: int = 1) -> float:
    """Standard uncertainty of a concentration, all from statsmodels' numbers."""
    slope = f.parameters[1] + (2 * f.parameters[2] * x if f.parameters.size == 3 else 0.0)
    return math.sqrt(f.reading_variance_at(x) / readings + f.curve_variance_at(x)) / abs(slope)


# ------------------------------------------------------------------------------- the curve


@steady(100)
@given(fitted())
def test_scatter_weights_and_covariance(f: Fitted) -> None:
    weights = np.array([1 / max(x, f.lowest) ** f.power for x in f.x.tolist()])
    curve, mean_weight = f.curve, float(weights.mean())
    agree("weights", curve.fit.weights, weights / mean_weight, 1e-12)
    # Of a reading of average weight: statsmodels' residual variance belongs to weight 1.
    agree("residual variance", curve.residual_sd**2, f.scatter / mean_weight, f.rounding + 1e-12)
    for x in (0.0, f.lowest / 2, float(np.median(f.x)), float(f.x.max())):
        agree("variance", curve.signal_variance_at(x), f.reading_variance_at(x), f.rounding + 1e-12)
        agree("curve", curve.fit.variance_at(np.array(x)), f.curve_variance_at(x), f.rounding + 1e-12)


@steady(60)
@given(fitted())
def test_back_calculation_and_its_relative_error(f: Fitted) -> None:
    """Each standard's signal is looked for on statsmodels' curve; their relative misses, summed by hand."""
    size, top = f.parameters.size, float(f.x.max())
    misses = []
    for nominal, signal, back in zip(f.x, f.y, f.curve.back_calculated_mg_per_l, strict=True):
        roots = np.polynomial.Polynomial(f.parameters - signal * (np.arange(size) == 0)).roots()
        nearest = min((float(root.real) for root in roots), key=lambda root: abs(root - nominal))
        agree("back-calculated", back, nearest, f.rounding + 1e-9, top)
        if nominal > 0:
            misses.append((back - nominal) / nominal)
    by_hand = 100 * math.sqrt(sum(miss * miss for miss in misses) / (len(misses) - size))
    agree("relative standard error", f.curve.rse_percent, by_hand, 1e-12)


@steady(200)
@given(
    SCATTER,
    st.floats(0.001, 3),
    st.sampled_from(["1", "1/x", "1/x2"]),
    st.sampled_from(["linear", "quadratic"]),
)
def test_a_response_is_refused_as_none_by_the_f_test(
    errors: list[float], slope: float, weighting: str, model: str
) -> None:
    """statsmodels' p of the whole regression decides, at the default confidence of 99 %."""
    power = WEIGHTINGS[weighting]
    y = slope * LEVELS + 20 * np.array(errors) * (LEVELS / 20) ** (power / 2)
    columns = np.vander(LEVELS, 2 if model == "linear" else 3, increasing=True)
    found = statsmodels.WLS(y, columns, weights=1 / LEVELS**power).fit()
    assume(found.ssr > 1e-9 and np.ptp(y) > 1e-6)
    assume(abs(found.f_pvalue - 0.01) > 1e-9)
    response = "rising" if found.params[1] > 0 else "falling"
    told = ""
    try:
        curve_of(LEVELS, y, model, weighting, response=response, criteria=CurveCriteria())
    except CalibrationError as error:
        told = error.what
    flat = "the response of the standards is not distinguishable from none"
    assert (told == flat) == (found.f_pvalue > 0.01)
    # A line that differs from none is used; a quadratic may still bend over.
    assert model == "quadratic" or told in ("", flat)


# ------------------------------------------------------------------------------- linearity, trend


@steady(150)
@given(SCATTER, st.floats(-0.5, 0.5), st.floats(0.01, 5), st.sampled_from([0.95, 0.99]))
def test_mandel_is_the_f_test_of_the_quadratic_term(
    errors: list[float], bend: float, noise: float, confidence: float
) -> None:
    scatter = np.array(errors) + 0.3 * np.cos(2.0 * np.arange(8))
    y = 10 * LEVELS + bend * LEVELS**2 + noise * scatter
    line, quadratic = (statsmodels.OLS(y, np.vander(LEVELS, n, increasing=True)).fit() for n in (2, 3))
    assume(quadratic.ssr > 1e-9 * noise**2)
    f, p, _ = quadratic.compare_f_test(line)
    found = mandel(LEVELS, y, confidence)
    lost = 1e4 * EPSILON * line.ssr / quadratic.ssr + 1e3 * EPSILON * np.abs(y).max() / found.quadratic_sd
    agree("Mandel's F", found.statistic, f, lost, max(f, 1.0))
    agree("critical F", found.critical, stats.f.isf(1 - confidence, 1, 5), 1e-11)
    agree("sd of the line", found.linear_sd**2, line.mse_resid, lost)
    agree("sd of the quadratic", found.quadratic_sd**2, quadratic.mse_resid, lost)
    assume(abs(p - (1 - confidence)) > 1e-7)
    assert found.linear == (p > 1 - confidence)


@steady(60)
@given(st.lists(st.floats(1, 1000), min_size=3, max_size=9), st.floats(-1, 1))
def test_ratios_against_plain_python(signals: list[float], zero: float) -> None:
    x = [0.5 * 2**i for i in range(len(signals))]
    ratios = [(signal - zero) / level for signal, level in zip(signals, x, strict=True)]
    middle = median(ratios)
    assume(abs(middle) > 1e-6)
    expected = [100 * (ratio / middle - 1) for ratio in ratios]
    size = [100 * max(1.0, abs(ratio / middle)) for ratio in ratios]
    agree("deviation", ratio_deviation(x, signals, zero), expected, 1e-14, size)


@steady(100)
@given(st.lists(st.floats(80, 120), min_size=4, max_size=12), st.integers(1, 40))
def test_trend_of_checks_against_linregress(recovery: list[float], every: int) -> None:
    position, values = 3.0 + every * np.arange(len(recovery)), np.array(recovery)
    assume(np.ptp(values) > 1e-3)
    theirs = stats.linregress(position, values)
    assume(1 - theirs.rvalue**2 > 1e-9)
    change, p = slope_significance(position, values)
    agree("change", change, theirs.slope * np.ptp(position), 1e-11, np.ptp(values))
    agree("p", p, theirs.pvalue, 1e-6, max(theirs.pvalue, 1e-9))


# ------------------------------------------------------------------------------- limits


@steady(100)
@given(fitted(noise=0.15), st.sampled_from([0.05, 0.01]), st.integers(1, 3))
def test_limits_from_the_scatter_of_the_standards(f: Fitted, alpha: float, m: int) -> None:
    """Each limit is the first concentration, coming from zero, that meets its own definition."""
    t_one, t_two = float(stats.t.isf(alpha, f.df)), float(stats.t.isf(alpha / 2, f.df))
    critical = t_one * uncertainty(f, 0.0, m)
    digits = f.rounding + 1e-8
    agree("critical value", critical_value(f.curve, alpha, m), critical, digits)
    beyond = [x for x in f.x if x > 0 and x > 3 * t_two * uncertainty(f, x, m)]
    try:
        found = calibration_limits(f.curve, alpha, readings=m)
    except CalibrationError:
        assert not beyond
        return
    agree("detection", found.detection_mg_per_l, 2 * critical, digits)
    first = first_root(lambda x: x - 3 * t_two * uncertainty(f, x, m), min(beyond))
    # A root is found to a part in 10^9 of the standard above it.
    agree("quantification", found.quantification_mg_per_l, first, digits + 2e-9 * min(beyond) / first)
    # A stated error of missing a sample at the limit, instead of twice the critical value.
    missing = [x for x in f.x if x > 0 and x > critical + t_one * uncertainty(f, x, m)]
    first = first_root(lambda x: x - critical - t_one * uncertainty(f, x, m), min(missing))
    solved = calibration_limits(f.curve, alpha, beta=alpha, readings=m).detection_mg_per_l
    agree("detection at a stated error", solved, first, digits + 2e-9 * min(missing) / first)


def first_root(excess, top: float) -> float:
    """First change of sign on a fine net from 0 to top, and the root within."""
    net = top * np.concatenate([[0.0], np.geomspace(1e-9, 1, 400)])
    signs = np.array([excess(x) for x in net]) > 0
    first = int(signs.argmax())
    return float(brentq(excess, net[first - 1], net[first], xtol=1e-12 * net[first]))


@steady(60)
@given(fitted(noise=0.02), st.lists(st.floats(-1, 1), min_size=10, max_size=15), st.integers(1, 3))
def test_limits_from_blanks(f: Fitted, blanks: list[float], m: int) -> None:
    signals = f.parameters[0] + 0.01 * np.ptp(f.y) * np.array(blanks)
    spread = float(np.ptp(blanks))
    assume(spread > 1e-3)
    mean = math.fsum(signals) / len(signals)
    sd = math.sqrt(math.fsum((s - mean) ** 2 for s in signals) / (len(signals) - 1)) / abs(f.parameters[1])
    agree(
        "critical value",
        blank_critical_value(f.curve, signals, readings=m),
        stats.t.isf(0.05, len(signals) - 1) * sd * math.sqrt(1 / m + 1 / len(signals)),
        f.rounding + 1e-9,
    )
    assume(10 * sd < 0.99 * f.x.max())
    found = blank_limits(f.curve, signals)
    agree("detection", found.detection_mg_per_l, 3 * sd, f.rounding + 1e-9)
    agree("quantification", found.quantification_mg_per_l, 10 * sd, f.rounding + 1e-9)


@steady(60)
@given(
    st.lists(st.floats(0.5, 2), min_size=7, max_size=12),
    st.lists(st.floats(-0.2, 0.8), min_size=7, max_size=9),
)
def test_method_detection_limit(spikes: list[float], blanks: list[float]) -> None:
    of_spikes = stats.t.ppf(0.99, len(spikes) - 1) * np.std(spikes, ddof=1)
    of_blanks = np.mean(blanks) + stats.t.ppf(0.99, len(blanks) - 1) * np.std(blanks, ddof=1)
    found = mdl_limits(spikes, blanks)
    agree("detection limit", found.detection_mg_per_l, max(of_spikes, of_blanks), 1e-12, 1.0)
    agree("quantification limit", found.quantification_mg_per_l, 3 * found.detection_mg_per_l, 1e-15)
