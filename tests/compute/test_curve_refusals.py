"""Calibrations that are refused, and the message each gets."""

from __future__ import annotations

import numpy as np
import pytest

from interpretation.errors import CalibrationError
from interpretation.laboratory.criteria import DEFAULT_CRITERIA, CurveCriteria
from interpretation.laboratory.curve import fit_curve
from interpretation.laboratory.polynomial import weighted_polynomial
from interpretation.laboratory.run import CurveChoice
from tests.compute.calibration_runs import LOOSE, curve_of, exclude, run_of

LEVELS = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0]
SIGNALS = [27.1, 51.7, 102.6, 251.0, 507.0, 999.0]


def refusal(*args: object, **kwargs: object) -> CalibrationError:
    """The error of a curve that must not come about; it has all four parts."""
    with pytest.raises(CalibrationError) as caught:
        fit_curve(*args, **kwargs)  # type: ignore[arg-type]
    error = caught.value
    assert error.what
    assert error.expected
    assert error.fix
    return error


# ------------------------------------------------------------------------------- standards


def test_no_standards() -> None:
    assert refusal(run_of([], [], samples=[5.0]), CurveChoice()).what == "the run has no standards"


@pytest.mark.parametrize(("nominal", "shown"), [(np.nan, "nan"), (-1.0, "-1"), (np.inf, "inf")])
def test_nominal_value_must_be_a_concentration(nominal: float, shown: str) -> None:
    error = refusal(run_of([nominal, *LEVELS], [1.0, *SIGNALS]), CurveChoice())
    assert error.what == f"nominal value {shown} mg/L is not a concentration"
    assert error.where == "standard 'S1', row 2"


def test_all_excluded() -> None:
    readings = run_of(LEVELS, SIGNALS)
    for cup in readings["cup_id"]:
        readings = exclude(readings, cup, "wrong reagent")
    error = refusal(readings, CurveChoice())
    assert error.what == "every standard is excluded or not used"
    assert error.where == "6 standards"


def test_standard_without_signal() -> None:
    error = refusal(run_of(LEVELS, [*SIGNALS[:5], np.nan]), CurveChoice())
    assert error.what == "a retained standard has no signal"
    assert error.where == "standard 'S6', row 7"


@pytest.mark.parametrize("signal", [np.inf, -np.inf])
def test_standard_with_infinite_signal(signal: float) -> None:
    error = refusal(run_of(LEVELS, [signal, *SIGNALS[1:]]), CurveChoice())
    assert error.what == "the signal of a retained standard is not finite"
    assert error.where == "standard 'S1', row 2"


def test_zero_standard_chosen_but_absent() -> None:
    error = refusal(run_of(LEVELS, SIGNALS), CurveChoice(zero_standard=True))
    assert error.what == "the curve is to include a zero standard, but the run has none"
    # An excluded zero is none either.
    zero_out = exclude(run_of([0, *LEVELS], [2.0, *SIGNALS]), "S1", "contaminated")
    assert refusal(zero_out, CurveChoice(zero_standard=True)).what == error.what


@pytest.mark.parametrize(("model", "needed"), [("linear", 5), ("quadratic", 6)])
def test_levels_at_and_under_the_minimum(model: str, needed: int) -> None:
    choice = CurveChoice(model=model, weighting="1")  # type: ignore[arg-type]
    assert fit_curve(run_of(LEVELS[:needed], SIGNALS[:needed]), choice)
    # One level fewer; zero and a second reading of a level do not make up for it.
    few = [0.0, LEVELS[0], *LEVELS[: needed - 1]]
    error = refusal(run_of(few, [2.0, 27.0, *SIGNALS[: needed - 1]]), choice)
    assert error.what.startswith(
        f"too few standards for a {model} curve: {needed - 1} non-zero levels (0.5, 1,"
    )
    assert error.expected == f"at least {needed} different non-zero concentrations (sm-6020)"


def test_only_zero_standards() -> None:
    error = refusal(run_of([0, 0, 0], [1.0, 2.0, 3.0]), CurveChoice(zero_standard=True))
    assert error.what == "too few standards for a linear curve: 0 non-zero levels (none mg/L)"


