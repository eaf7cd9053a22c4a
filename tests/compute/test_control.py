"""Control charts: every rule just broken and just not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.laboratory.control import broken_rules
from interpretation.laboratory.limits import Limits, ReferenceSoil
from interpretation.results import CheckName, Outcome, Verdict
from tests.compute.laboratory_runs import LIMITS, checked, cup, judge, lines_of, measured, run_of, samples


@pytest.mark.parametrize(
    ("recent", "value", "broken"),
    [
        ([], 2.0, ()),
        ([], 2.0001, ("1-2s",)),
        ([], -2.0001, ("1-2s",)),
        ([], 3.0, ("1-2s",)),
        ([], 3.0001, ("1-3s",)),
        ([2.0], 2.5, ("1-2s",)),
        ([2.0001], 2.5, ("2-2s",)),
        ([-2.5], 2.5, ("1-2s",)),  # R-4s looks within one run only
        ([1.1, 1.1, 1.0], 1.1, ()),
        ([1.1, 1.1, 1.1], 1.0, ()),
        ([1.1, 1.1, 1.1], 1.0001, ("4-1s",)),
        ([-1.1, -1.1, -1.1], -1.1, ("4-1s",)),
        ([0.1] * 8, 0.1, ()),
        ([0.1] * 9, 0.1, ("10x",)),
        ([0.1] * 8 + [0.0], 0.1, ()),
        ([0.1] * 9, -0.1, ()),
        ([2.1] * 9, 3.1, ("1-3s", "2-2s", "4-1s", "10x")),
    ],
)
def test_rules_that_look_back(recent: list[float], value: float, broken: tuple[str, ...]) -> None:
    assert broken_rules([value], recent) == [broken]


@pytest.mark.parametrize(
    ("run", "broken"),
    [
        ([2.0, -2.0], [(), ()]),  # 4 sd apart
        ([2.0, -2.0001], [(), ("R-4s",)]),
        ([2.0, 0.0, -2.0001], [(), (), ("R-4s",)]),
        ([2.0, -2.0001, 0.0], [(), ("R-4s",), ()]),
    ],
)
def test_range_within_a_run(run: list[float], broken: list[tuple[str, ...]]) -> None:
    assert broken_rules(run) == broken


@given(st.lists(st.floats(-5, 5), max_size=12), st.lists(st.floats(-5, 5), min_size=1, max_size=6))
def test_the_chart_is_symmetric(recent: list[float], run: list[float]) -> None:
    assert broken_rules(run, recent) == broken_rules([-z for z in run], [-z for z in recent])


def charted(*recent: float) -> Limits:
    """A reference soil of 30 mg/kg, 2 mg/kg between runs."""
    soil = ReferenceSoil(
        name="QR-1", method="bray1-1:10-colour", mean=30.0, sd=2.0, recent=recent, source="sm-2020"
    )
    return LIMITS.model_copy(update={"reference_soils": (soil,)})


@pytest.mark.parametrize(
    ("mg_per_l", "outcome", "detail"),
    # 1:10, so 3.4 mg/L is 34 mg/kg: 2 sd; 3.6 mg/L is 36 mg/kg: 3 sd
    [
        (3.4, Outcome.PASS, ""),
        (3.41, Outcome.WARN, "1-2s"),
        (3.6, Outcome.WARN, "1-2s"),
        (3.61, Outcome.REJECT, "1-3s"),
    ],
)
def test_a_reference_soil_on_its_chart(mg_per_l: float, outcome: Outcome, detail: str) -> None:
    report = judge(run_of(checked([*samples(3.0), cup("reference soil", "QR-1", mg_per_l)])), charted())
    (line,) = lines_of(report, CheckName.REFERENCE_SOIL)
    assert (line.outcome, line.detail, line.expected, line.found) == (outcome, detail, 30.0, 10 * mg_per_l)
    assert (report.verdict is Verdict.REJECT) == (outcome is Outcome.REJECT)


def test_earlier_runs_are_looked_back_at() -> None:
    # 32.2 is 1.1 sd, three times before and now
    report = judge(
        run_of(checked([*samples(3.0), cup("reference soil", "QR-1", 3.22)])), charted(32.2, 32.2, 32.2)
    )
    assert [line.detail for line in lines_of(report, CheckName.REFERENCE_SOIL)] == ["4-1s"]


def test_a_reference_soil_counts_its_blank_its_dilution_and_its_own_weight() -> None:
    cups = [*samples(3.0), cup("reference soil", "QR-1", 0.31, dilution=10.0)]
    whole = checked(cups)
    for one in whole:
        if one["kind"] == "method blank":
            one["solution_mg_per_l"] = 0.1
    listed = [{"lab_number": "001"}, {"lab_number": "QR-1", "soil_g": 2.5}]
    # (0.31 x 10 - 0.1) x 20 mL / 2.5 g = 24 mg/kg: (24 - 30) / 2 = -3 sd
    (line,) = lines_of(measured(whole, listed=listed, limits=charted()), CheckName.REFERENCE_SOIL)
    assert (line.found, line.figure, line.detail) == (24.0, -3.0, "1-2s")


def test_a_reference_soil_without_an_assigned_value_warns() -> None:
    report = judge(run_of(checked([*samples(3.0), cup("reference soil", "QR-2", 3.0)])), charted())
    (line,) = lines_of(report, CheckName.REFERENCE_SOIL)
    assert (line.outcome, line.detail, line.cup_id) == (Outcome.WARN, "no-assigned-value", "QR-2")


def test_the_assigned_value_belongs_to_one_method() -> None:
    other = charted().reference_soils[0].model_copy(update={"method": "olsen-1:20-colour"})
    limits = LIMITS.model_copy(update={"reference_soils": (other,)})
    report = judge(run_of(checked([*samples(3.0), cup("reference soil", "QR-1", 3.0)])), limits)
    assert lines_of(report, CheckName.REFERENCE_SOIL)[0].detail == "no-assigned-value"
