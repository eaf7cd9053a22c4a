"""Verdict, curve, matrix, blanks and range: each at, just inside and just outside its limit."""

from __future__ import annotations

import numpy as np
import pytest

from interpretation.laboratory.acceptance import matrix_lines
from interpretation.laboratory.flags import bit
from interpretation.laboratory.lines import tidied, tidy, verdict
from interpretation.results import CheckLine, CheckName, Flag, Outcome, Verdict
from tests.compute.laboratory_runs import (
    BRAY,
    LIMITS,
    checked,
    cup,
    judge,
    lines_of,
    measured,
    run_of,
    samples,
    standards,
)

PASS, WARN, HOLD, REJECT = Outcome.PASS, Outcome.WARN, Outcome.HOLD, Outcome.REJECT


def of(outcome: Outcome) -> CheckLine:
    return CheckLine(check=CheckName.MATRIX, outcome=outcome)


@pytest.mark.parametrize(
    ("outcomes", "expected"),
    [
        ((), Verdict.ACCEPT),
        ((PASS, WARN), Verdict.ACCEPT),
        ((WARN, HOLD, PASS), Verdict.HOLD),
        ((HOLD, REJECT, PASS), Verdict.REJECT),
    ],
)
def test_the_worst_outcome_is_the_verdict(outcomes: tuple[Outcome, ...], expected: Verdict) -> None:
    assert verdict([of(outcome) for outcome in outcomes]) is expected


def test_a_run_that_passes_everything_is_accepted() -> None:
    report = judge(run_of(checked(samples(1.5, 2.5))))
    assert report.verdict is Verdict.ACCEPT
    assert {line.outcome for line in report.checks} <= {PASS, WARN}
    assert not report.flags.any() or set(report.flags[-3:-1]) == {0}


def test_figures_are_compared_as_they_are_printed() -> None:
    assert 100 * 2.2 / 2.0 > 110  # binary
    assert tidy(100 * 2.2 / 2.0) == 110
    assert tidied(np.array([100 * 2.2 / 2.0, 0.0, -0.1 * 3])).tolist() == [110, 0, -0.3]


# ------------------------------------------------------------------------------------------- matrix


@pytest.mark.parametrize(
    ("standards_matrix", "outcome"),
    [
        ("Bray-1 extractant", PASS),
        ("  bray-1\u00a0 EXTRACTANT ", PASS),
        ("Bray-1 extractant, diluted", REJECT),
        ("water", REJECT),
    ],
)
def test_standards_must_be_made_in_the_extractant(standards_matrix: str, outcome: Outcome) -> None:
    (line,) = matrix_lines(standards_matrix, BRAY.matrix, LIMITS)
    assert line.outcome is outcome
    report = judge(run_of(checked(samples(2.0)), standards_matrix=standards_matrix))
    assert (report.verdict is Verdict.REJECT) == (outcome is REJECT)


def test_a_method_without_a_matrix_warns() -> None:
    (line,) = matrix_lines("water", "", LIMITS)
    assert (line.outcome, line.detail) == (WARN, "method-without-matrix")


# -------------------------------------------------------------------------------------------- curve


def test_a_curve_with_a_bad_standard_is_rejected_with_the_standard_named() -> None:
    cups = checked(samples(2.0))
    cups[1]["solution_mg_per_l"] = 1.3  # the standard of 1.0 mg/L reads 30 % high
    report = judge(run_of(cups))
    failed = [line for line in lines_of(report, CheckName.CURVE_RECOVERY) if line.outcome is REJECT]
    assert "S1" in [line.cup_id for line in failed]
    assert report.verdict is Verdict.REJECT
    # (run_of counts positions from 1, so the second standard sits at 2)
    assert next(line for line in failed if line.cup_id == "S1").position == 2


@pytest.mark.parametrize(
    ("found", "outcome"),
    [(2.2, PASS), (2.201, PASS), (2.202, REJECT), (1.8, PASS), (1.799, PASS), (1.798, REJECT)],
)
def test_standards_of_a_concentration_run_are_judged_by_their_recovery(
    found: float, outcome: Outcome
) -> None:
    # 2.201 / 2.0 = 110.05 %, printed 110.0 (half to even) and inside 90 to 110; 2.202 is 110.1 %
    # 1.799 / 2.0 = 89.95 %, printed 90.0; 1.798 is 89.9 %
    cups = checked(samples(3.0))
    cups[2]["solution_mg_per_l"] = found
    report = judge(run_of(cups, signal_kind="concentration"))
    line = next(line for line in lines_of(report, CheckName.CURVE_RECOVERY) if line.cup_id == "S2")
    assert line.outcome is outcome
    assert not lines_of(report, CheckName.CURVE_RSE)


