"""Rounding and classing: every limit at, just under and just over; certainty; censored values."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.classing import (
    ABOVE_SCALE,
    BELOW_SCALE,
    CENSORED_STRADDLES,
    classify,
    decimals_of,
    round_half_up,
)
from tests.small_world import classes, scale

NAN = float("nan")


def classed(values, table, uncertainties=None, below=None):
    values = np.atleast_1d(np.asarray(values, dtype=float))
    nothing = np.full(len(values), NAN)
    return classify(
        values,
        nothing if uncertainties is None else np.asarray(uncertainties, dtype=float),
        nothing if below is None else np.asarray(below, dtype=float),
        table,
    )


@pytest.mark.parametrize(
    ("value", "step", "expected"),
    [
        (9.4, 1, 9.0),
        (9.5, 1, 10.0),  # half up
        (9.499999, 1, 9.0),  # a measured difference, not an arithmetic one
        (9.499999999999998, 1, 10.0),  # 9.5 less two ulps
        (20 - 4e-15, 1, 20.0),
        (0.25, 0.1, 0.3),
        (0.35, 0.1, 0.4),  # 0.35 is 0.34999999999999997 in binary
        (2.675, 0.01, 2.68),  # 2.675 is 2.67499999999999982 in binary
        (12.4, 5, 10.0),
        (12.5, 5, 15.0),
        (0.37, 0.25, 0.25),
        (0.375, 0.25, 0.5),
        (-0.4, 1, 0.0),
    ],
)
def test_rounding_is_half_up_and_immune_to_binary_fractions(value, step, expected):
    assert round_half_up(np.array([value]), step)[0] == expected


def test_rounded_numbers_are_the_doubles_that_their_decimals_name():
    values = np.arange(0, 5000) / 10
    assert round_half_up(values, 0.1).tolist() == [float(f"{v:.1f}") for v in values]


@pytest.mark.parametrize(("step", "decimals"), [(5, 0), (1.0, 0), (10, 0), (0.5, 1), (0.1, 1), (0.25, 2)])
def test_decimals_of_a_step(step, decimals):
    assert decimals_of(step) == decimals


@pytest.mark.parametrize(
    ("value", "index"),
    [
        (0, 0),
        (9.4, 0),
        (9.5, 1),
        (10, 1),
        (19.4, 1),
        (19.5, 2),
        (20 - 4e-15, 2),
        (20, 2),
        (1e6, 2),
        (NAN, -1),
    ],
)
def test_lower_bounds_belong_to_their_class_after_rounding(value, index):
    table = scale(classes=classes(low=0, medium=10, high=20), round_to=1)
    assert classed(value, table).index[0] == index


@pytest.mark.parametrize(("value", "index"), [(0.29, 0), (0.3, 1), (0.1 + 0.2, 1), (0.7, 2), (0.69, 1)])
def test_decimal_limits_are_compared_as_decimals(value, index):
    # 0.7 counted in hundredths is 70 whole steps, although 0.7 / 0.01 is 69.99999999999999
    table = scale(classes=classes(low=0, medium=0.3, high=0.7), round_to=0.01)
    assert classed(value, table).index[0] == index


@pytest.mark.parametrize(("value", "index"), [(19, 0), (20, 0), (20.4, 0), (20.5, 1), (21, 1)])
def test_a_bound_open_below_belongs_to_the_class_underneath(value, index):
    table = scale(
        classes=[{"name": "low", "from": 0}, {"name": "high", "from": 20, "open_below": True}], round_to=1
    )
    assert classed(value, table).index[0] == index


def test_a_bound_between_two_steps_is_the_next_step():
    table = scale(classes=classes(low=0, high=3.05), round_to=0.1)
    assert classed([3.0, 3.04, 3.05, 3.1], table).index.tolist() == [0, 0, 1, 1]


def test_below_the_first_bound_is_refused_not_classed():
    table = scale(classes=classes(low=4, high=6), round_to=0.1)
    found = classed([3.94, 3.95, 4.0], table)  # 3.9, 4.0, 4.0 as reported
    assert found.index.tolist() == [-1, 0, 0]
    assert found.refusal.tolist() == [BELOW_SCALE, 0, 0]


@pytest.mark.parametrize(
    ("below", "refused"), [(5, False), (10, False), (10.1, True), (20, True), (0.5, False)]
)
def test_a_censored_value_is_classed_only_inside_the_first_class(below, refused):
    # "< 10" lies in [0, 10), the whole of the first class; "< 10.1" does not
    table = scale(classes=classes(low=0, medium=10, high=20))
    found = classed(NAN, table, below=[below])
    assert found.refusal[0] == (CENSORED_STRADDLES if refused else 0)
    assert found.index[0] == (-1 if refused else 0)
    assert math.isnan(found.reported[0])


@pytest.mark.parametrize(
    ("value", "index", "refusal"),
    [(70.0, 2, 0), (70.4, 2, 0), (70.5, -1, ABOVE_SCALE), (500.0, -1, ABOVE_SCALE)],
)
def test_above_the_end_of_a_scale_nothing_is_classed(value, index, refusal):
    # printed up to 70 in whole numbers: 70.4 is 70, 70.5 is 71
    found = classed(value, scale(ends_at=70), uncertainties=[1.0])
    assert (found.index[0], found.refusal[0]) == (index, refusal)
    assert np.isnan(found.probability[0]).all() == (index < 0)


def test_a_censored_value_on_a_scale_that_begins_above_zero_straddles():
    table = scale(classes=classes(low=4, high=6))
    assert classed(NAN, table, below=[5.0]).refusal[0] == CENSORED_STRADDLES


def test_probabilities_are_those_of_the_normal_distribution_at_the_edges():
    # Edges where rounding to 1 turns over: 9.5 and 19.5. Value 14.5, u = 5: one u from either.
    table = scale(classes=classes(low=0, medium=10, high=20), round_to=1)
    found = classed(14.5, table, [5.0])
    # Phi(-1) = 0.158655, from memory and any table of the normal distribution
    assert found.probability[0] == pytest.approx([0.158655, 0.68269, 0.158655], abs=2e-5)


@pytest.mark.parametrize(("value", "borderline"), [(9.5 + 1.95, True), (9.5 + 1.97, False), (9.5, True)])
def test_borderline_is_the_95_percent_interval_crossing_a_limit(value, borderline):
    # u = 1: the interval reaches 1.96 to either side
    table = scale(classes=classes(low=0, medium=10, high=20), round_to=1)
    assert classed(value, table, [1.0]).borderline[0] == borderline


@pytest.mark.parametrize("uncertainty", [NAN, 0.0])
def test_without_an_uncertainty_there_is_no_probability(uncertainty):
    found = classed(9.6, scale(), [uncertainty])
    assert np.isnan(found.probability).all()
    assert not found.borderline[0]


def test_what_lies_below_zero_counts_for_the_first_class():
    found = classed(0.2, scale(round_to=0.1), [1.0])
    assert found.probability[0].sum() == pytest.approx(1.0, abs=1e-6)
    assert found.probability[0][0] > 0.999


BOUNDS = st.lists(st.integers(1, 300), min_size=1, max_size=11, unique=True).map(sorted)
STEPS = st.sampled_from([0.01, 0.1, 0.25, 0.5, 1.0, 5.0])


@given(BOUNDS, STEPS, st.lists(st.floats(0, 400), min_size=2, max_size=40))
def test_law_classes_rise_with_the_value(bounds, step, values):
    table = scale(classes=classes(c0=0, **{f"c{b}": b for b in bounds}), round_to=step)
    index = classed(sorted(values), table).index
    assert (np.diff(index) >= 0).all()


@given(BOUNDS, STEPS, st.floats(0, 400))
def test_law_the_printed_number_and_the_printed_class_agree(bounds, step, value):
    table = scale(classes=classes(c0=0, **{f"c{b}": b for b in bounds}), round_to=step)
    found = classed(value, table)
    printed = float(f"{found.reported[0]:.{decimals_of(step)}f}")
    lower = [c.lower for c in table.classes if c.lower <= printed]
    assert found.index[0] == len(lower) - 1
    assert abs(printed - value) <= step / 2 * (1 + 1e-6)


@given(BOUNDS, st.floats(0.1, 400), st.floats(0.01, 50))
def test_law_probabilities_add_up_to_one(bounds, value, uncertainty):
    table = scale(classes=classes(c0=0, **{f"c{b}": b for b in bounds}))
    assert classed(value, table, [uncertainty]).probability[0].sum() == pytest.approx(1.0, abs=1e-5)