def test_core_needs_as_many_points_as_coefficients() -> None:
    with pytest.raises(CalibrationError, match="2 points cannot determine 3 coefficients"):
        weighted_polynomial([1, 2], [1, 2], [1, 1], 2)
    with pytest.raises(CalibrationError, match="the points do not determine 3 coefficients"):
        weighted_polynomial([1, 1, 2, 2], [1, 2, 3, 4], [1, 1, 1, 1], 2)


# ------------------------------------------------------------------------------- response


def test_constant_signal() -> None:
    error = refusal(run_of(LEVELS, [0.1 + 0.2] * 6), CurveChoice())
    assert error.what == "the response of the standards is not distinguishable from none"
    assert error.where == "6 retained standards, F = 0"
    # F(1, 4; 0.99) = 21.2
    assert error.expected == "F above 21.2 (99 % confidence)"


def test_change_of_rounding_size_is_no_response() -> None:
    # A perfect line, but 2e-10 of the signal over the whole range: no instrument resolves that.
    error = refusal(run_of(LEVELS, [1 + 1e-11 * x for x in LEVELS]), CurveChoice())
    assert error.where == "6 retained standards, F = 0"


def test_scatter_hides_the_slope() -> None:
    error = refusal(run_of(LEVELS, [50.0, 10.0, 90.0, 20.0, 80.0, 60.0]), CurveChoice(weighting="1"))
    assert error.what == "the response of the standards is not distinguishable from none"


@pytest.mark.parametrize(("e", "refused"), [(0.296, False), (0.297, True)])
def test_slope_at_its_critical_value(e: float, refused: bool) -> None:
    # x = 1..5, residuals (+1, -2, 0, +2, -1) e are orthogonal to 1 and x: sum of squares 10 e^2,
    # s^2 = 10 e^2 / 3, Sxx = 10, slope 1, so F = 10 / s^2 = 3 / e^2. F(1, 3; 0.99) = 34.116:
    # e = 0.296 gives 34.24, e = 0.297 gives 34.01.
    y = [1 + e, 2 - 2 * e, 3.0, 4 + 2 * e, 5 - e]
    choice = CurveChoice(weighting="1")
    if refused:
        assert "not distinguishable" in refusal(run_of([1, 2, 3, 4, 5], y), choice).what
    else:
        assert fit_curve(run_of([1, 2, 3, 4, 5], y), choice).coefficients[1] == pytest.approx(1)


def test_slope_confidence_never_falls_below_that_of_the_intervals() -> None:
    with pytest.raises(ValueError, match=r"greater than or equal to 0\.95"):
        CurveCriteria(slope_confidence=0.9)


@pytest.mark.parametrize(
    ("response", "y", "found"),
    [("rising", SIGNALS[::-1], "falling"), ("falling", SIGNALS, "rising")],
)
def test_response_against_the_declared_direction(response: str, y: list[float], found: str) -> None:
    choice = CurveChoice(response=response, weighting="1")  # type: ignore[arg-type]
    error = refusal(run_of([0.5, 4.0, 8.0, 12.0, 16.0, 20.0], [*y]), choice, LOOSE)
    assert error.what == f"the response is declared {response}, but the standards are {found}"


@pytest.mark.parametrize(
    ("c", "refused"),
    # y = 10 x + c x^2 turns at -5 / c: 19.9 and 20.1 mg/L, the highest standard being 20.
    [(-5 / 19.9, True), (-5 / 20.1, False)],
)
def test_quadratic_bending_over_at_the_top(c: float, refused: bool) -> None:
    readings = run_of(LEVELS, [10 * x + c * x * x for x in LEVELS])
    choice = CurveChoice(model="quadratic", weighting="1")
    if refused:
        error = refusal(readings, choice)
        assert error.what == "the quadratic bends over at 19.9 mg/L, within its own range"
        assert error.where == "0 to 20 mg/L"
    else:
        assert fit_curve(readings, choice).turning_point_mg_per_l == pytest.approx(20.1)


