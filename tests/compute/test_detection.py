"""Detection and quantification limits beyond the published cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import stdtrit

from interpretation.errors import CalibrationError
from interpretation.laboratory.curve import Curve
from interpretation.laboratory.detection import (
    blank_limits,
    blank_signals,
    calibration_limits,
    limits_of,
    mdl_limits,
)
from tests.compute.calibration_runs import curve_of, exclude, run_of

LEVELS = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0]
SIGNALS = [27.1, 51.7, 102.6, 251.0, 507.0, 999.0]


def exact() -> Curve:
    return curve_of(LEVELS, [2 + 50 * x for x in LEVELS])


@pytest.mark.parametrize("kind", [("linear", "1"), ("linear", "1/x"), ("quadratic", "1/x2")])
def test_quantification_limit_has_the_accepted_relative_half_width(kind: tuple[str, str]) -> None:
    # k = 3: the half-width t u of the 95 % interval is a third of the limit.
    curve = curve_of(LEVELS, SIGNALS, *kind)
    limit = calibration_limits(curve).quantification_mg_per_l
    half_width = stdtrit(curve.degrees_of_freedom, 0.975) * curve.uncertainty_at(limit)
    assert float(half_width) == pytest.approx(limit / 3, rel=1e-6)


def test_exact_curve_has_no_scatter_to_hide_in() -> None:
    limits = calibration_limits(exact(), beta=0.05)
    assert limits.detection_mg_per_l == pytest.approx(0, abs=1e-9)
    assert limits.quantification_mg_per_l == pytest.approx(0, abs=1e-9)


def test_blank_limits_by_hand() -> None:
    # Blanks 1, 2, 3: s = 1; slope 50: 3/50 and 10/50.
    limits = blank_limits(exact(), [1.0, 2.0, 3.0])
    assert (limits.detection_mg_per_l, limits.quantification_mg_per_l) == pytest.approx((0.06, 0.2))
    assert limits.definition == "blanks"


def test_blank_limits_of_a_falling_response_are_positive() -> None:
    falling = curve_of(LEVELS, [2000 - 50 * x for x in LEVELS], response="falling")
    assert blank_limits(falling, [1.0, 2.0, 3.0]).detection_mg_per_l == pytest.approx(0.06)


@pytest.mark.parametrize(
    ("blanks", "definition"),
    [
        ([1.0, 2.0] * 5, "blanks"),  # ten
        ([1.0, 2.0] * 4 + [1.5], "calibration"),  # nine
        ([0.0] * 12, "calibration"),  # no peak at all: no scatter to judge by
        ([], "calibration"),
    ],
)
def test_which_definition_applies(blanks: list[float], definition: str) -> None:
    assert limits_of(curve_of(LEVELS, SIGNALS), blanks).definition == definition


def test_only_calibration_blanks_with_a_reading_count() -> None:
    readings = run_of(LEVELS, SIGNALS, blanks=[1.0, 2.0, np.nan, 9.0], samples=[1.0])
    readings.loc[readings["cup_id"] == "001", "kind"] = "method blank"
    assert blank_signals(exclude(readings, "B4", "contaminated")).tolist() == [1.0, 2.0]


def test_scatter_beyond_the_highest_standard() -> None:
    # Residuals (+1, -2, 0, +2, -1) e: F = 3 / e^2 = 38.3 passes the slope test even at 99 % (34.1), but with
    # s = 0.511, t = 3.18 the half-width at 5 mg/L is 2.06, more than a third of it.
    e = 0.28
    curve = curve_of([1.0, 2.0, 3.0, 4.0, 5.0], [1 + e, 2 - 2 * e, 3, 4 + 2 * e, 5 - e])
    with pytest.raises(CalibrationError) as caught:
        limits_of(curve, [])
    assert caught.value.what == "the scatter is so large that no concentration on the curve can be quantified"
    assert "highest standard 5 mg/L" in caught.value.where
    assert caught.value.expected == "a quantification limit below the highest retained standard"


def test_quadratic_flat_at_its_top_is_quantified_lower_down() -> None:
    # 10 x - x^2 / 4.02 turns at 20.1 mg/L: at 20 the slope is nearly nil and 3 t u exceeds 20 mg/L itself,
    # at 0.5 the slope is nearly 10.
    noise = [0.1, -0.1, 0.1, -0.1, 0.03, -0.03]
    y = [10 * x - x * x / 4.02 + e for x, e in zip(LEVELS, noise, strict=True)]
    curve = curve_of(LEVELS, y, "quadratic")
    assert 3 * stdtrit(curve.degrees_of_freedom, 0.975) * float(curve.uncertainty_at(20.0)) > 20
    assert 0 < limits_of(curve, []).quantification_mg_per_l < 0.5


def test_blanks_that_scatter_beyond_the_highest_standard() -> None:
    # s = 100 of blanks 0, 100, 200: 10 s / 50 = 20 mg/L is the top standard itself; a little more is refused.
    assert blank_limits(exact(), [0.0, 99.9, 199.8]).quantification_mg_per_l == pytest.approx(19.98)
    with pytest.raises(CalibrationError, match="no concentration on the curve can be quantified"):
        blank_limits(exact(), [0.0, 100.1, 200.2])


def test_mdl_takes_the_larger_of_spikes_and_blanks() -> None:
    spikes = [2.05, 1.98, 2.11, 1.93, 2.07, 2.01, 1.99]
    alone = mdl_limits(spikes).detection_mg_per_l
    quiet = mdl_limits(spikes, [0.0, 0.001] * 4)
    loud = mdl_limits(spikes, [0.5] * 7)  # no scatter, but a mean of 0.5 mg/L
    assert quiet.detection_mg_per_l == alone
    assert loud.detection_mg_per_l == pytest.approx(0.5)
    assert loud.definition == "mdl"


@pytest.mark.parametrize(("spikes", "blanks", "what"), [(6, 0, "6 spikes"), (7, 6, "6 blanks")])
def test_mdl_needs_seven(spikes: int, blanks: int, what: str) -> None:
    with pytest.raises(CalibrationError, match=f"{what} are too few for a method detection limit"):
        mdl_limits([1.0] * spikes, [0.0] * blanks)


@settings(max_examples=30, deadline=None)
@given(spread=st.floats(1.1, 3.0))
def test_limits_grow_with_the_scatter(spread: float) -> None:
    curve = curve_of(LEVELS, SIGNALS)
    fitted = curve.signal_at(np.array(LEVELS))
    wider = curve_of(LEVELS, list(fitted + spread * (np.array(SIGNALS) - fitted)))
    near, far = limits_of(curve, []), limits_of(wider, [])
    assert far.detection_mg_per_l == pytest.approx(spread * near.detection_mg_per_l)
    assert far.quantification_mg_per_l > near.quantification_mg_per_l
