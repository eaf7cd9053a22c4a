"""Drift between checks, its correction, and trends along the run."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.laboratory.drift import slope_significance
from interpretation.laboratory.flags import names
from interpretation.results import CheckName, Flag, Outcome, Verdict
from tests.compute.laboratory_runs import (
    Cup,
    checked,
    cup,
    judge,
    lines_of,
    measured,
    run_of,
    samples,
    standards,
)

PASS, WARN, HOLD = Outcome.PASS, Outcome.WARN, Outcome.HOLD


@pytest.mark.parametrize(
    ("after", "outcome"),
    # from 100 %: 5.25 is 105 %, a change of 5 points; 4.75 is 95 %
    [(5.249, PASS), (5.25, PASS), (5.251, HOLD), (4.751, PASS), (4.75, PASS), (4.749, HOLD)],
)
def test_drift_of_five_points_between_checks(after: float, outcome: Outcome) -> None:
    (line,) = lines_of(judge(run_of(checked(samples(3.0), check_mg_per_l=(5.0, after)))), CheckName.DRIFT)
    assert line.outcome is outcome


def drifting(**more: float) -> list[Cup]:
    """A check reads 98 % at position 10 and 104 % at position 20; a sample of 10.0 mg/L stands at 15."""
    start = [*standards(), cup("second source", "Q", 5.0, nominal_mg_per_l=5.0)]
    blanks = [cup("method blank", "MB1", 0.0), cup("method blank", "MB2", 0.0)]
    check = [cup("check", "C", reading, nominal_mg_per_l=5.0) for reading in (4.9, 5.2)]
    middle = [cup("sample", f"{n:03d}", 10.0, **more) for n in range(11, 20)]
    return [*start, *blanks, check[0], *middle, check[1]]


def test_correction_divides_by_the_interpolated_response() -> None:
    # position 15 lies halfway: (98 + 104) / 2 = 101 %; 10.0 / 1.01 = 9.90099, x 10 = 99.0 mg/kg
    done = measured(drifting(), drift_correction=True)
    cups = done.cups.set_index("cup_id")
    assert cups.loc["015", "solution_mg_per_l"] == pytest.approx(10.0 / 1.01, abs=1e-9)
    assert done.soil.set_index("lab_number").loc["015", "value"] == 99.0
    assert Flag.DRIFT_CORRECTED in names(int(cups.loc["015", "flags"]))
    # position 11 lies a tenth of the way: 98.6 %
    assert cups.loc["011", "solution_mg_per_l"] == pytest.approx(10.0 / 0.986, abs=1e-9)


def test_what_shows_the_drift_stays_as_read() -> None:
    corrected, plain = (measured(drifting(), drift_correction=on).cups for on in (True, False))
    shows = corrected["kind"].isin(["standard", "check", "second source"])
    assert (corrected["solution_mg_per_l"] == plain["solution_mg_per_l"])[shows].all()
    assert not corrected.loc[shows, "flags"].any()


def test_correction_is_never_made_unasked() -> None:
    done = measured(drifting())
    (line,) = lines_of(done, CheckName.DRIFT)
    assert (line.figure, line.outcome) == (6.0, HOLD)
    assert done.verdict is Verdict.HOLD
    assert done.soil["value"].tolist() == [100.0] * 9


def test_corrected_drift_warns_and_says_so() -> None:
    done = measured(drifting(), drift_correction=True)
    (line,) = lines_of(done, CheckName.DRIFT)
    assert (line.figure, line.outcome, line.detail) == (6.0, WARN, "drift-corrected")


def test_outside_the_checks_nothing_is_corrected() -> None:
    cups = drifting()
    cups.insert(9, cup("sample", "early", 10.0))
    done = measured(cups, drift_correction=True).cups.set_index("cup_id")
    assert done.loc["early", "solution_mg_per_l"] == pytest.approx(10.0)
    assert Flag.DRIFT_CORRECTED not in names(int(done.loc["early", "flags"]))


def test_one_check_corrects_nothing() -> None:
    done = measured(drifting()[:-1], drift_correction=True)
    (line,) = lines_of(done, CheckName.DRIFT)
    assert (line.outcome, line.detail) == (WARN, "fewer-than-two-checks")
    assert done.cups["solution_mg_per_l"].iloc[-1] == pytest.approx(10.0)


# -------------------------------------------------------------------------------------------- trend


def walking(*percent: float) -> list[Cup]:
    """Checks of 5 mg/L with these recoveries, a sample between each two."""
    cups = standards()
    for number, recovery in enumerate(percent):
        cups += [cup("check", "C", 5 * recovery / 100, nominal_mg_per_l=5.0), cup("sample", f"{number}", 3.0)]
    return cups


def test_a_steady_walk_is_a_trend() -> None:
    # 2 points every second position, 4 steps: 8 % over the run, without scatter
    (line,) = lines_of(judge(run_of(walking(100, 102, 104, 106, 108))), CheckName.TREND)
    assert (line.outcome, line.detail) == (WARN, "trend-significant")
    assert line.figure == pytest.approx(8.0)


def test_the_same_change_by_scatter_is_none() -> None:
    (line,) = lines_of(judge(run_of(walking(100, 108, 99, 109, 104))), CheckName.TREND)
    assert (line.outcome, line.detail) == (PASS, "trend-not-significant")


@pytest.mark.parametrize(("last", "outcome"), [(104.9, PASS), (105.0, PASS), (105.1, WARN)])
def test_a_significant_walk_of_less_than_five_percent_passes(last: float, outcome: Outcome) -> None:
    steps = np.linspace(100, last, 4)
    (line,) = lines_of(judge(run_of(walking(*steps))), CheckName.TREND)
    assert (line.detail, line.outcome) == ("trend-significant", outcome)


def test_three_checks_are_too_few_to_see_a_trend() -> None:
    assert not lines_of(judge(run_of(walking(100, 104, 108))), CheckName.TREND)


def test_reference_soils_walk_too() -> None:
    cups = standards()
    for number, mg_per_l in enumerate((2.0, 2.2, 2.4, 2.6)):
        cups += [cup("reference soil", "R", mg_per_l), cup("sample", f"{number}", 3.0)]
    (line,) = lines_of(judge(run_of(cups)), CheckName.TREND)
    # 0.6 mg/L of a mean of 2.3: 26.1 %
    assert (line.cup_id, line.outcome) == ("R", WARN)
    assert line.figure == pytest.approx(60 / 2.3)


def test_slope_significance_against_a_line_worked_by_hand() -> None:
    # x 1..4, y 1 3 2 4: slope 4/5 = 0.8, residuals -0.3 0.9 -0.9 0.3, s^2 = 1.8/2 = 0.9, error sqrt(0.9/5),
    # t = 0.8 / 0.424264 = 1.885618, two-sided p with 2 degrees of freedom = 0.2 exactly
    change, p = slope_significance(np.array([1.0, 2, 3, 4]), np.array([1.0, 3, 2, 4]))
    assert change == pytest.approx(2.4)
    assert p == pytest.approx(0.2, abs=1e-12)


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=20), st.floats(0.1, 100))
def test_significance_does_not_depend_on_the_unit(values: list[float], scale: float) -> None:
    x, y = np.arange(len(values), dtype=float), np.array(values)
    change, p = slope_significance(x, y)
    assert 0 <= p <= 1
    scaled_change, _ = slope_significance(x, scale * y)
    assert scaled_change == pytest.approx(scale * change, rel=1e-6, abs=1e-6)