@pytest.mark.parametrize(("turn", "refused"), [(0.3, True), (0.001, True), (-0.1, False)])
def test_quadratic_turning_below_the_lowest_standard(turn: float, refused: bool) -> None:
    # y = (x - turn)^2 + 5: between zero and the lowest standard a blank would have two readings.
    readings = run_of(LEVELS, [(x - turn) ** 2 + 5 for x in LEVELS])
    choice = CurveChoice(model="quadratic", weighting="1")
    if refused:
        assert refusal(readings, choice).what.startswith(f"the quadratic bends over at {turn:g} mg/L")
    else:
        assert fit_curve(readings, choice)


def test_quadratic_that_misses_its_own_top_standard() -> None:
    # A flat end: the fitted curve turns at 21.2 mg/L, beyond the top standard, but at 105.3, below its 106.8.
    x = [2.0, 5.0, 8.0, 12.0, 19.0, 20.0]
    y = [19.0, 44.0, 64.8, 85.7, 102.0, 106.8]
    error = refusal(run_of(x, y), CurveChoice(model="quadratic", weighting="1"))
    assert error.what == "the quadratic never reaches the signal of one of its own standards"
    assert error.where == "standard 'S6', row 7"


# ------------------------------------------------------------------------------- replicates


def test_mixed_up_replicate_is_named_with_its_partner() -> None:
    # The second "5 mg/L" is really a 10: its signal is double.
    error = refusal(run_of([*LEVELS, 5.0], [*SIGNALS, 505.0]), CurveChoice())
    assert error.what == "replicate standards of 5 mg/L disagree beyond any scatter"
    assert error.where == "'S4' (row 5) 251, 'S7' (row 8) 505"


def test_mixed_up_blanks_are_refused_too() -> None:
    # A "blank" as large as 2 mg/L among blanks of 2 units.
    readings = run_of(LEVELS, SIGNALS, blanks=[2.0, 2.1, 102.0])
    error = refusal(readings, CurveChoice(zero_standard=True))
    assert error.what == "replicate standards of 0 mg/L disagree beyond any scatter"


@pytest.mark.parametrize(("gap", "refused"), [(0.49, False), (0.51, True)])
def test_replicate_spread_at_its_percentage(gap: float, refused: bool) -> None:
    # On y = 10 x exactly, so the other levels leave no scatter: replicates of 10 mg/L at 100 -/+ half the gap
    # leave slope and intercept alone only nearly; 49 and 51 % of about 100 units lie either side of 50 %.
    x = [2.0, 6.0, 10.0, 10.0, 14.0, 18.0]
    y = [20.0, 60.0, 100 - 50 * gap, 100 + 50 * gap, 140.0, 180.0]
    choice = CurveChoice(weighting="1")
    if refused:
        assert "disagree beyond any scatter" in refusal(run_of(x, y), choice).what
    else:
        assert fit_curve(run_of(x, y), choice)


def test_wide_replicates_among_wide_scatter_are_not_a_mix_up() -> None:
    # Replicates of 1 mg/L 90 % apart, but the other levels scatter by as much: noise, not a wrong cup.
    x = [1.0, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0]
    y = [5.0, 14.0, 26.0, 34.0, 67.0, 74.0, 105.0, 114.0]
    assert curve_of(x, y, criteria=DEFAULT_CRITERIA)


def test_replicates_are_judged_by_the_scatter_expected_at_their_level() -> None:
    # 1/x2 says that scatter grows with concentration. 20 % up and down at every level: replicates of 20 mg/L
    # 60 % apart are within six of their own standard deviations, though not of those at 0.5 mg/L.
    x = [*LEVELS, 20.0]
    errors = [0.2, -0.2, 0.2, -0.2, 0.2, -0.3, 0.3]
    y = [50 * xi * (1 + e) for xi, e in zip(x, errors, strict=True)]
    assert curve_of(x, y, "linear", "1/x2")


def test_window_of_the_lowest_standard_is_the_wider() -> None:
    with pytest.raises(ValueError, match="must hold that of the others"):
        CurveCriteria(lowest_recovery_low_percent=95)
