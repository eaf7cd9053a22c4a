"""Continuing checks, duplicates, replicates and spikes: which cups a failure reaches."""

from __future__ import annotations

import pytest

from interpretation.laboratory.flags import bit
from interpretation.results import CheckName, Flag, Outcome, Verdict
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
    standards,
)

PASS, WARN, HOLD, REJECT = Outcome.PASS, Outcome.WARN, Outcome.HOLD, Outcome.REJECT


def reading(mg_per_l: float) -> Cup:
    return cup("check", "C", mg_per_l, nominal_mg_per_l=5.0)


def flagged(cups: list[Cup], flag: Flag) -> list[str]:
    """Ids of the flagged cups, in order."""
    flags = judge(run_of(cups)).flags
    return [one["cup_id"] for one, mask in zip(cups, flags, strict=True) if mask & bit(flag)]


# -------------------------------------------------------------------------------- continuing checks


@pytest.mark.parametrize(
    ("found", "outcome"),
    [(4.499, HOLD), (4.5, PASS), (4.501, PASS), (5.499, PASS), (5.5, PASS), (5.501, HOLD)],
)
def test_a_continuing_check_within_ten_percent(found: float, outcome: Outcome) -> None:
    # of 5.0 mg/L: 4.5 is 90 %, 5.5 is 110 %
    report = judge(run_of(checked(samples(3.0), check_mg_per_l=(5.0, found))))
    line = lines_of(report, CheckName.CONTINUING_CHECK, "")[1]
    assert line.outcome is outcome
    assert report.verdict is (Verdict.HOLD if outcome is HOLD else report.verdict)


def test_everything_since_the_last_good_check_is_flagged_and_up_to_the_next_good_one() -> None:
    one, two, three, four = ([cup("sample", name, 3.0)] for name in ("A", "B", "C", "D"))
    cups = [
        *standards(),
        reading(5),
        *one,
        reading(5),
        *two,
        reading(6),
        *three,
        reading(5),
        *four,
        reading(5),
    ]
    assert flagged(cups, Flag.AFTER_FAILED_CHECK) == ["B", "C"]


def test_the_calibration_vouches_for_the_start_and_an_open_end_is_held() -> None:
    cups = [*standards(), cup("sample", "A", 3.0), reading(5), cup("sample", "B", 3.0)]
    assert flagged(cups, Flag.AFTER_FAILED_CHECK) == []
    (line,) = lines_of(judge(run_of(cups)), CheckName.CONTINUING_CHECK, "not-bracketed")
    assert (line.figure, line.outcome) == (1.0, HOLD)


def test_standards_and_blanks_are_not_flagged_after_a_failed_check() -> None:
    cups = [
        *standards(), reading(9), cup("blank", "B", 0.0), cup("wash", "W", 0.0),
        cup("method blank", "MB", 0.0), cup("reference soil", "R", 3.0), reading(5),
    ]  # fmt: skip
    assert flagged(cups, Flag.AFTER_FAILED_CHECK) == ["MB", "R"]


@pytest.mark.parametrize(("cups_between", "outcome"), [(19, PASS), (20, PASS), (21, WARN)])
def test_no_more_than_twenty_cups_between_checks(cups_between: int, outcome: Outcome) -> None:
    report = judge(run_of(checked(samples(*[3.0] * cups_between))))
    (line,) = lines_of(report, CheckName.CONTINUING_CHECK, "cups-between-checks")
    assert (line.figure, line.outcome) == (float(cups_between), outcome)


def test_a_check_taken_out_by_a_person_no_longer_counts() -> None:
    bad = reading(9) | {"excluded": True, "reason": "air bubble, re-read at once"}
    cups = [*standards(), reading(5), cup("sample", "A", 3.0), bad, reading(5)]
    assert flagged(cups, Flag.AFTER_FAILED_CHECK) == []
    assert {line.outcome for line in lines_of(judge(run_of(cups)), CheckName.CONTINUING_CHECK)} == {PASS}


def test_a_check_without_a_signal_has_failed() -> None:
    cups = [*standards(), reading(5), cup("sample", "A", 3.0), reading(float("nan"))]
    assert flagged(cups, Flag.AFTER_FAILED_CHECK) == ["A"]


# --------------------------------------------------------------------------------------- duplicates


def with_duplicate(first: float, second: float, **more: float) -> list[Cup]:
    return checked([cup("sample", "001", first), cup("duplicate", "001-D", second, of="001", **more)])


@pytest.mark.parametrize(
    ("second", "outcome"),
    # mean 4.0: 3.5 and 4.5 differ by 25 %; 3.501 and 4.499 by 24.95 %; 3.499 and 4.501 by 25.05 %
    [(4.499, PASS), (4.5, PASS), (4.501, HOLD)],
)
def test_duplicates_within_a_quarter_of_their_mean(second: float, outcome: Outcome) -> None:
    (line,) = lines_of(judge(run_of(with_duplicate(8.0 - second, second))), CheckName.DUPLICATE)
    assert line.outcome is outcome
    cups = with_duplicate(8.0 - second, second)
    expected = ["001", "001-D"] if outcome is HOLD else []
    assert flagged(cups, Flag.DUPLICATE_DISAGREES) == expected


