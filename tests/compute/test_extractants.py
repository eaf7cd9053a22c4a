"""Equations between two methods: only where named, only where they hold, and never in silence."""

import datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from interpretation.agronomy.advise import advise
from interpretation.agronomy.extractants import convert_values, evaluate, rises, slope, switched_on
from interpretation.agronomy.records import field_advice
from interpretation.errors import FurrowsliceError
from tests import small_world as build
from tests.small_world import conversion, method, note, ph, rate, samples, scale, values, world

NAN = float("nan")
M3 = {"method": "m3", "value": 22.0}
OHIO = conversion(formula="-8.08 + 0.832 * soil_test", lowest=10, highest=200)
ACID = method(id="m3", title="Mehlich-3")
TENTHS = [{"from": 0, "decimals": 1}]
BRAY = method(digits=TENTHS, use_instead="olsen")
P_RATE = rate(analyte="P", method="bray", by_class={"low": 80, "medium": 40, "high": 0})


def tables(*more, equation=OHIO, **changes):
    return world(scale(**changes), ACID, BRAY, method(id="olsen"), equation, *more, regions=("vale", "hill"))


def record(soil, convert=("vale/bray-from-m3",), context=None, known=None):
    found = advise(soil, known or tables(), samples({}) if context is None else context, convert)
    return field_advice(found, "f1")


def test_the_value_is_the_equation_s_and_is_classed_in_the_other_method_s_table():
    # -8.08 + 0.832 x 22 = 10.224; the scale rounds to whole mg/kg, and medium begins at 10
    (result,) = record(values(M3 | {"standard_uncertainty": 1.5})).results
    assert (result.method, result.unit, result.basis, result.form) == ("bray", "mg/kg", "air-dry", "P")
    assert (result.value, result.class_name, result.table) == (10.0, "medium", "vale/p")
    assert result.standard_uncertainty == pytest.approx(0.832 * 1.5)
    behind = result.measured_as
    assert (behind.value, behind.decimals, behind.method, behind.unit) == (22.0, 1, "m3", "mg/kg")
    assert (behind.below, behind.conversion) == (None, "vale/bray-from-m3")


def test_nothing_is_converted_unasked_and_the_refusal_says_that_it_could_be():
    (result,) = record(values(M3), convert=()).results
    assert (result.method, result.value, result.class_name, result.measured_as) == ("m3", 22.0, None, None)
    assert result.refusal.key == "no-table"
    assert result.refusal.values["conversion"] == "vale/bray-from-m3"


@pytest.mark.parametrize(
    ("change", "at"),
    [
        ({"value": 9.0}, {}),  # outside the values it is used for
        ({"form": "P2O5"}, {}),
        ({"basis": "oven-dry"}, {}),
        ({"sampled_on": datetime.datetime(2025, 12, 31)}, {}),  # noqa: DTZ001 - before it begins
        ({"sampled_on": pd.NaT}, {}),
        ({"depth_to_cm": 15.0}, {}),  # the other method's table would not fit either
        ({}, {"region": "hill"}),
        ({}, {"crop": "wheat"}),
    ],
)
def test_an_equation_that_would_not_help_is_not_mentioned(change, at):
    known = tables(crops=("maize",))
    (result,) = record(values(M3 | change), convert=(), context=samples(at), known=known).results
    assert result.refusal.key == "no-table"
    assert "conversion" not in result.refusal.values


def test_an_equation_to_a_method_without_tables_is_not_mentioned():
    (result,) = record(values(M3), convert=(), known=tables(equation=conversion(to_method="olsen"))).results
    assert "conversion" not in result.refusal.values


def test_a_rate_table_alone_makes_an_equation_worth_mentioning():
    known = world(ACID, BRAY, OHIO, rate(analyte="P", method="bray", formula="20"))
    (result,) = record(values(M3), convert=(), known=known).results
    assert (result.refusal.values["failed"], result.refusal.values["conversion"]) == (
        "analyte", "vale/bray-from-m3",
    )  # fmt: skip


# The method reports to one decimal, so 9.95 is reported as 10.0 (half up) and lies at the lower end.
@pytest.mark.parametrize(
    ("value", "inside"),
    [(9.94, False), (9.95, True), (10.0, True), (200.0, True), (200.04, True), (200.05, False)],
)
def test_the_span_of_an_equation_at_its_ends(value, inside):
    (result,) = record(values(M3 | {"value": value})).results
    if inside:
        assert (result.method, result.refusal) == ("bray", None)
        return
    assert (result.method, result.class_name, result.measured_as) == ("m3", None, None)
    assert result.refusal.key == "outside-conversion"
    assert result.refusal.values.items() >= {
        "conversion": "vale/bray-from-m3", "lowest": 10.0, "highest": 200.0, "unit": "mg/kg",
    }.items()  # fmt: skip


