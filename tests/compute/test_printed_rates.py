"""Forms of printed rate tables: open rows, rows over any number, straight lines, a scope, a unit of yield."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.advise import advise
from interpretation.agronomy.rates import rates
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.working import with_figures
from interpretation.agronomy.yields import yield_factor
from interpretation.quantities import KG_PER_HA
from reports.wording import Format, Wording
from tests import small_world as build
from tests.small_world import method, ph, rate, samples, scale, values, world

NAN = float("nan")
EN, ES = Wording(Format("en")), Wording(Format("es"))


def one(table, class_names=("low", "medium", "high"), **columns):
    """Rate, and what was missing, of a single sample."""
    found = rates(table, {name: np.atleast_1d(value) for name, value in columns.items()}, 1, class_names)
    return found.rate[0], found.missing[0]


def refused(result, name):
    return bool(np.isnan(result[0])) and result[1] == name


def p2o5(tables, soil=({"value": 1.0},), **context):
    """The amount of phosphate of one sample, as a record."""
    advice = advise(values(*soil), tables, samples(context))
    (found,) = [a for a in field_advice(advice, "f1").amounts if a.nutrient == "P2O5"]
    return found


def told(amount, wording=EN):
    return [wording.sentence("steps", step.key, step.values) for step in amount.working]


# --------------------------------------------------------------------- rows without a single figure


def test_a_class_whose_row_is_open_is_refused_and_not_zero():
    table = rate(by_class={"low": None, "medium": 40, "high": 0})
    assert refused(one(table, class_index=0.0), "rate-row")
    assert one(table, class_index=1.0) == (40, "")


@pytest.mark.parametrize(("test", "expected"), [(9.9, None), (10.0, 30), (19.9, 30), (20.0, None)])
def test_a_step_whose_row_is_open_is_refused_from_its_bound_to_the_next(test, expected):
    rows = [{"from": 0, "rate": None}, {"from": 10, "rate": 30}, {"from": 20, "rate": None}]
    found = one(rate(by_value=rows), soil_test=test)
    assert refused(found, "rate-row") if expected is None else found == (expected, "")


# ----------------------------------------------------------------------------- rows over any number

BY_YIELD = {"by_value": [{"from": 0, "rate": 30}, {"from": 4, "rate": 60}], "rows_of": "yield_goal"}


@pytest.mark.parametrize(("goal", "expected"), [(3.99, 30), (4.0, 60), (4.01, 60)])
def test_rows_may_run_over_the_yield_goal(goal, expected):
    assert one(rate(**BY_YIELD), yield_goal=goal) == (expected, "")


def test_rows_over_a_figure_that_is_not_known_name_it():
    assert refused(one(rate(**BY_YIELD), yield_goal=NAN), "yield_goal")
    assert refused(one(rate(**BY_YIELD)), "yield_goal")


def test_rows_over_another_figure_need_no_soil_test():
    table = rate(by_value=BY_YIELD["by_value"], rows_of="om_percent")
    found = p2o5(world(table))
    assert (found.refusal.key, found.refusal.values["input"]) == ("missing-input", "om_percent")
    om = {"analyte": "organic-matter", "form": "organic matter", "method": "loi", "unit": "%", "value": 4.5}
    loi = method(id="loi", analyte="organic-matter", form="organic matter", unit="%")
    found = p2o5(world(table, loi), [om])
    assert found.rate == 60
    assert told(found)[1:3] == ["Row from 4 upwards.", "With organic matter, % = 4.5."]


# ------------------------------------------------------------------------------------ straight lines

LINE = rate(
    by_value=[{"from": 50, "rate": 50}, {"from": 60, "rate": 80}, {"from": 85, "rate": 85}],
    between_rows="straight-line",
    round_to=1,
)


@pytest.mark.parametrize(
    ("test", "expected"),
    # 50 + 30 x 5/10 = 65; 80 + 5 x 12.5/25 = 82.5, half up: 83
    [(50, 50), (55, 65), (59.9, 80), (60, 80), (72.5, 83), (85, 85), (85 + 1e-12, 85), (50 - 1e-12, 50)],
)
def test_between_rows_the_amount_lies_on_a_straight_line(test, expected):
    assert one(LINE, soil_test=float(test)) == (expected, "")


@pytest.mark.parametrize("test", [49.99, 85.01, 0.0])
def test_nothing_is_read_off_beyond_the_first_and_the_last_row(test):
    assert refused(one(LINE, soil_test=test), "rate-row")


@given(st.floats(50, 85), st.floats(50, 85))
def test_law_a_rising_line_never_falls(lower, higher):
    low, high = sorted((lower, higher))
    assert one(LINE, soil_test=low)[0] <= one(LINE, soil_test=high)[0]


def test_the_working_names_both_rows():
    rows = [{"from": 4, "rate": 20}, {"from": 8, "rate": 60}]
    table = rate(by_value=rows, between_rows="straight-line", rows_of="yield_goal", round_to=1)
    # 20 + 40 x (5 - 4) / (8 - 4) = 30
    found = p2o5(world(table), yield_goal=5.0)
    assert found.rate == 30
    assert told(found)[1:4] == [
        "On the straight line between the rows 4 (20 kg/ha) and 8 (60 kg/ha).",
        "With yield goal = 5.",
        "This gives 30 kg/ha.",
    ]
    assert told(found, ES)[1] == "En la línea recta entre las filas 4 (20 kg/ha) y 8 (60 kg/ha)."
    # at the last row itself, the line that leads to it
    assert told(p2o5(world(table), yield_goal=8.0))[1].startswith("On the straight line between the rows 4")


def test_a_value_outside_the_rows_is_refused_in_words():
    table = rate(
        by_value=[{"from": 4, "rate": 20}, {"from": 8, "rate": 60}],
        between_rows="straight-line",
        rows_of="yield_goal",
    )
    found = p2o5(world(table), yield_goal=9.0)
    assert EN.refusal(found.refusal) == "The table covers yield goal from 4 to 8 only."
    assert ES.refusal(found.refusal) == "La tabla solo abarca meta de rendimiento de 4 a 8."
    bushels = table.model_copy(update={"yield_unit": "t/ha"})
    assert EN.refusal(p2o5(world(bushels), yield_goal=3.0).refusal).endswith("from 4 to 8 t/ha only.")


def test_a_row_without_a_figure_is_refused_in_words():
    table = rate(by_value=[{"from": 0, "rate": None}, {"from": 8, "rate": 60}], rows_of="yield_goal")
    found = p2o5(world(table), yield_goal=3.0)
    assert EN.refusal(found.refusal) == "The table gives no amount, or only a range, for this value."
    assert ES.refusal(found.refusal) == (
        "La tabla no da ninguna cantidad, o solo un intervalo, para este valor."
    )


# ------------------------------------------------------------------------- where the table holds

SCOPED = rate(formula="50", holds_if="om_percent <= most", values={"most": 5})


@pytest.mark.parametrize(("om", "expected"), [(4.9, (50, "")), (5.0, (50, "")), (5.1, "outside-table")])
def test_a_table_gives_nothing_outside_its_own_condition(om, expected):
    found = one(SCOPED, om_percent=om)
    assert refused(found, expected) if isinstance(expected, str) else found == expected


def test_outside_its_condition_a_table_does_not_say_that_nothing_is_due():
    table = rate(formula="50", holds_if="om_percent <= 5", when="ph < 6")
    assert one(table, om_percent=5.0, ph=7.0) == (0, "")
    assert refused(one(table, om_percent=5.1, ph=7.0), "outside-table")
    assert refused(one(table, ph=7.0), "om_percent")


OM = {"analyte": "organic-matter", "form": "organic matter", "method": "loi", "unit": "%"}
LOI = method(id="loi", analyte="organic-matter", form="organic matter", unit="%")


def test_the_refusal_says_the_condition_in_words():
    found = p2o5(world(SCOPED, LOI), [OM | {"value": 6.2}])
    assert (found.rate, found.working, found.refusal.key) == (None, (), "outside-table")
    assert found.refusal.values["condition"] == "om_percent <= 5"
    assert EN.refusal(found.refusal) == "This table holds only where organic matter, % ≤ 5."
    assert ES.refusal(found.refusal) == "Esta tabla vale solo donde materia orgánica, % ≤ 5."


def test_a_condition_that_cannot_be_known_names_the_figure():
    found = p2o5(world(SCOPED, LOI))
    assert (found.refusal.key, found.refusal.values["input"]) == ("missing-input", "om_percent")


def test_where_it_holds_the_figures_behind_it_are_printed():
    assert "With organic matter, % = 4.5." in told(p2o5(world(SCOPED, LOI), [OM | {"value": 4.5}]))


def test_conditions_are_spelled_for_a_reader():
    condition = with_figures(
        'ph >= low and crop != "maize" or not (texture == "clay")', {"low": 5.25, "maize": 1}
    )
    assert condition == 'ph >= 5.25 and crop != "maize" or not (texture == "clay")'
    assert EN.condition(condition) == "soil pH ≥ 5.25 and crop ≠ maize or not (soil texture = clay)".replace(
        "soil texture", EN.name("inputs", "texture")
    )
    assert " y " in ES.condition(condition)


def test_a_test_below_its_limit_is_given_an_amount_only_inside_the_condition():
    inside = rate(analyte="P", method="bray", formula="50", holds_if="soil_test < 10")
    assert p2o5(world(scale(), method(), inside), [{"below": 4.0}]).rate == 50
    outside = rate(analyte="P", method="bray", formula="50", holds_if="soil_test < 3")
    assert p2o5(world(scale(), method(), outside), [{"below": 4.0}]).rate is None


# ------------------------------------------------------------------------------------ unit of yield

MAIZE = build.crop(bushel_lb=56)  # 1 to 20 t/ha; 1 bu/ac = 56 x 0.45359237 / 0.40468564224 = 62.7677 kg/ha
BUSHELS = rate(formula="0.5 * yield_goal", yield_unit="bu/ac", round_to=1)


@pytest.mark.parametrize(
    ("goal", "unit", "expected"),
    [
        (150.0, "bu/ac", 75),  # as it is
        (9.4152, "", 75),  # t/ha: 9415.2 / 62.7677 = 150.0
        (9.4152, "t/ha", 75),
        (8400.0, "lb/ac", 75),  # 8400 / 56 = 150
        (4.2, "ton/ac", 75),  # 4.2 x 2000 / 56 = 150
    ],
)
def test_the_goal_is_turned_into_the_unit_of_the_table(goal, unit, expected):
    found = p2o5(world(MAIZE, BUSHELS), yield_goal=goal, yield_unit=unit)
    assert found.rate == expected
    assert "With yield goal = 150 bu/ac." in told(found)


def test_rows_run_over_the_goal_in_the_unit_of_the_table():
    rows = {"by_value": [{"from": 0, "rate": 30}, {"from": 150, "rate": 60}], "rows_of": "yield_goal"}
    table = rate(**rows, yield_unit="bu/ac")
    assert p2o5(world(MAIZE, table), yield_goal=150.0, yield_unit="bu/ac").rate == 60
    assert p2o5(world(MAIZE, table), yield_goal=149.9, yield_unit="bu/ac").rate == 30


def test_without_a_unit_of_its_own_a_table_is_in_the_crops():
    found = p2o5(
        world(MAIZE, rate(formula="10 * yield_goal", round_to=1)), yield_goal=150.0, yield_unit="bu/ac"
    )
    # 150 x 62.7677 = 9415.2 kg/ha, ten times 9.4152: 94
    assert found.rate == 94
    assert "With yield goal = 9.415 t/ha." in told(found)


def test_a_goal_in_the_crops_own_unit_is_told_without_it():
    assert "With yield goal = 8." in told(p2o5(world(MAIZE, rate(formula="10 * yield_goal"))))


def test_the_range_is_checked_in_the_crops_unit_and_told_in_the_stated_one():
    # 20 t/ha = 20 000 / 62.7677 = 318.6 bu/ac; 1 t/ha = 15.93 bu/ac
    assert p2o5(world(MAIZE, BUSHELS), yield_goal=318.0, yield_unit="bu/ac").rate == 159
    found = p2o5(world(MAIZE, BUSHELS), yield_goal=319.0, yield_unit="bu/ac")
    assert found.refusal.key == "yield-goal-implausible"
    assert EN.refusal(found.refusal) == (
        "The yield goal of 319 bu/ac is not usual. Usual is 15.93 to 318.6. Please check it."
    )


@pytest.mark.parametrize(
    ("crop", "table", "goal", "unit", "into"),
    [
        # stated in a unit that cannot be weighed; and stated well, but the table is in such a unit
        (build.crop(), {"formula": "yield_goal"}, 150.0, "bu/ac", "bu/ac cannot be turned into t/ha"),
        (
            build.crop(),
            {"formula": "removal_s_kg_per_ha"},
            3.0,
            "bale/ac",
            "bale/ac cannot be turned into t/ha",
        ),
        (build.crop(), {"yield_unit": "bu/ac"}, 8.0, "", "t/ha cannot be turned into bu/ac"),
        (build.crop(), {"yield_unit": "bu/ac"}, 8000.0, "lb/ac", "lb/ac cannot be turned into bu/ac"),
        (MAIZE, {"yield_unit": "bale/ac"}, 8.0, "", "t/ha cannot be turned into bale/ac"),
    ],
)
def test_a_goal_that_cannot_be_turned_is_refused(crop, table, goal, unit, into):
    found = p2o5(world(crop, rate(**({"formula": "yield_goal"} | table))), yield_goal=goal, yield_unit=unit)
    assert (found.refusal.key, found.refusal.values["input"]) == ("missing-input", "yield_goal")
    assert EN.refusal(found.refusal) == (
        f"The yield goal in {into}. What a bushel or bale of maize weighs is not known."
    )
    assert "un bushel o una paca de maíz" in ES.refusal(found.refusal)


def test_bales_go_into_bales():
    cotton = build.crop(yield_unit="bale/ac", yield_from=0.5, yield_to=6)
    assert (
        p2o5(world(cotton, rate(formula="50 * yield_goal", yield_unit="bale/ac")), yield_goal=2.0).rate == 100
    )


def test_a_goal_that_was_not_given_is_still_just_missing():
    found = p2o5(world(MAIZE, BUSHELS), yield_goal=NAN, yield_unit="bu/ac")
    assert EN.refusal(found.refusal) == "This is not known: yield goal."


def test_the_record_keeps_the_goal_as_the_grower_stated_it():
    advice = advise(
        values({"value": 1.0}), world(MAIZE, BUSHELS), samples({"yield_goal": 150.0, "yield_unit": "bu/ac"})
    )
    found = field_advice(advice, "f1")
    assert (found.yield_goal, found.yield_unit) == (150.0, "bu/ac")


UNITS = st.sampled_from(["t/ha", "bu/ac", "ton/ac", "lb/ac"])


@given(UNITS, UNITS, UNITS)
def test_law_units_of_yield_turn_round_and_through(one_unit, two, three):
    there, back = yield_factor(MAIZE, one_unit, two), yield_factor(MAIZE, two, one_unit)
    assert there * back == pytest.approx(1.0)
    assert there * yield_factor(MAIZE, two, three) == pytest.approx(yield_factor(MAIZE, one_unit, three))


# --------------------------------------------------------------------------------- names and units


def test_pounds_per_thousand_square_feet():
    # 1000 ft2 = 1000 x 0.3048^2 = 92.90304 m2; 0.45359237 kg on it are 48.8243 kg on 10 000 m2,
    # and 43.56 times as many pounds lie on an acre of 43 560 ft2.
    assert KG_PER_HA["lb/1000ft2"] == pytest.approx(48.8243, abs=5e-5)
    assert KG_PER_HA["lb/1000ft2"] / KG_PER_HA["lb/ac"] == pytest.approx(43.56)


@pytest.mark.parametrize(
    ("since", "expected"), [(1.0, (35, "")), (0.0, (10, "")), (NAN, ("", "manured_since_harvest"))]
)
def test_manuring_that_is_not_known_is_not_no_manuring(since, expected):
    table = rate(formula="35 if manured_since_harvest else 10")
    found = one(table, manured_since_harvest=since)
    assert refused(found, expected[1]) if expected[1] else found == expected


def test_manuring_comes_from_the_list_of_samples():
    table = rate(formula="20 if manured_in_three_years and not manured_since_harvest else 45")
    tables = world(table)
    stated = {"manured_in_three_years": 1.0, "manured_since_harvest": 0.0}
    assert p2o5(tables, **stated).rate == 20
    assert p2o5(tables, **(stated | {"manured_since_harvest": 1.0})).rate == 45
    found = p2o5(tables, **(stated | {"manured_since_harvest": NAN}))
    assert EN.refusal(found.refusal) == "This is not known: manure since the last harvest."


@pytest.mark.parametrize("metal", ["Mn", "Cu", "Fe", "B", "Al"])
def test_micronutrients_and_aluminium_stand_under_their_names(metal):
    table = rate(formula=f"5 * {metal.lower()}_mg_per_kg")
    reading = {"analyte": metal, "form": metal, "method": "metal", "value": 3.0}
    tables = world(table, method(id="metal", analyte=metal, form=metal))
    assert p2o5(tables, [reading, ph(6.0)]).rate == 15
