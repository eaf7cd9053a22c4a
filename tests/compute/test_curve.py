"""Fitting a curve: what takes part, how it is weighted, and the laws every fit obeys."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from interpretation.laboratory.curve import fit_curve
from interpretation.laboratory.run import CurveChoice
from interpretation.laboratory.standards import ZERO_NOT_USED
from tests.compute.calibration_runs import LOOSE, curve_of, exclude, run_of

LEVELS = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0]
# 2 + 50 x, each signal moved by at most 1 % of 50 x
SIGNALS = [27.1, 51.7, 102.6, 251.0, 507.0, 999.0]
MODELS = [(model, w) for model in ("linear", "quadratic") for w in ("1", "1/x", "1/x2")]


# ------------------------------------------------------------------------------- what takes part


def test_zero_standard_is_listed_but_not_used_unless_chosen() -> None:
    readings = run_of([0, *LEVELS], [9.0, *SIGNALS])
    without = fit_curve(readings, CurveChoice())
    assert list(without.standards.retained) == [False] + 6 * [True]
    assert without.standards.reason[0] == ZERO_NOT_USED
    assert without.coefficients == pytest.approx(
        fit_curve(run_of(LEVELS, SIGNALS), CurveChoice()).coefficients
    )
    used = fit_curve(readings, CurveChoice(zero_standard=True))
    assert used.standards.retained.all()
    assert used.degrees_of_freedom == without.degrees_of_freedom + 1
    assert used.lowest_mg_per_l == without.lowest_mg_per_l == 0.5  # zero never opens the range downwards


def test_calibration_blanks_take_part_as_zero_when_chosen() -> None:
    as_blanks = run_of(LEVELS, SIGNALS, blanks=[1.9, 2.2])
    as_standards = run_of([*LEVELS, 0, 0], [*SIGNALS, 1.9, 2.2])
    choice = CurveChoice(zero_standard=True)
    assert fit_curve(as_blanks, choice).coefficients == pytest.approx(
        fit_curve(as_standards, choice).coefficients
    )
    assert fit_curve(as_blanks, CurveChoice()).standards.row.size == 6


def test_excluded_standard_stays_listed_and_shrinks_the_range() -> None:
    readings = exclude(run_of(LEVELS, SIGNALS), "S6", "air bubble")
    curve = fit_curve(readings, CurveChoice())
    assert curve.highest_mg_per_l == 10
    assert curve.standards.reason[5] == "air bubble"
    assert np.isnan(curve.residuals[5])
    assert curve.recovery_percent[5] == pytest.approx(100, abs=5)  # still told what it would have read
    low = fit_curve(exclude(run_of(LEVELS, SIGNALS), "S1", "spilt"), CurveChoice())
    assert low.lowest_mg_per_l == 1


def test_excluded_standard_without_reading_is_no_obstacle() -> None:
    readings = exclude(run_of(LEVELS, [*SIGNALS[:5], np.nan]), "S6", "no peak")
    assert np.isnan(fit_curve(readings, CurveChoice()).back_calculated_mg_per_l[5])


# ------------------------------------------------------------------------------- weights


@pytest.mark.parametrize(("weighting", "power"), [("1", 0), ("1/x", 1), ("1/x2", 2)])
def test_weights_average_one_and_zero_weighs_as_the_lowest(weighting: str, power: int) -> None:
    curve = curve_of([0, *LEVELS], [2.0, *SIGNALS], "linear", weighting)
    weights = curve.fit.weights
    assert weights.mean() == pytest.approx(1)
    assert weights[0] == weights[1]
    assert weights[1] / weights[6] == pytest.approx((20 / 0.5) ** power)
    # The variance of a reading is s^2 / weight: the same rule between standards, constant below.
    variance = curve.signal_variance_at(np.array([0.0, 0.25, 0.5, 2.0]))
    assert variance == pytest.approx(curve.residual_sd**2 / np.array([*weights[[0, 0, 1, 3]]]))


@pytest.mark.parametrize("weighting", ["1/x", "1/x2"])
def test_weighted_line_against_textbook_sums(weighting: str) -> None:
    # Weighted centroids: b = sum w (x - xw)(y - yw) / sum w (x - xw)^2, a = yw - b xw (Massart et al. 1997).
    x, y = np.array(LEVELS), np.array(SIGNALS)
    w = 1 / x ** (1 if weighting == "1/x" else 2)
    xw, yw = w @ x / w.sum(), w @ y / w.sum()
    b = w @ ((x - xw) * (y - yw)) / (w @ (x - xw) ** 2)
    assert curve_of(LEVELS, SIGNALS, "linear", weighting).coefficients == pytest.approx([yw - b * xw, b])


def test_replicates_of_one_level_count_as_often_as_read() -> None:
    curve = curve_of([*LEVELS, 20.0], [*SIGNALS, 1003.0])
    assert curve.degrees_of_freedom == 5
    # On equal weights a replicate pair pulls like its mean at weight 2.
    slope, intercept = np.polyfit(LEVELS, [*SIGNALS[:5], 1001.0], 1, w=np.sqrt([1, 1, 1, 1, 1, 2]))
    assert curve.coefficients == pytest.approx([intercept, slope])


# ------------------------------------------------------------------------------- laws


def noise(size: int) -> st.SearchStrategy[list[float]]:
    return st.lists(st.floats(-0.01, 0.01), min_size=size, max_size=size)


@settings(max_examples=40, deadline=None)
@given(order=st.permutations(range(6)), errors=noise(6), kind=st.sampled_from(MODELS))
def test_row_order_does_not_matter(order: list[int], errors: list[float], kind: tuple[str, str]) -> None:
    x, y = np.array(LEVELS), 2 + 50 * np.array(LEVELS) * (1 + np.array(errors))
    there, here = curve_of(x, y, *kind), curve_of(x[order], y[order], *kind)
    assert here.coefficients == pytest.approx(there.coefficients, rel=1e-7, abs=1e-7)
    assert here.rse_percent == pytest.approx(there.rse_percent, rel=1e-5, abs=1e-7)


@settings(max_examples=40, deadline=None)
@given(factor=st.floats(1e-4, 1e4), errors=noise(6), kind=st.sampled_from(MODELS))
def test_signal_unit_does_not_matter(factor: float, errors: list[float], kind: tuple[str, str]) -> None:
    y = 2 + 50 * np.array(LEVELS) * (1 + np.array(errors))
    plain, scaled = curve_of(LEVELS, y, *kind), curve_of(LEVELS, factor * y, *kind)
    assert scaled.coefficients == pytest.approx(factor * plain.coefficients, rel=1e-6, abs=1e-6 * factor)
    assert scaled.back_calculated_mg_per_l == pytest.approx(plain.back_calculated_mg_per_l, rel=1e-7)
    assert scaled.rse_percent == pytest.approx(plain.rse_percent, rel=1e-5, abs=1e-7)


@settings(max_examples=40, deadline=None)
@given(errors=noise(6), kind=st.sampled_from(MODELS))
def test_falling_response_is_the_mirror_of_the_rising_one(errors: list[float], kind: tuple[str, str]) -> None:
    y = 2 + 50 * np.array(LEVELS) * (1 + np.array(errors))
    rising = curve_of(LEVELS, y, *kind)
    falling = curve_of(LEVELS, 3000 - y, *kind, response="falling")
    assert falling.coefficients[1:] == pytest.approx(-rising.coefficients[1:], rel=1e-6, abs=1e-8)
    assert falling.residual_sd == pytest.approx(rising.residual_sd, rel=1e-6, abs=1e-9)
    assert falling.back_calculated_mg_per_l == pytest.approx(rising.back_calculated_mg_per_l, rel=1e-7)


@settings(max_examples=40, deadline=None)
@given(
    a=st.floats(-100, 100), b=st.floats(1, 100), c=st.floats(-0.02, 0.5), x0=st.floats(0, 20),
    kind=st.sampled_from(MODELS),
)  # fmt: skip
def test_exact_curves_are_found_and_inverted(
    a: float, b: float, c: float, x0: float, kind: tuple[str, str]
) -> None:
    # c >= -0.02 with b >= 1 puts the turning point at 25 mg/L or beyond, above the highest standard.
    c = c if kind[0] == "quadratic" else 0.0
    curve = curve_of(LEVELS, [a + b * x + c * x * x for x in LEVELS], *kind)
    assert float(curve.concentration(a + b * x0 + c * x0 * x0)) == pytest.approx(x0, abs=1e-8)
    assert float(curve.signal_at(x0)) == pytest.approx(a + b * x0 + c * x0 * x0, abs=1e-8)
    assert curve.rse_percent == pytest.approx(0, abs=1e-7)


def test_slope_of_a_quadratic_is_its_derivative() -> None:
    curve = curve_of(LEVELS, [1 + 3 * x + 0.1 * x * x for x in LEVELS], "quadratic")
    assert curve.slope_at(np.array([0.0, 10.0])) == pytest.approx([3, 5])
    assert curve.turning_point_mg_per_l == pytest.approx(-15)  # -3 / (2 * 0.1)


def test_criteria_are_data() -> None:
    tight = LOOSE.model_copy(update={"linear_levels": 7})
    assert fit_curve(run_of(LEVELS, SIGNALS), CurveChoice(), LOOSE)
    with pytest.raises(Exception, match="at least 7 different non-zero concentrations"):
        fit_curve(run_of(LEVELS, SIGNALS), CurveChoice(), tight)