def test_a_refused_value_keeps_its_place_in_no_table_of_its_own_method_either():
    # The person asked for the other method's table; another class must not appear in its stead.
    own = scale(id="vale/m3", method="m3")
    (result,) = record(values(M3 | {"value": 5.0}), known=tables(own)).results
    assert (result.class_name, result.table, result.refusal.key) == (None, None, "outside-conversion")


def test_values_at_the_class_s_limit():
    # medium begins at 10, that is at 9.5 before rounding: (9.5 + 8.08) / 0.832 = 21.1298...
    for measured, name in ((21.1299, "medium"), (21.1297, "low")):
        assert record(values(M3 | {"value": measured})).results[0].class_name == name


@pytest.mark.parametrize(
    ("formula", "below", "expected"),
    [
        (
            "-8.08 + 0.832 * soil_test",
            10.0,
            0.3,
        ),  # -8.08 + 8.32 = 0.24, rounded up to Bray's tenths: it stays true
        ("-8.08 + 0.832 * soil_test", 9.0, "outside-conversion"),
        ("-8.32 + 0.832 * soil_test", 10.0, "not-convertible"),  # a limit of 0 says nothing
        ("40 - 0.1 * soil_test", 10.0, "not-convertible"),  # "less than" would become "more than"
        ("10 if soil_test < 60 else soil_test", 20.0, "not-convertible"),  # level in places
    ],
)
def test_a_limit_is_converted_only_by_an_equation_that_rises(formula, below, expected):
    known = tables(equation=conversion(formula=formula, lowest=10, highest=200))
    (result,) = record(values(M3 | {"value": NAN, "below": below}), known=known).results
    if isinstance(expected, str):
        assert (result.method, result.below, result.refusal.key) == ("m3", below, expected)
    else:
        assert (result.value, result.class_name) == (None, "low")
        assert result.below == pytest.approx(expected)
        assert (result.measured_as.value, result.measured_as.below) == (None, below)


def test_an_equation_without_an_answer_converts_nothing():
    known = tables(equation=conversion(formula="100 / (soil_test - 22)", lowest=1, highest=200))
    (result,) = record(values(M3), known=known).results
    assert (result.method, result.value, result.refusal.key) == ("m3", 22.0, "not-convertible")


def test_a_sample_measured_both_ways_keeps_what_was_measured():
    soil = values(M3, {"value": 31.0}, M3 | {"lab_number": "S2"})
    results = record(soil, context=samples({}, {})).results
    assert [(r.lab_number, r.method, r.value) for r in results] == [
        ("S1", "m3", 22.0), ("S1", "bray", 31.0), ("S2", "bray", 10.0),
    ]  # fmt: skip
    assert [r.measured_as is None for r in results] == [True, True, False]


def test_an_equation_ends_on_its_last_day():
    known = tables(equation=conversion(effective_to="2026-03-10"))
    days = [datetime.datetime(2026, 3, day) for day in (10, 11)]  # noqa: DTZ001
    soil = values(M3 | {"sampled_on": days[0]}, M3 | {"sampled_on": days[1], "lab_number": "S2"})
    results = record(soil, context=samples({}, {}), known=known).results
    assert [r.method for r in results] == ["bray", "m3"]


def test_another_region_s_values_stay_as_they_are():
    (result,) = record(values(M3), context=samples({"region": "hill"})).results
    assert (result.method, result.refusal.key) == ("m3", "no-table")


def test_a_class_is_not_taken_from_a_value_whose_other_method_has_no_table():
    # the table of the result ends on 10 March, the one of what was measured does not
    own = scale(id="vale/m3", method="m3")
    days = [datetime.datetime(2026, 3, day) for day in (10, 11)]  # noqa: DTZ001
    soil = values(M3 | {"sampled_on": days[0]}, M3 | {"sampled_on": days[1], "lab_number": "S2"})
    known = world(
        scale(effective_to="2026-03-10"), own, ACID, BRAY, method(id="olsen"), OHIO, regions=("vale",)
    )
    results = record(soil, context=samples({}, {}), known=known).results
    assert [(r.method, r.class_name) for r in results] == [("bray", "medium"), ("m3", "high")]


def test_nothing_is_converted_twice():
    onwards = conversion(id="vale/olsen-from-bray", from_method="bray", to_method="olsen")
    convert = ("vale/bray-from-m3", "vale/olsen-from-bray")
    results = record(
        values(M3, {"value": 30.0, "lab_number": "S2"}),
        convert, samples({}, {}), tables(onwards, scale(id="vale/olsen", method="olsen")),
    ).results  # fmt: skip
    assert [r.method for r in results] == ["bray", "olsen"]


