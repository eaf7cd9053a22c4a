"""Inverse prediction: uncertainty, intervals, and the flags at every edge of the curve."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import stdtrit

from interpretation.laboratory.curve import fit_curve
from interpretation.laboratory.detection import limits_of
from interpretation.laboratory.flags import bit, mask, names
from interpretation.laboratory.inverse import SOLUTION, as_read, inverse, solution
from interpretation.laboratory.run import CurveChoice
from interpretation.results import Flag
from tests.compute.calibration_runs import curve_of, exclude, run_of

LEVELS = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0]
SIGNALS = [27.1, 51.7, 102.6, 251.0, 507.0, 999.0]
MODELS = [(model, w) for model in ("linear", "quadratic") for w in ("1", "1/x", "1/x2")]
RANGE = mask(Flag.OVER_RANGE, Flag.UNDER_RANGE)


# ------------------------------------------------------------------------------- uncertainty


@pytest.mark.parametrize("weighting", ["1", "1/x", "1/x2"])
@pytest.mark.parametrize("m", [1, 3])
def test_weighted_uncertainty_against_textbook_sums(weighting: str, m: int) -> None:
    # Massart et al. 1997, eq. 8.28 (as in the R package chemCal, read), the sample's own variance s^2/w0:
    # (1/b) sqrt(s^2/(w0 m) + s^2 (1/Sw + (y0 - yw)^2 Sw / (b^2 (Sw Swx2 - Swx^2))))
    x, y = np.array(LEVELS), np.array(SIGNALS)
    power = {"1": 0, "1/x": 1, "1/x2": 2}[weighting]
    w = 1 / x**power
    curve = curve_of(LEVELS, SIGNALS, "linear", weighting)
    a, b = curve.coefficients
    s2 = w @ (y - a - b * x) ** 2 / 4
    for y0 in (100.0, 400.0, 900.0):
        x0 = (y0 - a) / b
        slope_part = (y0 - w @ y / w.sum()) ** 2 * w.sum() / (b**2 * (w.sum() * (w @ x**2) - (w @ x) ** 2))
        by_hand = np.sqrt(s2 * x0**power / m + s2 * (1 / w.sum() + slope_part)) / b
        assert float(inverse(curve, y0, m).uncertainty) == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize("weighting", ["1", "1/x", "1/x2"])
def test_interval_of_a_line_solves_its_inequality(weighting: str) -> None:
    # At both ends (y0 - a - b x)^2 = t^2 (variance of the signal + variance of the line at x).
    curve = curve_of(LEVELS, [30.0, 40.0, 130.0, 220.0, 560.0, 950.0], "linear", weighting)
    t = stdtrit(4, 0.975)
    for y0 in (150.0, 900.0):
        found = inverse(curve, y0)
        own = curve.signal_variance_at(found.x)
        for end in (found.low, found.high):
            left = (y0 - curve.signal_at(end)) ** 2
            assert float(left) == pytest.approx(float(t**2 * (own + curve.fit.variance_at(end))), rel=1e-9)
        assert found.low < found.x < found.high


def test_interval_of_a_certain_slope_is_symmetric() -> None:
    curve = curve_of(LEVELS, SIGNALS)
    found = inverse(curve, 400.0)
    half = stdtrit(4, 0.975) * found.uncertainty
    assert float(found.low) == pytest.approx(float(found.x - half), rel=1e-3)
    assert float(found.high) == pytest.approx(float(found.x + half), rel=1e-3)
    assert found.high - found.x > found.x - found.low or found.x < np.mean(LEVELS)


def test_more_readings_and_lower_confidence_narrow_the_interval() -> None:
    curve = curve_of(LEVELS, SIGNALS, "quadratic", "1/x")
    one, four, sure = inverse(curve, 300.0), inverse(curve, 300.0, 4), inverse(curve, 300.0, 1, 0.99)
    assert four.uncertainty < one.uncertainty
    assert four.high < one.high < sure.high
    assert one.x == four.x == sure.x


@settings(max_examples=40, deadline=None)
@given(
    factor=st.floats(1e-3, 1e3), kind=st.sampled_from(MODELS), share=st.floats(0.02, 0.98),
    errors=st.lists(st.floats(-0.01, 0.01), min_size=6, max_size=6),
)  # fmt: skip
def test_signal_unit_leaves_concentrations_alone(
    factor: float, kind: tuple[str, str], share: float, errors: list[float]
) -> None:
    y = 2 + 50 * np.array(LEVELS) * (1 + np.array(errors))
    plain = inverse(curve_of(LEVELS, y, *kind), share * 1000)
    scaled = inverse(curve_of(LEVELS, factor * y, *kind), factor * share * 1000)
    assert np.array(scaled) == pytest.approx(np.array(plain), rel=1e-5, abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(kind=st.sampled_from(MODELS), share=st.floats(0.02, 0.98))
def test_falling_response_reads_the_same(kind: tuple[str, str], share: float) -> None:
    rising = inverse(curve_of(LEVELS, SIGNALS, *kind), share * 1000)
    mirrored = curve_of(LEVELS, [3000 - y for y in SIGNALS], *kind, response="falling")
    assert np.array(inverse(mirrored, 3000 - share * 1000)) == pytest.approx(np.array(rising), rel=1e-6)


def test_signals_of_any_shape() -> None:
    found = inverse(curve_of(LEVELS, SIGNALS), [[100.0, np.nan], [np.inf, 300.0]])
    assert found.x.shape == found.low.shape == (2, 2)
    assert np.isnan(found.x).tolist() == [[False, True], [True, False]]


# ------------------------------------------------------------------------------- flags


def exact_run(samples: list[float]) -> np.ndarray:
    """Flags of samples on signal = 10 x, 0.5 to 20 mg/L."""
    readings = run_of(LEVELS, [10 * x for x in LEVELS], samples=samples)
    frame = solution(readings, fit_curve(readings, CurveChoice()))
    return frame["flags"].to_numpy()[6:] & RANGE


def test_range_at_just_under_and_just_over_its_ends() -> None:
    # 0.5 and 20 mg/L give 5 and 200 units.
    under, at_low, inside, at_high, over = exact_run([4.9999, 5.0, 100.0, 200.0, 200.001])
    assert names(int(under)) == (Flag.UNDER_RANGE,)
    assert at_low == inside == at_high == 0
    assert names(int(over)) == (Flag.OVER_RANGE,)


def test_standards_themselves_are_within_range() -> None:
    readings = run_of(LEVELS, [10 * x + 0.1 for x in LEVELS])
    frame = solution(readings, fit_curve(readings, CurveChoice()))
    assert not (frame["flags"] & RANGE).any()


def test_excluding_the_top_standard_lowers_the_range() -> None:
    readings = exclude(run_of(LEVELS, SIGNALS, samples=[750.0]), "S6", "air bubble")
    frame = solution(readings, fit_curve(readings, CurveChoice()))
    assert frame["flags"].iloc[-1] == bit(Flag.OVER_RANGE)
    assert frame["solution_mg_per_l"].iloc[-1] == pytest.approx(15, abs=0.5)  # the number stays visible
    assert names(int(frame["flags"].iloc[5])) == (Flag.OVER_RANGE, Flag.EXCLUDED)


def test_limits_flag_a_cup_just_under_them() -> None:
    curve = curve_of(LEVELS, SIGNALS)
    limits = limits_of(curve, [])
    lod, loq = limits.detection_mg_per_l, limits.quantification_mg_per_l
    signals = curve.signal_at(np.array([lod * 0.999, lod * 1.001, loq * 0.999, loq * 1.001]))
    flags = solution(run_of([], [], samples=list(signals)), curve)["flags"].to_numpy()
    low = mask(Flag.BELOW_LOD, Flag.BELOW_LOQ)
    assert (flags & low).tolist() == [low, bit(Flag.BELOW_LOQ), bit(Flag.BELOW_LOQ), 0]


def test_quantification_limit_and_lowest_standard_are_two_things() -> None:
    # Scatter of 1 unit at 50 units per mg/L: a limit below the lowest standard. A cup between is UNDER_RANGE.
    curve = curve_of([2.0, 4.0, 8.0, 12.0, 16.0, 20.0], [101.0, 199.0, 401.0, 600.0, 799.0, 1001.0])
    assert limits_of(curve, []).quantification_mg_per_l < 1 < curve.lowest_mg_per_l
    frame = solution(run_of([], [], samples=[float(curve.signal_at(1.0))]), curve)
    assert names(int(frame["flags"].iloc[0])) == (Flag.UNDER_RANGE,)
    # And the other way round: noisy low standards, a limit above the lowest of them.
    noisy = curve_of(LEVELS, [30.0, 40.0, 130.0, 240.0, 520.0, 990.0])
    assert limits_of(noisy, []).quantification_mg_per_l > 1 > noisy.lowest_mg_per_l
    frame = solution(run_of([], [], samples=[float(noisy.signal_at(1.0))]), noisy)
    assert Flag.BELOW_LOQ in names(int(frame["flags"].iloc[0]))
    assert Flag.UNDER_RANGE not in names(int(frame["flags"].iloc[0]))


@pytest.mark.parametrize("response", ["rising", "falling"])
def test_signal_beyond_the_turning_point(response: str) -> None:
    # 20 x - 0.4 x^2 turns at 25 mg/L, 250 units; 20 x + 0.4 x^2 at -25 mg/L, -250 units.
    mirror = 1 if response == "rising" else -1
    for c, signal, flag in ((-0.4, 251.0, Flag.OVER_RANGE), (0.4, -251.0, Flag.UNDER_RANGE)):
        y = [mirror * (20 * x + c * x * x) for x in LEVELS]
        curve = curve_of(LEVELS, y, "quadratic", response=response)
        frame = solution(run_of([], [], samples=[mirror * signal]), curve)
        assert np.isnan(frame["solution_mg_per_l"].iloc[0])
        assert frame["flags"].iloc[0] & RANGE == bit(flag)
        assert not frame["flags"].iloc[0] & bit(Flag.NO_SIGNAL)


@pytest.mark.parametrize("signal", [np.nan, np.inf])
def test_cup_without_signal(signal: float) -> None:
    frame = solution(run_of([], [], samples=[signal]), curve_of(LEVELS, SIGNALS))
    assert names(int(frame["flags"].iloc[0])) == (Flag.NO_SIGNAL,)
    assert frame[list(SOLUTION)].isna().all(axis=None)


def test_frame_keeps_rows_columns_and_earlier_flags() -> None:
    readings = run_of(LEVELS, SIGNALS, samples=[100.0, 200.0])
    readings = readings.assign(flags=np.int64(bit(Flag.DRIFT_CORRECTED)))
    before = readings.copy()
    frame = solution(readings, fit_curve(readings, CurveChoice()))
    assert readings.equals(before)
    assert list(frame["cup_id"]) == list(readings["cup_id"])
    assert set(frame.columns) == {*readings.columns, *SOLUTION}
    assert frame["flags"].dtype == np.int64
    assert (frame["flags"] & bit(Flag.DRIFT_CORRECTED) != 0).all()
    assert (frame["solution_low_mg_per_l"] < frame["solution_mg_per_l"]).all()


# ------------------------------------------------------------------------------- concentrations


def test_concentrations_pass_as_read() -> None:
    readings = run_of([], [], samples=[np.nan] * 4).assign(
        solution_mg_per_l=[1.5, np.nan, np.nan, 2.5], below_mg_per_l=[np.nan, 0.05, np.nan, np.nan]
    )
    readings = exclude(readings, "004", "spilt")
    frame = as_read(readings)
    assert frame["solution_mg_per_l"].tolist()[::3] == [1.5, 2.5]
    assert frame["solution_uncertainty_mg_per_l"].isna().all()
    assert [names(int(one)) for one in frame["flags"]] == [
        (), (Flag.REPORTED_BELOW,), (Flag.NO_SIGNAL,), (Flag.EXCLUDED,),
    ]  # fmt: skip