def test_the_lowest_standard_has_the_wider_window() -> None:
    cups = checked(samples(3.0))
    cups[0]["solution_mg_per_l"] = 0.6  # 0.6 / 0.5 = 120 %, the limit of the lowest standard
    report = judge(run_of(cups, signal_kind="concentration"))
    line = lines_of(report, CheckName.CURVE_RECOVERY)[0]
    assert (line.figure, line.limit_high, line.outcome) == (120.0, 120.0, PASS)


def test_concentrations_without_standards_warn() -> None:
    cups = [one for one in checked(samples(3.0)) if one["kind"] != "standard"]
    report = judge(run_of(cups, signal_kind="concentration"))
    (line,) = lines_of(report, CheckName.CURVE_RECOVERY)
    assert (line.outcome, line.detail) == (WARN, "concentrations-without-standards")


# ------------------------------------------------------------------------------------------- blanks


@pytest.mark.parametrize("kind", ["blank", "method blank"])
@pytest.mark.parametrize(
    ("reading", "outcome"),
    [(0.2499, PASS), (0.25, PASS), (0.2501, HOLD), (-0.25, PASS), (-0.2501, HOLD)],
)
def test_a_blank_may_read_half_the_reporting_level(kind: str, reading: float, outcome: Outcome) -> None:
    # reporting level 0.5 mg/L: 0.25 / 0.5 = 50 %
    cups = checked(samples(3.0))
    row = next(n for n, one in enumerate(cups) if one["kind"] == kind)
    cups[row]["solution_mg_per_l"] = reading
    name = CheckName.CALIBRATION_BLANK if kind == "blank" else CheckName.METHOD_BLANK
    assert lines_of(judge(run_of(cups)), name)[0].outcome is outcome


@pytest.mark.parametrize(
    ("blank", "outcome"), [(2.699, PASS), (2.7, PASS), (2.701, HOLD), (3.0, HOLD), (3.5, HOLD)]
)
def test_a_batch_that_reads_no_more_than_its_blanks_is_held(blank: float, outcome: Outcome) -> None:
    # median of 2, 3, 4 is 3.0; 2.7 / 3.0 = 90 %
    cups = checked(samples(2.0, 3.0, 4.0))
    for one in cups:
        if one["kind"] == "method blank":
            one["solution_mg_per_l"] = blank
    (line,) = lines_of(judge(run_of(cups)), CheckName.BLANKS_AND_SAMPLES)
    assert (line.outcome, line.found, line.expected) == (outcome, 3.0, blank)


def test_samples_at_or_below_zero_read_no_more_than_their_blanks() -> None:
    (line,) = lines_of(judge(run_of(checked(samples(0.0, -0.1, 0.0)))), CheckName.BLANKS_AND_SAMPLES)
    assert line.outcome is HOLD


def test_one_method_blank_is_too_few() -> None:
    cups = [one for one in checked(samples(3.0)) if one["cup_id"] != "MB2"]
    (line,) = lines_of(judge(run_of(cups)), CheckName.METHOD_BLANK, "number-of-blanks")
    assert (line.figure, line.limit_low, line.outcome) == (1.0, 2.0, WARN)


def test_subtracted_blanks_are_not_missed() -> None:
    cups = [one for one in checked(samples(3.0)) if one["kind"] != "method blank"]
    assert lines_of(judge(run_of(cups)), CheckName.METHOD_BLANK)[0].outcome is HOLD
    assert not lines_of(judge(run_of(cups, blank_subtracted=True)), CheckName.METHOD_BLANK)


# ----------------------------------------------------------------------------------- second source


@pytest.mark.parametrize(
    ("found", "outcome"),
    [(4.499, HOLD), (4.5, PASS), (4.501, PASS), (5.499, PASS), (5.5, PASS), (5.501, HOLD)],
)
def test_second_source_within_ten_percent(found: float, outcome: Outcome) -> None:
    # of 5.0 mg/L: 4.5 is 90 %, 5.5 is 110 %
    cups = checked(samples(3.0))
    next(one for one in cups if one["kind"] == "second source")["solution_mg_per_l"] = found
    (line,) = lines_of(judge(run_of(cups)), CheckName.SECOND_SOURCE)
    assert (line.outcome, line.source) == (outcome, "sm-3020")


# ------------------------------------------------------------------------------- what is not there


@pytest.mark.parametrize(
    ("kind", "name", "outcome"),
    [
        ("blank", CheckName.CALIBRATION_BLANK, WARN),
        ("method blank", CheckName.METHOD_BLANK, HOLD),
        ("second source", CheckName.SECOND_SOURCE, WARN),
        ("check", CheckName.CONTINUING_CHECK, HOLD),
        ("check", CheckName.DRIFT, WARN),
        ("duplicate", CheckName.DUPLICATE, WARN),
        ("reference soil", CheckName.REFERENCE_SOIL, WARN),
    ],
)
def test_a_missing_kind_of_check_is_a_line_of_its_own(kind: str, name: CheckName, outcome: Outcome) -> None:
    cups = [one for one in checked(samples(3.0)) if one["kind"] != kind]
    (line,) = lines_of(judge(run_of(cups)), name)
    assert (line.outcome, line.figure) == (outcome, None)