def test_no_equation_is_offered_to_a_value_that_one_has_turned():
    first = conversion(id="vale/m3-from-olsen", from_method="olsen", to_method="m3", formula="2 * soil_test")
    soil = values({"method": "olsen", "value": 12.0})
    (result,) = record(soil, ("vale/m3-from-olsen", "vale/bray-from-m3"), known=tables(first)).results
    assert (result.method, result.refusal.key) == ("m3", "no-table")
    assert "conversion" not in result.refusal.values  # 24 mg/kg by m3 lies where vale/bray-from-m3 is used


def test_of_two_equations_to_one_method_the_one_named_first_is_used():
    other = conversion(id="vale/bray-from-olsen", from_method="olsen", formula="1.5 * soil_test")
    soil = values(M3, {"method": "olsen", "value": 12.0})
    for convert, methods in (
        (("vale/bray-from-m3", "vale/bray-from-olsen"), ["bray", "olsen"]),
        (("vale/bray-from-olsen", "vale/bray-from-m3"), ["m3", "bray"]),
    ):
        assert [r.method for r in record(soil, convert, known=tables(other)).results] == methods


@pytest.mark.parametrize("again", [{}, {"unit": "lb/ac", "value": 60.0}, {"form": "P2O5"}])
def test_a_value_given_twice_is_told_by_the_name_it_was_given_under(again):
    with pytest.raises(FurrowsliceError, match="P by m3 is given twice"):
        record(values(M3, M3 | again))


@pytest.mark.parametrize(
    ("soil_ph", "limits", "key", "told"),
    [
        (7.0, {"bray": 7.4}, None, {}),
        (7.5, {"bray": 7.4}, "method-not-valid", {"limit": 7.4, "use_instead": "olsen"}),
        (7.0, {"m3": 6.5}, "method-not-valid", {"limit": 6.5, "found": 7.0}),
        (7.0, {"m3": 6.5, "bray": 7.4}, "method-not-valid", {"limit": 6.5}),
        (NAN, {"m3": 6.5}, "validity-unknown", {"limit": 6.5}),
        (NAN, {"bray": 7.4}, "validity-unknown", {"limit": 7.4}),
    ],
)
def test_both_methods_must_be_valid_on_the_soil(soil_ph, limits, key, told):
    known = world(
        scale(), OHIO, method(id="m3", valid_ph_max=limits.get("m3")),
        method(valid_ph_max=limits.get("bray"), use_instead="olsen"),
    )  # fmt: skip
    soil = values(M3, *([] if np.isnan(soil_ph) else [ph(soil_ph)]))
    result = next(r for r in record(soil, known=known).results if r.analyte == "P")
    if key is None:
        assert result.class_name == "medium"
    else:
        assert (result.refusal.key, result.class_name) == (key, None)
        assert result.refusal.values.items() >= told.items()


def test_the_record_lists_the_equation_its_sources_and_both_methods():
    found = record(values(M3), known=tables(P_RATE))
    first = found.tables[0]
    assert (first.id, first.equation, first.standing, str(first.effective_from)) == (
        "vale/bray-from-m3", "-8.08 + 0.832 * soil_test", "invented", "2026-01-01",
    )  # fmt: skip
    assert (first.fingerprint, first.sources) == ("cd34", ("made-up",))
    assert [(m.id, m.measured) for m in found.methods] == [("m3", True), ("bray", False)]
    assert [s.id for s in found.sources] == ["made-up"]


def test_an_amount_stands_on_the_value_worked_out_and_says_so():
    (amount,) = record(values(M3), known=tables(P_RATE)).amounts
    assert amount.rate == 40  # medium
    steps = {step.key: step.values for step in amount.working}
    assert steps["soil-test"]["method"] == "bray"
    assert steps["worked-out"] == {
        "method": "m3", "unit": "mg/kg", "conversion": "vale/bray-from-m3", "value": 22.0,
    }  # fmt: skip


def test_the_working_of_a_limit_says_what_was_below():
    soil = values(M3 | {"value": NAN, "below": 10.0})
    (amount,) = record(soil, known=tables(P_RATE)).amounts
    assert amount.rate == 80
    steps = {step.key: step.values for step in amount.working}
    assert (steps["worked-out-below"]["below"], steps["worked-out-below"]["method"]) == (10.0, "m3")


def test_the_caution_of_a_converted_value_names_its_samples():
    rule = note(key="converted-value", when="converted")
    soil = values(M3, {"value": 30.0, "lab_number": "S2"})
    (found,) = record(soil, context=samples({}, {}), known=tables(rule)).notes
    assert (found.key, found.lab_numbers) == ("converted-value", ("S1",))
    assert record(values(M3), convert=(), known=tables(rule)).notes == ()


