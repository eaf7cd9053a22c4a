"""Tables printed in another unit than their method reports in: the publisher's factor, and nothing else."""

import numpy as np
import pandas as pd
import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from interpretation.results import MeasuredAs
from tests.small_world import classes, method, ph, rate, samples, scale, values, world

NAN = float("nan")
# The publisher prints lb/ac and says that each mg/kg counts for 2 lb/ac.
ACRE = scale(unit="lb/ac", per_method_unit=2, classes=classes(low=0, medium=30, high=60))
BRAY = method(digits=({"from": 0, "decimals": 1}, {"from": 10, "decimals": 0}))
P_RATE = rate(analyte="P", method="bray", by_class={"low": 80, "medium": 40, "high": 0})


def record(tables, soil, context=None):
    return field_advice(advise(soil, tables, samples({}) if context is None else context), "f1")


def result(soil, *tables, context=None):
    return record(world(*tables), soil, context).results[0]


# 14.74 x 2 = 29.48 is printed as 29, low; 14.75 x 2 = 29.5 as 30, medium; 29.75 x 2 = 59.5 as 60, high.
@pytest.mark.parametrize(
    ("measured", "printed", "name"),
    [(14.74, 29, "low"), (14.75, 30, "medium"), (29.74, 59, "medium"), (29.75, 60, "high"), (0.0, 0, "low")],
)
def test_a_value_is_turned_first_then_rounded_then_classed(measured, printed, name):
    found = result(values({"value": measured}), ACRE, BRAY)
    assert (found.value, found.unit, found.decimals, found.class_name) == (printed, "lb/ac", 0, name)


@pytest.mark.parametrize(("typed", "name"), [(29.4, "low"), (29.5, "medium"), (60.0, "high")])
def test_a_value_typed_in_the_tables_unit_is_classed_as_it_is(typed, name):
    found = result(values({"value": typed, "unit": "lb/ac"}), ACRE, BRAY)
    assert (found.class_name, found.unit, found.measured_as) == (name, "lb/ac", None)


def test_what_was_measured_stands_beside_it():
    found = result(values({"value": 32.43, "standard_uncertainty": 1.5}), ACRE, BRAY)
    # 32.43 x 2 = 64.86, printed as 65. The method prints 32, and 32 x 2 is 64: so one decimal more is shown.
    assert (found.value, found.standard_uncertainty, found.method) == (65, 3.0, "bray")
    assert found.measured_as == MeasuredAs(
        value=32.4, below=None, decimals=1, method="bray", unit="mg/kg", factor=2, factor_unit="mg/kg",
        layer_cm=(0, 20),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("step", "factor", "decimals"),
    # A step of the table in mg/kg: 1/2, 10/2 = 5, 1/0.5 = 2, 0.1/2 = 0.05, 1/10 = 0.1, and never fewer than
    # the method's own none from 10 upwards.
    [(1, 2, 1), (10, 2, 0), (1, 0.5, 0), (0.1, 2, 2), (1, 10, 1), (1, 1.0001, 1)],
)
def test_measured_values_are_printed_as_finely_as_the_table_asks(step, factor, decimals):
    table = scale(unit="lb/ac", per_method_unit=factor, round_to=step, classes=classes(low=0, high=50))
    found = result(values({"value": 12.3456}), table, BRAY).measured_as
    assert (found.decimals, found.value) == (decimals, round(12.3456, decimals))


def test_the_method_may_report_in_the_larger_unit():
    table = scale(unit="mg/kg", per_method_unit=0.5)
    acre = method(unit="lb/ac")
    assert result(values({"value": 24.0, "unit": "lb/ac"}), table, acre).value == 12
    assert result(values({"value": 24.0, "unit": "mg/kg"}), table, acre).value == 24


@pytest.mark.parametrize(
    ("below", "name", "refused"),
    # "< 14.9" is "< 29.8", all of it low; "< 15.1" is "< 30.2", and that could be medium.
    [(14.9, "low", None), (15.0, "low", None), (15.1, None, "censored-straddles")],
)
def test_a_limit_is_turned_too(below, name, refused):
    found = result(values({"below": below}), ACRE, BRAY)
    assert (found.class_name, found.refusal and found.refusal.key) == (name, refused)
    assert (found.value, found.below, found.unit) == (None, 2 * below, "lb/ac")
    assert (found.measured_as.value, found.measured_as.below, found.measured_as.unit) == (
        None,
        below,
        "mg/kg",
    )


def test_the_uncertainty_is_turned_too():
    acre = result(values({"value": 15.2, "standard_uncertainty": 0.5}), ACRE, BRAY)
    # 30.4 lb/ac with u = 1; low ends at 29.5: Phi(-0.9) = 0.1841, from any table of the normal distribution
    assert [(p.name, p.probability) for p in acre.probabilities][:2] == [("low", 0.1841), ("medium", 0.8159)]
    assert acre.borderline


