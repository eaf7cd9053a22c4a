"""Amounts: each kind of table, credits, cap, floor, rounding, and what is refused instead of guessed."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.rates import rates
from tests.small_world import rate

NAN = float("nan")
NAMES = ("low", "medium", "high")


def one(table, class_names=NAMES, **columns):
    """Rate, and what was missing, of a single sample."""
    found = rates(table, {name: np.atleast_1d(value) for name, value in columns.items()}, 1, class_names)
    return found.rate[0], found.missing[0]


def refused(result, name):
    return np.isnan(result[0]) and result[1] == name


@pytest.mark.parametrize(("index", "expected"), [(0, 80), (1, 40), (2, 0)])
def test_by_class(index, expected):
    # 80 = 10 x 8 t/ha; zero is an amount: none needed
    table = rate(by_class={"low": "10 * yield_goal", "medium": 40, "high": 0})
    assert one(table, class_index=float(index), yield_goal=8.0) == (expected, "")


def test_a_class_without_a_row_is_refused():
    assert refused(one(rate(by_class={"low": 40}), class_index=2.0), "rate-row")


def test_a_sample_without_a_class_is_refused():
    assert refused(one(rate(by_class={"low": 40}), class_index=NAN), "class_index")


@pytest.mark.parametrize(
    ("test", "expected"), [(0, 60), (9.9, 60), (10, 30), (10 - 1e-12, 30), (20, 0), (500, 0)]
)
def test_by_value_steps_are_half_open(test, expected):
    table = rate(by_value=[{"from": 0, "rate": 60}, {"from": 10, "rate": "30"}, {"from": 20, "rate": 0}])
    assert one(table, soil_test=float(test)) == (expected, "")


def test_by_value_below_the_first_step_is_refused():
    assert refused(one(rate(by_value=[{"from": 4, "rate": 60}]), soil_test=3.0), "rate-row")


def test_formula_with_constants_of_the_table():
    # (20 - 8) x 2.5 = 30
    table = rate(formula="(critical - soil_test) * 2.5", values={"critical": 20})
    assert one(table, soil_test=8.0) == (30, "")


@pytest.mark.parametrize(
    ("net", "expected"),
    [(-3, 0), (0, 0), (2.4, 0), (2.5, 5), (47, 45), (47.5, 50), (49.9, 50), (58, 55), (900, 55)],
)
def test_rounding_half_up_never_leaves_the_cap(net, expected):
    # cap 57 on steps of 5: 58 is capped to 57, which would round to 55; 60 would be above the cap
    assert one(rate(formula="soil_test", cap=57), soil_test=float(net)) == (expected, "")


@pytest.mark.parametrize(("net", "expected"), [(0, 15), (12, 15), (12.5, 15), (17.5, 20)])
def test_rounding_never_falls_below_the_floor(net, expected):
    # floor 11 on steps of 5: 11 would round to 10, so 15
    assert one(rate(formula="soil_test", floor=11), soil_test=float(net)) == (expected, "")


@pytest.mark.parametrize(
    ("ph", "expected"), [(6.1, (4, "")), (6.2, (0, "")), (6.3, (0, "")), (NAN, ("", "ph"))]
)
def test_when_decides_whether_anything_is_due(ph, expected):
    table = rate(nutrient="lime", unit="t/ha", round_to=0.5, when="ph < 6.2", formula="4", floor=2)
    result = one(table, ph=ph)
    assert result == expected if expected[1] == "" else refused(result, expected[1])


def test_nothing_due_needs_no_further_figure():
    table = rate(nutrient="lime", unit="t/ha", round_to=0.5, when="ph < 6.2", formula="7 - buffer_ph")
    assert one(table, ph=7.0, buffer_ph=NAN) == (0, "")
    assert refused(one(table, ph=6.0, buffer_ph=NAN), "buffer_ph")


def test_credits_come_off_in_order_and_never_go_below_zero():
    table = rate(
        formula="100",
        credits=[
            {"key": "manure", "formula": "manure_n_kg_per_ha"},
            {"key": "previous-crop", "by_previous_crop": {"soybean": 45}},
            {"key": "organic-matter", "formula": "10 * (om_percent - 3)"},
        ],
    )
    columns = {
        "manure_n_kg_per_ha": np.array([20.0, 0.0, 90.0]),
        "previous_crop": pd.array(["soybean", "maize", "soybean"], dtype="str"),
        "om_percent": np.array([4.0, 2.0, 3.0]),
    }
    found = rates(table, columns, 3)
    # 100-20-45-10 = 25; a low organic matter is no debit: 100; 100-90-45-0 = -35 -> 0
    assert found.credits.tolist() == [[20, 45, 10], [0, 0, 0], [90, 45, 0]]
    assert found.rate.tolist() == [25, 100, 0]


@pytest.mark.parametrize("name", ["previous_crop", "manure_n_kg_per_ha"])
def test_a_credit_that_is_not_known_refuses_the_amount(name):
    table = rate(
        formula="100",
        credits=[
            {"key": "manure", "formula": "manure_n_kg_per_ha"},
            {"key": "previous-crop", "by_previous_crop": {"soybean": 45}},
        ],
    )
    known = {"previous_crop": np.array(["soybean"]), "manure_n_kg_per_ha": np.array([0.0])}
    assert one(table, **known) == (55, "")
    unknown = {"previous_crop": np.array([""]), "manure_n_kg_per_ha": np.array([NAN])}
    assert refused(one(table, **(known | {name: unknown[name]})), name)


def test_division_by_zero_has_no_amount():
    assert refused(one(rate(formula="10 / soil_test"), soil_test=0.0), "formula")


def test_a_name_that_no_column_bears_is_missing():
    assert refused(one(rate(formula="20 * yield_goal")), "yield_goal")


@given(
    net=st.floats(-500, 2000),
    floor=st.integers(0, 20),
    cap=st.integers(40, 400),
    step=st.sampled_from([0.5, 1.0, 5.0, 10.0]),
)
def test_law_amounts_are_whole_steps_between_floor_and_cap(net, floor, cap, step):
    amount, _ = one(rate(formula="soil_test", floor=floor, cap=cap, round_to=step), soil_test=net)
    assert floor <= amount <= cap
    assert amount / step == round(amount / step)


@given(st.floats(0, 100), st.floats(0, 100))
def test_law_a_larger_credit_never_raises_the_amount(small, more):
    table = rate(formula="100", credits=[{"key": "manure", "formula": "manure_n_kg_per_ha"}])
    assert one(table, manure_n_kg_per_ha=small + more)[0] <= one(table, manure_n_kg_per_ha=small)[0]