@pytest.mark.parametrize(
    ("value", "printed", "decimals"),
    # m3 reports whole mg/kg: 22 as typed stays 22; of 22.437 a decimal more shows what went in
    [(22.0, 22.0, 0), (22.437, 22.4, 1), (22.45, 22.5, 1)],
)
def test_the_measured_value_is_printed_as_finely_as_the_result(value, printed, decimals):
    whole = method(id="m3", digits=[{"from": 0, "decimals": 0}])
    known = world(scale(round_to=0.1), whole, BRAY, OHIO)
    (result,) = record(values(M3 | {"value": value}), known=known).results
    assert (result.measured_as.value, result.measured_as.decimals) == (printed, decimals)


# ------------------------------------------------------------------------------------ what is named


def test_an_unknown_equation_is_refused_with_the_known_ones():
    with pytest.raises(FurrowsliceError) as error:
        switched_on(tables(), ["vale/bray-from-olsen"])
    assert str(error.value) == (
        "there is no conversion 'vale/bray-from-olsen'\nExpected: one of vale/bray-from-m3\n"
        "To fix it: correct the id; without it, nothing is converted"
    )
    with pytest.raises(FurrowsliceError, match="none: these tables hold none"):
        switched_on(world(), ["vale/bray-from-m3"])


def test_two_equations_for_one_method_of_a_region_are_refused():
    known = tables(conversion(id="vale/bray-from-m3-by-ratio", formula="soil_test / 1.35"))
    with pytest.raises(FurrowsliceError) as error:
        switched_on(known, ["vale/bray-from-m3", "vale/bray-from-m3-by-ratio"])
    assert str(error.value) == (
        "vale: vale/bray-from-m3 and vale/bray-from-m3-by-ratio are both switched on, and both convert m3\n"
        "Expected: one equation for one method of a region\nTo fix it: name the one that is meant"
    )


@pytest.mark.parametrize(("begins", "refused"), [("2026-07-01", False), ("2026-06-30", True)])
def test_two_editions_of_one_equation_may_both_be_named(begins, refused):
    old = conversion(effective_to="2026-06-30")
    known = tables(conversion(id="vale/new", effective_from=begins), equation=old)
    if refused:
        with pytest.raises(FurrowsliceError, match="both switched on"):
            switched_on(known, ["vale/new", "vale/bray-from-m3"])
    else:
        assert len(switched_on(known, ["vale/new", "vale/bray-from-m3", "vale/new"])) == 2


def test_equations_of_two_regions_stand_beside_each_other():
    known = tables(conversion(id="hill/c", region="hill"))
    assert len(switched_on(known, ["vale/bray-from-m3", "hill/c"])) == 2


# -------------------------------------------------------------------------------------------- laws


@given(a=st.floats(-50, 50), b=st.floats(0.01, 5), measured=st.floats(1, 500))
def test_the_slope_of_a_straight_line_is_its_own(a, b, measured):
    line = conversion(formula="a + b * soil_test".replace("a +", f"{a:.6f} +").replace("b *", f"{b:.6f} *"))
    assert slope(line, np.array([measured])) == pytest.approx([float(f"{b:.6f}")], rel=1e-6, abs=1e-6)
    assert rises(line)


def test_the_slope_of_a_curve_by_hand():
    # d/dx (100 x / (50 + x)) = 5000 / (50 + x)^2: at 50, 0.5
    curve = conversion(formula="100 * soil_test / (50 + soil_test)")
    assert slope(curve, np.array([50.0])) == pytest.approx([0.5], rel=1e-6)
    assert evaluate(curve, np.array([50.0])) == pytest.approx([50.0])


@settings(max_examples=40, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.sampled_from(["m3", "bray", "olsen"]), st.floats(0, 300), st.booleans()),
        min_size=1, max_size=12,
    )
)  # fmt: skip
def test_no_row_is_lost_or_moved_and_what_is_not_converted_is_untouched(rows):
    soil = values(
        *(
            {"lab_number": f"S{i}", "method": name, "value": NAN if less else value,
             "below": value if less else NAN, "standard_uncertainty": 1.0}
            for i, (name, value, less) in enumerate(rows, 1)
        )
    )  # fmt: skip
    context = samples(*({} for _ in rows))
    found = convert_values(soil, context, tables(), ["vale/bray-from-m3"])
    changed = found.measured.index
    assert found.soil["lab_number"].tolist() == soil["lab_number"].tolist()
    pd.testing.assert_frame_equal(found.soil.drop(changed), soil.drop(changed))
    assert (soil["method"].iloc[changed] == "m3").all()
    pd.testing.assert_frame_equal(
        found.measured.drop(columns="conversion"), soil.loc[changed, found.measured.columns[:-1]]
    )
    told = [row for _, _, at in found.refused for row in at]
    assert sorted([*changed, *told]) == np.flatnonzero(soil["method"] == "m3").tolist()


def test_without_a_name_the_very_frame_is_handed_on():
    soil = values(M3)
    assert convert_values(soil, samples({}), tables(), ()).soil is soil
    assert build.world().conversions == {}