@pytest.mark.parametrize(
    ("table", "changes", "said"),
    [
        (ACRE, {"unit": "g/kg"}, "unit"),
        # Without the publisher's factor a table on a field's mass holds for values typed in its unit alone.
        (scale(unit="lb/ac"), {}, "unit"),
        (ACRE, {"basis": "oven-dry"}, "basis"),
        (ACRE, {"method": "olsen"}, "method"),
    ],
)
def test_nothing_else_is_turned(table, changes, said):
    found = result(values({"value": 12.0} | changes), table, BRAY)
    assert (found.class_name, found.refusal.values["failed"], found.measured_as) == (None, said, None)
    assert (found.value, found.unit) == (12, changes.get("unit", "mg/kg"))


def test_without_the_method_nobody_knows_its_unit():
    assert result(values({"value": 12.0}), ACRE).refusal.values["failed"] == "unit"
    assert result(values({"value": 12.0, "unit": "lb/ac"}), ACRE).class_name == "low"


def test_a_table_without_a_factor_classes_what_is_typed_in_its_unit():
    assert result(values({"value": 12.0, "unit": "lb/ac"}), scale(unit="lb/ac"), BRAY).class_name == "medium"


def test_where_the_method_does_not_hold_the_value_keeps_its_own_unit():
    limited = method(valid_ph_max=7.4)
    found = record(world(ACRE, limited), values({"value": 15.0}, ph(7.5))).results[0]
    assert (found.refusal.key, found.value, found.unit, found.measured_as) == (
        "method-not-valid", 15.0, "mg/kg", None,
    )  # fmt: skip


def test_formulas_see_mg_per_kg_where_they_ask_for_it_and_the_tables_unit_as_soil_test():
    by_name = rate(formula="p_mg_per_kg", round_to=0.1)
    assert record(world(ACRE, BRAY, by_name), values({"value": 32.43})).amounts[0].rate == 32.4
    by_test = rate(analyte="P", method="bray", formula="soil_test", round_to=0.1)
    assert record(world(ACRE, BRAY, by_test), values({"value": 32.43})).amounts[0].rate == 65
    typed = values({"value": 65.0, "unit": "lb/ac"})  # nobody measured mg/kg
    assert record(world(ACRE, BRAY, by_test), typed).amounts[0].rate == 65
    refused = record(world(ACRE, BRAY, by_name), typed).amounts[0].refusal
    assert (refused.key, refused.values["input"]) == ("missing-input", "p_mg_per_kg")
    assert record(world(ACRE, BRAY, P_RATE), values({"value": 15.0})).amounts[0].rate == 40


@pytest.mark.parametrize(
    ("soil", "context", "expected"),
    [
        ({"value": 15.0}, {}, 30),  # 15 mg/kg, classed as 30 lb/ac
        ({"value": 30.0, "unit": "lb/ac"}, {}, 30),
        # No scale for this layer or crop. The amounts still count in lb/ac: 15 mg/kg is no 15 lb/ac.
        ({"value": 15.0, "depth_to_cm": 60.0}, {}, None),
        ({"value": 15.0}, {"crop": "wheat"}, None),
    ],
)
def test_an_unclassed_value_in_another_unit_than_the_regions_scales_gives_no_amount(soil, context, expected):
    only_maize = ACRE.model_copy(update={"crops": ("maize",)})
    tables = world(only_maize, BRAY, rate(analyte="P", method="bray", formula="soil_test", round_to=0.1))
    amount = record(tables, values(soil), samples(context)).amounts[0]
    assert amount.rate == expected
    if expected is None:
        assert (amount.refusal.key, amount.refusal.values["reason"]) == ("soil-test-refused", "no-table")


def test_an_unclassed_value_is_used_where_the_region_counts_in_the_methods_unit():
    tables = world(
        scale(crops=("wheat",)), BRAY, rate(analyte="P", method="bray", formula="soil_test", round_to=0.1)
    )
    assert record(tables, values({"value": 15.0})).amounts[0].rate == 15


def test_some_rows_are_turned_and_others_not():
    hill = scale(id="hill/p", region="hill")
    tables = world(ACRE, hill, BRAY, regions=("vale", "hill"))
    soil = values(
        {"value": 12.0},
        {"value": 12.0, "lab_number": "S2"},
        {"value": 24.0, "lab_number": "S3", "unit": "lb/ac"},
        {"below": 4.0, "lab_number": "S4"},
    )
    context = samples({}, {"region": "hill", "field_id": "f2"}, {}, {})
    found = advise(soil, tables, context).classed
    assert found.frame["unit"].tolist() == ["lb/ac", "mg/kg", "lb/ac", "lb/ac"]
    np.testing.assert_array_equal(found.frame["reported"], [24, 12, 24, NAN])
    np.testing.assert_array_equal(found.frame["below"], [NAN, NAN, NAN, 8])
    assert found.turned.index.tolist() == [0, 3]
    np.testing.assert_array_equal(found.in_method_unit(), [12, 12, 24, NAN])
    assert found.frame.dtypes["unit"] == soil.dtypes["unit"]


def test_the_given_frame_is_left_alone():
    soil = values({"value": 12.0})
    before = soil.copy(deep=True)
    advise(soil, world(ACRE, BRAY), samples({}))
    pd.testing.assert_frame_equal(soil, before)
