"""Carry-over: seen by three high and three low cups, or by a blank after a high cup."""

from __future__ import annotations

import numpy as np
import pytest

from interpretation.laboratory.flags import names
from interpretation.results import CheckLine, CheckName, Flag, Outcome
from tests.compute.laboratory_runs import (
    LIMITS,
    Cup,
    checked,
    cup,
    judge,
    lines_of,
    measured,
    run_of,
    samples,
)

PASS, WARN = Outcome.PASS, Outcome.WARN


def high_low(*low: float) -> list[Cup]:
    """Three cups of 10 mg/L, then three low ones that read this."""
    high = [cup("wash", "H", x) for x in (10.0, 10.1, 10.0)]
    return [*high, *(cup("wash", "L", x) for x in low)]


def estimate(cups: list[Cup]) -> CheckLine:
    return lines_of(judge(run_of(cups)), CheckName.CARRY_OVER)[0]


def test_three_high_three_low() -> None:
    # (0.60 - 0.50) / (10.0 - 0.50) = 0.10 / 9.50 = 1.0526 %
    line = estimate(checked([*high_low(0.60, 0.51, 0.50), *samples(3.0)]))
    assert line.figure == pytest.approx(100 * 0.10 / 9.50)
    assert (line.detail, line.found) == ("carry-over-high-low", pytest.approx(0.60))


def test_scatter_never_makes_carry_over_negative() -> None:
    assert estimate(checked([*high_low(0.49, 0.50, 0.51), *samples(3.0)])).figure == 0.0


def test_three_and_three_of_the_same_are_no_pattern() -> None:
    cups = [*(cup("wash", "H", 10.0) for _ in range(6)), *samples(3.0)]
    assert estimate(checked(cups)).detail != "carry-over-high-low"


def test_a_blank_after_a_high_cup() -> None:
    # the blank stands behind the standard of 20: 0.2 / 20 = 1 % (no other blank, so nothing under it)
    cups = checked(samples(3.0))
    cups[6]["solution_mg_per_l"] = 0.2
    line = estimate(cups)
    assert (line.figure, line.detail, line.position) == (1.0, "carry-over-blank-after-high", 7)


def test_the_other_blanks_are_the_level_it_returns_to() -> None:
    # 0.2 behind 20, 0.1 elsewhere: (0.2 - 0.1) / (20 - 0.1)
    cups = [*checked(samples(3.0)), cup("blank", "B", 0.1)]
    cups[6]["solution_mg_per_l"] = 0.2
    assert estimate(cups).figure == pytest.approx(100 * 0.1 / 19.9)


@pytest.mark.parametrize(
    ("before", "outcome"),
    # 5 % of 4.99, 5.0 and 5.01 mg/L against half of 0.5 mg/L: 49.9, 50 and 50.1 % of the reporting level
    [(4.99, PASS), (5.0, PASS), (5.01, WARN)],
)
def test_a_cup_raised_by_half_the_reporting_level_is_flagged(before: float, outcome: Outcome) -> None:
    cups = checked(samples(before, 3.0))
    cups[6]["solution_mg_per_l"] = 1.0  # behind 20 mg/L: 5 %
    done = measured(cups)
    raised = lines_of(done, CheckName.CARRY_OVER, "carried-from-cup-before")
    assert [line.cup_id for line in raised if line.cup_id in ("001", "002")] == (
        ["002"] if outcome is WARN else []
    )
    flags = done.soil.set_index("lab_number").loc["002", "flags"]
    assert (Flag.CARRY_OVER in names(int(flags))) == (outcome is WARN)


def test_the_flagged_value_is_kept_back_and_only_that() -> None:
    # behind 20 mg/L the blank reads 0.4: 2 %. Of 18 mg/L that is 0.36 mg/L, more than 0.25
    cups = checked(samples(18.0, 3.0, 4.0))
    cups[6]["solution_mg_per_l"] = 0.25
    fine = measured(cups)
    assert fine.soil["withheld"].tolist() == ["", "", ""]
    cups[6]["solution_mg_per_l"] = 0.4
    blank = LIMITS.calibration_blank.model_copy(update={"failed": WARN})
    done = measured(cups, limits=LIMITS.model_copy(update={"calibration_blank": blank}))
    assert done.soil["withheld"].tolist() == ["", Flag.CARRY_OVER.value, ""]
    assert done.soil_values["lab_number"].tolist() == ["001", "003"]


def test_a_cup_beyond_the_turning_point_carries_at_least_the_top_standard() -> None:
    # 2 + 100 x - 1.2 x2 turns at 41.7 mg/L and 2085: a signal of 2500 has no concentration, but is far over
    # range. The blank behind 20 mg/L reads 0.5: 2.5 %. Of 20 mg/L that is 0.5 mg/L, the reporting level.
    cups = checked([cup("sample", "001", np.nan), *samples(np.nan, 3.0, 4.0)[1:]])
    cups[6]["solution_mg_per_l"] = 0.5
    bent = [one | {"signal": 2 + 100 * (x := one["solution_mg_per_l"]) - 1.2 * x * x} for one in cups]
    bent = [one | ({"signal": 2500.0} if one["cup_id"] == "001" else {}) for one in bent]
    done = measured(bent, curve={"model": "quadratic", "weighting": "1/x"})
    assert done.soil.set_index("lab_number")["withheld"].tolist() == ["over-range", "carry-over", ""]


def test_less_than_stays_true_behind_a_high_cup() -> None:
    cups = checked(samples(18.0, 0.45, 4.0))
    cups[6]["solution_mg_per_l"] = 0.4
    assert Flag.CARRY_OVER not in names(int(measured(cups).soil["flags"].iloc[1]))


def test_a_run_that_cannot_show_it_says_so() -> None:
    cups = [one for one in checked(samples(3.0)) if one["kind"] != "blank"]
    line = estimate(cups)
    assert (line.outcome, line.detail, line.figure) == (WARN, "carry-over-not-seen", None)


def test_an_unread_cup_carries_nothing_that_is_known() -> None:
    done = measured(checked([cup("sample", "001", np.nan), *samples(3.0)[:0], cup("sample", "002", 3.0)]))
    assert done.soil["withheld"].tolist() == [Flag.NO_SIGNAL.value, ""]