@pytest.mark.parametrize(
    ("low", "detail", "outcome"),
    [(0.499, "below-reporting-level", PASS), (0.5, "", HOLD), (0.501, "", HOLD)],
)
def test_duplicates_are_not_compared_below_the_reporting_level(
    low: float, detail: str, outcome: Outcome
) -> None:
    # reporting level 0.5 mg/L; 0.5 and 1.0 differ by 66.7 %
    (line,) = lines_of(judge(run_of(with_duplicate(low, 1.0))), CheckName.DUPLICATE)
    assert (line.detail, line.outcome) == (detail, outcome)


def test_duplicates_meet_on_the_undiluted_scale() -> None:
    # 4.0 undiluted and 0.8 at 1 in 5 are the same extract
    (line,) = lines_of(judge(run_of(with_duplicate(4.0, 0.8, dilution=5.0))), CheckName.DUPLICATE)
    # The fit leaves the last bit of each reading to the machine's linear algebra.
    assert (line.figure, line.outcome) == (pytest.approx(0.0, abs=1e-9), PASS)


def test_a_duplicate_of_nothing_has_failed() -> None:
    cups = checked([*samples(3.0), cup("duplicate", "X-D", 3.0, of="X")])
    (line,) = lines_of(judge(run_of(cups)), CheckName.DUPLICATE)
    assert (line.outcome, line.detail) == (HOLD, "no-reading")


def test_a_disagreeing_sample_is_kept_back_where_the_laboratory_only_warns() -> None:
    lenient = LIMITS.duplicate.model_copy(update={"failed": WARN})
    limits = LIMITS.model_copy(update={"duplicate": lenient})
    done = measured([*with_duplicate(3.0, 5.0)[:-1], cup("sample", "002", 3.0), reading(5)], limits=limits)
    assert done.verdict is Verdict.ACCEPT
    assert done.soil["withheld"].tolist() == [Flag.DUPLICATE_DISAGREES.value, ""]
    assert done.soil_values["lab_number"].tolist() == ["002"]


# --------------------------------------------------------------------------------------- replicates


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    # mean 4.0: a range of 0.4 is 10 %
    [(3.801, 4.199, PASS), (3.8, 4.2, PASS), (3.799, 4.201, WARN)],
)
def test_replicate_cups_within_a_tenth(low: float, high: float, outcome: Outcome) -> None:
    cups = checked([cup("sample", "001", low), cup("sample", "001", high)])
    (line,) = lines_of(judge(run_of(cups)), CheckName.REPLICATE)
    assert (line.outcome, line.found, line.cup_id) == (outcome, 4.0, "001")
    # whether they agree or not, the mean is what they say: 4.0 x 10
    assert measured(cups).soil["value"].tolist() == [40.0]


def test_cups_of_different_dilution_are_no_replicates() -> None:
    cups = checked([cup("sample", "001", 4.0), cup("sample", "001", 1.0, dilution=10.0)])
    assert not lines_of(judge(run_of(cups)), CheckName.REPLICATE)
    assert measured(cups).soil["value"].tolist() == [40.0]  # the least diluted in range stands


def test_replicates_are_not_compared_below_the_reporting_level() -> None:
    cups = checked([cup("sample", "001", 0.4), cup("sample", "001", 0.8)])
    (line,) = lines_of(judge(run_of(cups)), CheckName.REPLICATE)
    assert (line.outcome, line.detail) == (PASS, "below-reporting-level")


# ------------------------------------------------------------------------------------------- spikes


@pytest.mark.parametrize(
    ("spiked", "outcome"),
    # 3.0 of its own and 2.0 added: 4.8 gives back 90 %, 5.2 gives back 110 %
    [(4.799, WARN), (4.8, PASS), (4.801, PASS), (5.199, PASS), (5.2, PASS), (5.201, WARN)],
)
def test_a_spike_gives_back_what_was_added(spiked: float, outcome: Outcome) -> None:
    cups = checked([*samples(3.0), cup("spike", "001-S", spiked, of="001", nominal_mg_per_l=2.0)])
    (line,) = lines_of(judge(run_of(cups)), CheckName.SPIKE)
    assert line.outcome is outcome


def test_the_sample_is_brought_to_the_dilution_of_its_spike() -> None:
    # 10 mg/L, at 1 in 5 it is 2 mg/L of its own; with 2.0 added the cup reads 4.0
    spike = cup("spike", "001-S", 4.0, of="001", nominal_mg_per_l=2.0, dilution=5.0)
    (line,) = lines_of(judge(run_of(checked([*samples(10.0), spike]))), CheckName.SPIKE)
    assert (line.figure, line.found, line.expected) == (100.0, 2.0, 2.0)


def test_a_spike_of_an_unread_sample_has_failed() -> None:
    spike = cup("spike", "X-S", 4.0, of="X", nominal_mg_per_l=2.0)
    (line,) = lines_of(judge(run_of(checked([*samples(10.0), spike]))), CheckName.SPIKE)
    assert (line.outcome, line.detail) == (WARN, "no-reading")