def test_the_laboratory_decides_what_a_missing_check_leads_to() -> None:
    spike = LIMITS.spike.model_copy(update={"missing": HOLD})
    report = judge(run_of(checked(samples(3.0))), LIMITS.model_copy(update={"spike": spike}))
    assert lines_of(report, CheckName.SPIKE)[0].outcome is HOLD
    assert not lines_of(judge(run_of(checked(samples(3.0)))), CheckName.SPIKE)


def test_an_unreadable_check_has_failed() -> None:
    cups = checked(samples(3.0))
    next(one for one in cups if one["kind"] == "second source")["solution_mg_per_l"] = np.nan
    (line,) = lines_of(judge(run_of(cups)), CheckName.SECOND_SOURCE)
    assert (line.outcome, line.figure, line.detail) == (HOLD, None, "no-reading")


# -------------------------------------------------------------------------------------------- range


def test_over_range_asks_for_a_dilution_and_a_diluted_reading_answers_it() -> None:
    over = measured(checked(samples(20.0, 20.001)))
    (line,) = lines_of(over, CheckName.RANGE)
    assert (line.cup_id, line.limit_high) == ("002", 20.0)
    assert (line.outcome, line.detail) == (WARN, "dilute-with-extractant-and-rerun")
    answered = measured(checked([*samples(24.0), cup("sample", "001", 2.4, dilution=10.0)]))
    assert [line.outcome for line in lines_of(answered, CheckName.RANGE)] == [PASS]


def test_diluted_too_far_is_no_value_either() -> None:
    # over range undiluted, below the lowest standard at 1 in 100: the truth lies between, nobody knows where
    done = measured(checked([*samples(24.0), cup("sample", "001", 0.4, dilution=100.0)]))
    (line,) = lines_of(done, CheckName.RANGE)
    assert (line.outcome, line.detail) == (WARN, "diluted-too-far")
    assert done.soil["withheld"].tolist() == [Flag.OVER_RANGE.value]
    assert done.soil[["value", "below"]].isna().all(axis=None)


def test_a_concentration_run_has_the_range_of_its_method_when_it_lists_no_standards() -> None:
    method = BRAY.model_copy(update={"calibrated_from_mg_per_l": 0.5, "calibrated_to_mg_per_l": 20.0})
    cups = [one for one in checked(samples(0.49, 0.5, 20.0, 20.1)) if one["kind"] != "standard"]
    done = measured(cups, method, signal_kind="concentration")
    # 1:10, so 0.5 mg/L is 5 mg/kg and 20 mg/L is 200 mg/kg
    assert done.soil["below"].tolist() == pytest.approx([5.0, np.nan, np.nan, np.nan], nan_ok=True)
    assert done.soil["value"].tolist() == pytest.approx([np.nan, 5.0, 200.0, np.nan], nan_ok=True)
    assert done.soil["withheld"].tolist() == ["", "", "", Flag.OVER_RANGE.value]


def test_a_range_nobody_knows_is_said_so() -> None:
    cups = [one for one in checked(samples(3.0)) if one["kind"] != "standard"]
    (line,) = lines_of(judge(run_of(cups, signal_kind="concentration")), CheckName.RANGE)
    assert line.detail == "range-not-known"


# ------------------------------------------------------------------------------------- flags, order


def test_flags_come_back_in_the_order_of_the_rows() -> None:
    cups = checked(samples(3.0, 30.0))
    for one in cups:
        if "blank" in one["kind"]:
            one["solution_mg_per_l"] = (
                0.01  # at 0 the detection limit of an exact curve is a matter of rounding
            )
    run = run_of(cups)
    turned = run.readings.iloc[::-1].reset_index(drop=True)
    report = judge(run)
    backwards = judge(type(run)(run.header, turned, run.source))
    assert backwards.flags[::-1].tolist() == report.flags.tolist()
    assert backwards.checks == report.checks


def test_a_held_run_flags_its_samples() -> None:
    cups = checked(samples(3.0), check_mg_per_l=(5.0, 9.0))
    report = judge(run_of(cups))
    assert report.verdict is Verdict.HOLD
    is_sample = [one["kind"] == "sample" for one in cups]
    assert ((report.flags & bit(Flag.RUN_NOT_ACCEPTED)) != 0).tolist() == is_sample


def test_standards_alone_are_judged_too() -> None:
    report = judge(run_of(standards()))
    assert report.verdict is Verdict.HOLD  # no check at all, no method blank
