"""The whole agronomy chain on small tables: scopes, refusals, alternatives, records, laws."""

import datetime
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from interpretation.agronomy.advise import advise, field_ids
from interpretation.agronomy.records import field_advice
from interpretation.errors import SampleListError
from tests import small_world as build
from tests.small_world import classes, method, ph, rate, samples, scale, values, world

NAN = float("nan")
BRAY = method(valid_ph_max=7.4, valid_lime_percent_max=2, use_instead="olsen")
OLSEN = method(id="olsen")
P_RATE = rate(analyte="P", method="bray", by_class={"low": 80, "medium": 40, "high": 0})
N_RATE = rate(id="vale/n", nutrient="N", formula="20 * yield_goal")


def record(tables, soil, context=None, field_id="f1"):
    return field_advice(advise(soil, tables, samples({}) if context is None else context), field_id)


def refusals(tables, soil, context=None):
    """Keys, and what decided, of the results of the first field."""
    found = record(tables, soil, context).results
    return [(r.refusal.key, r.refusal.values) if r.refusal else None for r in found]


# ---------------------------------------------------------------------------------------- classing


def test_a_value_is_classed_in_its_own_table():
    result = record(world(scale()), values({"value": 12.4})).results[0]
    assert (result.value, result.class_name, result.class_index, result.table) == (
        12.0,
        "medium",
        1,
        "vale/p",
    )
    assert [limit.name for limit in result.limits] == ["low", "medium", "high"]
    assert (result.decimals, result.borderline, result.probabilities) == (0, False, ())


def test_probabilities_of_a_borderline_value():
    result = record(world(scale()), values({"value": 10.4, "standard_uncertainty": 1.0})).results[0]
    # edges 9.5 and 19.5: Phi(-0.9) = 0.1841, from any table of the normal distribution
    assert [(p.name, p.probability) for p in result.probabilities] == [
        ("low", 0.1841), ("medium", 0.8159), ("high", 0.0),
    ]  # fmt: skip
    assert result.borderline


@pytest.mark.parametrize(
    ("change", "failed"),
    [
        ({"method": "olsen"}, "method"),
        ({"basis": "oven-dry"}, "basis"),
        ({"unit": "mg/dm3"}, "unit"),  # a volume result is never classed as a mass result
        ({"form": "P2O5"}, "form"),  # nor an oxide as an element
        ({"depth_to_cm": 15.0}, "depth"),
        ({"depth_to_cm": NAN}, "depth"),
        ({"sampled_on": datetime.datetime(2025, 12, 31)}, "day"),  # noqa: DTZ001
        ({"sampled_on": pd.NaT}, "day"),
        ({"analyte": "K", "form": "K"}, "analyte"),
    ],
)
def test_a_value_that_no_table_covers_is_refused_by_name(change, failed):
    ((key, told),) = refusals(world(scale()), values({"value": 12.0} | change))
    assert key == "no-table"
    assert told["failed"] == failed
    assert told["method"] == change.get("method", "bray")


@pytest.mark.parametrize(
    ("change", "failed"), [({"region": "hill"}, "analyte"), ({"crop": "wheat"}, "crop"), ({}, "texture")]
)
def test_crop_region_and_texture_belong_to_the_scope(change, failed):
    tables = world(scale(crops=("maize",), textures=("clay",)), regions=("vale", "hill"))
    context = samples({"texture": "clay"} | change if change else {"texture": "sand"})
    ((key, told),) = refusals(tables, values({"value": 12.0}), context)
    assert (key, told["failed"]) == ("no-table", failed)


def grouped(*tables, **words):
    """A world whose region has words for kinds of soil."""
    plain = world(*tables)
    region = plain.regions["vale"].model_copy(update={"soil_groups": words})
    return replace(plain, regions={"vale": region})


def test_soils_of_one_region_have_tables_of_their_own():
    light = scale(id="vale/light", soil_groups=("light",), classes=classes(poor=0, rich=5))
    heavy = scale(id="vale/heavy", soil_groups=("heavy",))
    amount = rate(id="vale/light-p", soil_groups=("light",), analyte="P", method="bray", formula="70")
    tables = grouped(light, heavy, amount, light="sands", heavy="clays")
    soil = values(*({"value": 7.0, "lab_number": f"S{n}"} for n in (1, 2, 3)))
    found = record(tables, soil, samples(*({"soil_group": word} for word in ("light", "heavy", ""))))
    assert [r.class_name for r in found.results] == ["rich", "low", None]
    assert found.results[2].refusal.values["failed"] == "soil-group"
    assert [s.soil_group for s in found.samples] == ["light", "heavy", ""]
    assert [a.rate for a in found.amounts] == [70.0, None, None]
    assert {a.refusal.values["failed"] for a in found.amounts[1:]} == {"soil-group"}


def test_the_table_of_the_sampling_day_is_used():
    old = scale(
        id="vale/old", effective_from="2020-01-01", effective_to="2026-03-09", classes=classes(poor=0, rich=5)
    )
    tables = world(old, scale(effective_from="2026-03-10"))
    soil = values(
        {"value": 7.0, "sampled_on": datetime.datetime(2026, 3, 9)},  # noqa: DTZ001
        {"value": 7.0, "lab_number": "S2", "sampled_on": datetime.datetime(2026, 3, 10)},  # noqa: DTZ001
    )
    results = record(tables, soil, samples({}, {})).results
    assert [r.class_name for r in results] == ["rich", "low"]


@pytest.mark.parametrize(
    ("soil_ph", "lime", "key", "told"),
    [
        (7.4, NAN, None, None),
        (7.44, NAN, None, None),  # printed as 7.4
        (7.5, NAN, "method-not-valid", {"input": "ph", "found": 7.5, "limit": 7.4, "use_instead": "olsen"}),
        (7.0, 2.0, None, None),
        (7.0, 2.1, "method-not-valid", {"input": "lime_percent", "found": 2.1, "limit": 2.0}),
        (NAN, 1.0, None, None),
        (NAN, NAN, "validity-unknown", {"input": "ph", "limit": 7.4}),
    ],
)
def test_a_method_is_not_classed_where_it_is_not_valid(soil_ph, lime, key, told):
    soil = values({"value": 12.0}, *([] if np.isnan(soil_ph) else [ph(soil_ph)]))
    found = record(world(scale(), BRAY), soil, samples({"lime_percent": lime}))
    result = next(r for r in found.results if r.analyte == "P")
    if key is None:
        assert result.class_name == "medium"
    else:
        assert (result.class_name, result.table, result.limits) == (None, None, ())
        assert result.refusal.key == key
        assert result.refusal.values.items() >= told.items()


def test_a_ph_in_salt_solution_says_nothing_about_a_limit_in_water():
    salt = ph(7.9) | {"method": "ph-salt-1:2"}
    found = record(world(scale(), BRAY), values({"value": 12.0}, salt))
    assert next(r for r in found.results if r.analyte == "P").refusal.key == "validity-unknown"


def test_censored_and_below_scale_values_keep_their_reason():
    table = scale(classes=classes(low=0, high=10))
    assert record(world(table), values({"below": 2.0})).results[0].class_name == "low"
    ((key, told),) = refusals(world(table), values({"below": 11.0}))
    assert (key, told["below"]) == ("censored-straddles", 11.0)
    ((key, told),) = refusals(world(scale(classes=classes(low=4, high=10))), values({"value": 3.0}))
    assert (key, told["reported"], told["limit"]) == ("below-scale", 3.0, 4.0)


def test_without_a_scale_the_method_s_digits_are_reported():
    digits = [{"from": 0, "decimals": 2}, {"from": 1, "decimals": 1}, {"from": 10, "decimals": 0}]
    soil = values(*({"value": v, "lab_number": f"S{i}"} for i, v in enumerate((0.444, 1.25, 14.4), 1)))
    results = record(world(method(digits=digits)), soil, samples({}, {}, {})).results
    assert [(r.value, r.decimals) for r in results] == [(0.44, 2), (1.3, 1), (14.0, 0)]


# ------------------------------------------------------------------------------------------- amounts


def amounts(tables, soil, context=None):
    return {a.nutrient: a for a in record(tables, soil, context).amounts}


def test_amounts_follow_the_printed_class():
    # 9.6 is printed as 10 and classed medium
    amount = amounts(world(scale(), method(), P_RATE), values({"value": 9.6}))["P2O5"]
    assert (amount.rate, amount.unit, amount.table) == (40.0, "kg/ha", "vale/p2o5")


def test_none_needed_is_an_amount_and_has_a_working():
    amount = amounts(world(scale(), method(), P_RATE), values({"value": 30.0}))["P2O5"]
    assert (amount.rate, amount.refusal, amount.materials) == (0.0, None, ())
    assert [step.key for step in amount.working] == [
        "table",
        "soil-test",
        "class-row",
        "raw-rate",
        "rounding",
    ]


def test_a_refused_soil_test_refuses_its_amount_and_says_why():
    amount = amounts(world(scale(), BRAY, P_RATE), values({"value": 12.0}, ph(8.0)))["P2O5"]
    assert (amount.rate, amount.working, amount.refusal.key) == (None, (), "soil-test-refused")
    assert amount.refusal.values["reason"] == "method-not-valid"


def test_a_soil_test_that_was_not_made_is_missing():
    amount = amounts(world(scale(), method(), P_RATE), values(ph(6.0)))["P2O5"]
    assert (amount.rate, amount.refusal.key, amount.refusal.values["input"]) == (
        None,
        "missing-input",
        "soil_test",
    )


def test_where_one_method_is_not_valid_the_other_s_table_is_used():
    olsen_scale = scale(id="vale/p-olsen", method="olsen", classes=classes(low=0, medium=5, high=12))
    olsen_rate = rate(
        id="vale/p2o5-olsen", analyte="P", method="olsen", by_class={"low": 70, "medium": 35, "high": 0}
    )
    tables = world(scale(), olsen_scale, BRAY, OLSEN, P_RATE, olsen_rate)
    soil = values({"value": 12.0}, ph(8.0), {"method": "olsen", "value": 4.0})
    amount = amounts(tables, soil)["P2O5"]
    assert (amount.rate, amount.table) == (70.0, "vale/p2o5-olsen")
    # Both valid: the table of the method whose id comes first, and one amount only.
    amount = amounts(tables, values({"value": 12.0}, ph(6.0), {"method": "olsen", "value": 4.0}))["P2O5"]
    assert (amount.rate, amount.table) == (40.0, "vale/p2o5")


@pytest.mark.parametrize(
    ("goal", "key"),
    [
        (8.0, None),
        (1.0, None),
        (20.0, None),
        (0.99, "yield-goal-implausible"),
        (180.0, "yield-goal-implausible"),
        (NAN, "missing-input"),
    ],
)
def test_yield_goals_that_are_missing_or_in_another_unit(goal, key):
    amount = amounts(world(N_RATE), values(ph(6.0)), samples({"yield_goal": goal}))["N"]
    assert (amount.refusal.key if amount.refusal else None) == key
    assert (amount.rate is None) == (key is not None)


@pytest.mark.parametrize(
    ("density", "constant", "rate_n", "missing"),
    [
        (1.3, None, 135, None),  # 160 - 0.1 x 10 mg/kg x 20 cm x 1.3 = 134
        (NAN, 1.5, 130, None),  # the table's own: 160 - 30
        (1.0, 1.5, 140, None),  # a measured one comes first: 160 - 20
        (NAN, None, None, "bulk_density_g_per_cm3"),
    ],
)
def test_nitrate_per_hectare_needs_a_bulk_density(density, constant, rate_n, missing):
    table = rate(
        id="vale/n", nutrient="N", formula="20 * yield_goal - nitrate_kg_per_ha",
        values={"bulk_density_g_per_cm3": constant} if constant else {},
    )  # fmt: skip
    soil = values(
        {"analyte": "nitrate", "form": "NO3-N", "method": "kcl", "value": 10.0, "basis": "oven-dry"}
    )
    amount = amounts(world(table), soil, samples({"bulk_density_g_per_cm3": density}))["N"]
    assert amount.rate == rate_n
    if missing:
        assert amount.refusal.values["input"] == missing
    else:
        told = {s.values["name"]: s for s in amount.working if s.key in ("input", "input-assumed")}
        used = {name: step.values["value"] for name, step in told.items()}
        assert used["bulk_density_g_per_cm3"] == (constant if np.isnan(density) else density)
        assert (told["bulk_density_g_per_cm3"].key == "input-assumed") == np.isnan(density)
        assert used["depth_cm"] == 20
        assert used["nitrate_kg_per_ha"] == pytest.approx(
            2 * 10 * (constant if np.isnan(density) else density)
        )


def test_a_condition_on_nitrate_per_hectare_tells_its_layer_and_density_too():
    table = rate(
        id="vale/n", nutrient="N", formula="100", when="nitrate_kg_per_ha < 20",
        values={"bulk_density_g_per_cm3": 1.5},
    )  # fmt: skip
    nitrate = {"analyte": "nitrate", "form": "NO3-N", "method": "kcl", "value": 10.0, "basis": "oven-dry"}
    amount = amounts(world(table), values(nitrate), samples({}))["N"]
    assert amount.rate == 0  # 0.1 x 10 mg/kg x 20 cm x 1.5 = 30
    told = [(step.key, step.values.get("name"), step.values.get("value")) for step in amount.working]
    assert ("input", "depth_cm", 20.0) in told
    assert ("input-assumed", "bulk_density_g_per_cm3", 1.5) in told
    assert ("input", "nitrate_kg_per_ha", 30.0) in told


@pytest.mark.parametrize(
    ("form", "basis", "rate_n"),
    [
        ("NO3-N", "oven-dry", 150),
        ("NO3-N", "air-dry", 150),
        ("NO3", "oven-dry", None),
        ("NO3-N", "as-received", None),
    ],
)
def test_a_value_of_another_form_or_of_moist_soil_stands_under_no_name(form, basis, rate_n):
    # 160 - 10 mg/kg of nitrate-N = 150; 10 mg/kg of nitrate are only 2.3 of nitrogen, and 10 of a soil with
    # 25 % of water are 12.5 of dry soil: neither is converted
    table = rate(id="vale/n", nutrient="N", formula="20 * yield_goal - nitrate_mg_per_kg")
    soil = values({"analyte": "nitrate", "form": form, "method": "kcl", "value": 10.0, "basis": basis})
    amount = amounts(world(table), soil)["N"]
    assert amount.rate == rate_n
    if rate_n is None:
        assert amount.refusal.values["input"] == "nitrate_mg_per_kg"


@pytest.mark.parametrize(("top", "rate_n"), [(0.0, 160), (0.1, None), (15.0, None)])
def test_a_table_may_hold_only_for_layers_that_begin_at_the_surface(top, rate_n):
    table = rate(id="vale/n", nutrient="N", formula="20 * yield_goal", holds_if="depth_from_cm == 0")
    context = samples({"depth_from_cm": top, "depth_to_cm": top + 20})
    amount = amounts(world(table), values(ph(6.0)), context)["N"]
    assert amount.rate == rate_n
    if rate_n is None:
        assert amount.refusal.key == "outside-table"


def test_lime_is_not_due_where_buffer_ph_was_not_read():
    lime = rate(
        id="vale/lime", nutrient="lime", unit="t/ha", round_to=0.5, analyte="buffer-pH", method="buffer",
        when="ph < 6.2", formula="10 * (7 - soil_test)", materials=["ground"],
    )  # fmt: skip
    ground = build.material(id="ground", neutralising_value_percent=80)
    tables = world(lime, ground, method(id="buffer", analyte="buffer-pH", form="pH", unit="pH", basis="none"))
    amount = amounts(tables, values(ph(6.8)))["lime"]
    assert (amount.rate, amount.working[-1].key) == (0.0, "not-due")
    amount = amounts(tables, values(ph(5.5)))["lime"]
    assert (amount.rate, amount.refusal.values["input"]) == (None, "soil_test")
    amount = amounts(tables, values(ph(5.5), ph(6.6) | {"analyte": "buffer-pH", "method": "buffer"}))["lime"]
    assert (amount.rate, amount.unit) == (4.0, "t/ha")  # 10 x 0.4, pure carbonate
    assert amount.materials[0].rate == pytest.approx(5.0)  # 4 x 100 / 80


def test_a_nutrient_tested_but_not_calibrated_for_the_crop_is_refused():
    tables = world(scale(), method(), P_RATE.model_copy(update={"crops": ("wheat",)}), N_RATE)
    found = amounts(tables, values({"value": 12.0}))
    assert found["P2O5"].refusal.key == "not-calibrated"
    assert amounts(tables, values(ph(6.0))).keys() == {"N"}  # not tested: nothing to say


def test_a_rate_table_of_another_day_or_depth_does_not_apply():
    for change, failed in (
        ({"effective_from": datetime.date(2027, 1, 1)}, "day"),
        ({"depth_cm": (0, 60)}, "depth"),
    ):
        amount = amounts(world(N_RATE.model_copy(update=change)), values(ph(6.0)))["N"]
        assert (amount.refusal.key, amount.refusal.values["failed"]) == ("no-table", failed)


@pytest.mark.parametrize("change", [{"basis": "oven-dry"}, {"form": "P2O5"}])
def test_a_rate_for_another_basis_or_form_is_refused(change):
    tables = world(scale(), method(), P_RATE.model_copy(update=change))
    amount = amounts(tables, values({"value": 12.0}))["P2O5"]
    assert (amount.refusal.key, amount.refusal.values["reason"]) == ("soil-test-refused", "basis")


def test_a_rate_may_stand_on_a_value_that_has_no_scale_but_is_its_method_s_own():
    table = rate(analyte="P", method="bray", formula="2 * soil_test")
    assert amounts(world(method(), table), values({"value": 12.0}))["P2O5"].rate == 25.0  # 24 on steps of 5
    other_unit = amounts(world(method(), table), values({"value": 12.0, "unit": "mg/dm3"}))["P2O5"]
    assert (other_unit.rate, other_unit.refusal.values["reason"]) == (None, "unit")


@pytest.mark.parametrize(("content", "rate_found"), [(-0.04, 100), (-0.06, None)])  # printed as 0.0 and -0.1
def test_no_amount_stands_on_a_content_below_zero(content, rate_found):
    table = rate(analyte="P", method="bray", formula="100 - 2 * soil_test", round_to=1)
    tables = world(table, method())
    soil = values({"value": content})
    amount = amounts(tables, soil)["P2O5"]
    assert amount.rate == rate_found
    if rate_found is None:
        assert (amount.refusal.key, amount.refusal.values["reason"]) == ("soil-test-refused", "below-scale")
        refusal = record(tables, soil).results[0].refusal
        assert refusal.key == "below-scale"
        assert (refusal.values["limit"], refusal.values["reported"]) == (0.0, -0.1)


def test_amounts_in_pounds_per_acre_are_bought_in_kilograms_per_hectare():
    table = rate(
        id="vale/n", nutrient="N", unit="lb/ac", formula="100", materials=["urea"],
    )  # fmt: skip
    tables = world(
        table,
        build.material(id="urea", analysis_percent={"N": 46}),
        build.note(when="n_rate > 112 and n_rate < 113"),
    )
    found = record(tables, values(ph(6.0)))
    # 100 lb/ac is 112.085 kg/ha, by definition of pound and acre
    assert (found.amounts[0].rate, found.amounts[0].unit) == (100.0, "lb/ac")
    assert found.amounts[0].materials[0].supplies_kg_per_ha["N"] == pytest.approx(112.085, abs=1e-3)
    assert [note.key for note in found.notes] == ["n"]


def test_without_a_sampling_day_there_is_no_amount():
    amount = amounts(world(N_RATE), values(ph(6.0)), samples({"sampled_on": pd.NaT}))["N"]
    assert (amount.rate, amount.refusal.values["input"]) == (None, "sampled_on")


def test_the_figure_that_decided_whether_lime_is_due_is_in_the_working():
    table = rate(id="vale/lime", nutrient="lime", unit="t/ha", round_to=0.5, when="ph < 6", formula="4")
    working = amounts(world(table), values(ph(5.5)))["lime"].working
    assert {"name": "ph", "value": 5.5} in [step.values for step in working if step.key == "input"]


def test_steps_add_up_to_the_amount():
    table = rate(
        analyte="P", method="bray",
        by_class={"low": "10 * yield_goal", "medium": "6 * yield_goal", "high": 0},
        credits=[
            {"key": "manure", "formula": "manure_p2o5_kg_per_ha"},
            {"key": "previous-crop", "by_previous_crop": {"wheat": 4}},
        ],
        floor=10, cap=60, round_to=5, materials=["tsp"],
    )  # fmt: skip
    tables = world(scale(), method(), table, build.material(analysis_percent={"P2O5": 46}))
    for value, goal, manure in ((5, 8, 0), (5, 5.3, 3), (15, 4, 30), (25, 8, 0), (5, 4, 7)):
        context = samples({"yield_goal": goal, "manure_p2o5_kg_per_ha": manure, "previous_crop": "wheat"})
        amount = amounts(tables, values({"value": value}), context)["P2O5"]
        total = None
        for step in amount.working:
            match step.key:
                case "raw-rate":
                    total = step.values["rate"]
                case "credit":
                    total -= step.values["amount"]
                case "floor":
                    assert total < step.values["limit"]
                    total = step.values["limit"]
                case "cap":
                    assert total > step.values["limit"]
                    total = step.values["limit"]
                case "rounding":
                    total = np.floor(total / step.values["step"] + 0.5) * step.values["step"]
                    assert total == step.values["rate"]
        assert total == amount.rate


def test_the_working_names_every_figure_in_order():
    table = rate(
        analyte="P", method="bray", formula="(20 - soil_test) * yield_goal",
        credits=[{"key": "manure", "formula": "manure_p2o5_kg_per_ha"}], cap=50,
    )  # fmt: skip
    amount = amounts(world(scale(), method(), table), values({"value": 12.3}))["P2O5"]
    assert [(step.key, step.values) for step in amount.working] == [
        ("table", {"table": "vale/p2o5", "nutrient": "P2O5", "unit": "kg/ha"}),
        ("soil-test", {"analyte": "P", "method": "bray", "unit": "mg/kg", "value": 12.0}),
        ("formula", {"formula": "(20 - soil_test) * yield_goal"}),
        ("input", {"name": "manure_p2o5_kg_per_ha", "value": 0.0}),
        ("input", {"name": "yield_goal", "value": 8.0}),
        ("raw-rate", {"rate": 64.0, "unit": "kg/ha"}),  # (20 - 12) x 8
        ("credit", {"credit": "manure", "amount": 0.0, "unit": "kg/ha"}),
        ("cap", {"limit": 50.0, "unit": "kg/ha"}),
        ("rounding", {"step": 5.0, "rate": 50.0, "unit": "kg/ha"}),
    ]


# -------------------------------------------------------------------------------- records and batches


def test_a_field_s_record_is_complete():
    note = build.note(when="borderline", sources=("made-up",))
    tables = world(scale(), method(), P_RATE, note)
    soil = values({"value": 9.6, "standard_uncertainty": 1.0}, {"value": 25.0, "lab_number": "S2"}, ph(6.0))
    found = record(tables, soil, samples({"label": "north"}, {"label": "south"}))
    assert (found.field_name, found.region_name, found.yield_goal, found.yield_unit) == (
        "Long Acre",
        "Vale",
        8.0,
        "t/ha",
    )
    assert [s.label for s in found.samples] == ["north", "south"]
    assert [(n.key, n.lab_numbers) for n in found.notes] == [("n", ("S1",))]
    assert [(t.id, t.fingerprint) for t in found.tables] == [("vale/p", "ab12"), ("vale/p2o5", "")]
    assert ([m.id for m in found.methods], [s.id for s in found.sources]) == (["bray"], ["made-up"])
    assert (found.runs, found.example) == (("BR-1",), True)


def test_a_method_says_what_became_of_the_water_of_a_moist_soil():
    def added(**more):
        return record(world(method(**more)), values({"value": 9.6})).methods[0].soil_water_added

    assert added() is None  # weighed air-dry
    assert added(weighed_basis="as-received", basis="oven-dry") is False
    assert added(weighed_basis="as-received", basis="oven-dry", soil_water_added=True) is True


def test_published_tables_and_real_samples_make_no_example():
    published = {"standing": "published"}
    tables = world(scale(**published), method(), P_RATE.model_copy(update=published))
    assert record(tables, values({"value": 12.0})).example  # the region is invented
    tables.regions["vale"] = tables.regions["vale"].model_copy(update=published)
    assert not record(tables, values({"value": 12.0})).example
    assert record(tables, values({"value": 12.0}), samples({"example": True})).example


def test_a_note_that_holds_everywhere_concerns_the_whole_field():
    found = record(world(scale(), build.note()), values({"value": 12.0}), samples({}, {}))
    assert found.notes[0].lab_numbers == ()


def test_samples_without_values_keep_their_place():
    advice = advise(values({"value": 12.0}), world(scale(), N_RATE), samples({}, {"field_id": "f2"}))
    assert field_ids(advice) == ("f1", "f2")
    found = field_advice(advice, "f2")
    assert ([s.lab_number for s in found.samples], found.results) == (["S2"], ())
    assert found.amounts[0].rate == 160.0  # N by yield goal needs no soil test


def test_no_values_at_all():
    advice = advise(values({"value": 1.0}).iloc[:0], world(scale(), P_RATE, N_RATE), samples({}))
    found = field_advice(advice, "f1")
    assert (found.results, [a.rate for a in found.amounts]) == ((), [160.0, None])


@pytest.mark.parametrize(
    ("soil", "context", "message"),
    [
        ([{"value": 1.0, "lab_number": "X9"}, {"value": 1.0, "lab_number": "X8"}], [{}],
         r"2 lab number\(s\) .* are not in the list of samples: X8, X9\nExpected: .*\nTo fix it: add"),
        ([{"value": 1.0}, {"value": 2.0}], [{}], r"soil value 2, lab number S1: P by bray is given twice"),
        ([{"value": np.inf}], [{}], r"soil value 1, lab number S1: a soil value is infinite"),
        ([{"value": 1.0}], [{"crop": "mayze"}],
         r"lab number S1: unknown crop 'mayze'\nExpected: one of maize, wheat\nTo fix it"),
        ([{"value": 1.0}], [{"previous_crop": "x"}],
         r"unknown previous crop 'x'\nExpected: one of \(empty\), maize"),
        ([{"value": 1.0}], [{"region": "moon"}], r"lab number S1: unknown region 'moon'"),
        ([{"value": 1.0}], [{"yield_unit": "kg/ha"}],
         r"unknown yield unit 'kg/ha'\nExpected: one of \(empty\), bale/ac, bu/ac, lb/ac, t/ha, ton/ac\n"
         r"To fix it: correct the name$"),
        ([{"value": 1.0}], [{"soil_group": "clayey"}],
         r"lab number S1: unknown soil group 'clayey' of region vale\nExpected: an empty cell; it has none"),
        ([{"value": 1.0}], [{}, {"lab_number": "S1"}], r"sample 2: lab number S1 is listed twice"),
        ([{"value": 1.0}], [{}, {"crop": "wheat"}], r"field f1: samples of field f1 differ in crop"),
        ([{"value": 1.0}], [{}, {"yield_goal": 3.0}], r"samples of field f1 differ in yield goal"),
    ],
)  # fmt: skip
def test_bad_lists_are_refused_with_the_row(soil, context, message):
    with pytest.raises(SampleListError, match=message):
        advise(values(*soil), world(scale()), samples(*context))


def test_a_missing_column_is_named():
    with pytest.raises(SampleListError, match=r"lacks the column 'texture'"):
        advise(values({"value": 1.0}), world(scale()), samples({}).drop(columns="texture"))


def test_a_soil_group_is_a_word_of_the_samples_own_region():
    hill = world(regions=("hill",)).regions
    tables = grouped(scale(), light="sands", heavy="clays")
    tables = replace(tables, regions=tables.regions | hill)
    soil = values({"value": 1.0}, {"value": 1.0, "lab_number": "S2"})
    assert len(record(tables, soil, samples({"soil_group": "heavy"}, {})).samples) == 2
    with pytest.raises(SampleListError) as caught:
        advise(soil, tables, samples({}, {"soil_group": "hevy"}))
    assert str(caught.value) == (
        "lab number S2: unknown soil group 'hevy' of region vale\n"
        "Expected: one of light (sands); heavy (clays), or an empty cell\n"
        "To fix it: correct the word, or leave the cell empty where the soil group is not known"
    )
    with pytest.raises(SampleListError, match="of region hill\nExpected: an empty cell"):
        advise(soil, tables, samples({"soil_group": "heavy", "region": "hill"}, {"region": "hill"}))


def test_an_unknown_field_is_named():
    with pytest.raises(SampleListError, match=r"no sample belongs to field 'f9'"):
        record(world(scale()), values({"value": 1.0}), field_id="f9")


# ----------------------------------------------------------------------------------------------- laws

TABLES = world(
    scale(),
    BRAY,
    P_RATE,
    N_RATE,
    build.note(when="p_class_index < 1"),
    build.note(key="b", when="borderline"),
)
ROWS = st.lists(
    st.tuples(
        st.floats(0, 60),
        st.sampled_from([NAN, 0.5, 3.0]),
        st.sampled_from([5.5, 7.4, 8.1]),
        st.integers(1, 3),
    ),
    min_size=1,
    max_size=12,
)


def batch(rows):
    soil, context = [], []
    for i, (value, uncertainty, soil_ph, field) in enumerate(rows, 1):
        number = f"S{i}"
        soil += [
            {"value": value, "standard_uncertainty": uncertainty, "lab_number": number},
            ph(soil_ph, number),
        ]
        context.append({"field_id": f"f{field}"})
    return values(*soil), samples(*context)


@settings(deadline=None, max_examples=20)
@given(ROWS, st.randoms(use_true_random=False))
def test_law_the_order_of_the_rows_is_irrelevant(rows, random):
    soil, context = batch(rows)
    shuffled = soil.sample(frac=1, random_state=random.randint(0, 9999))
    one, two = advise(soil, TABLES, context), advise(shuffled, TABLES, context)
    for field in field_ids(one):
        a, b = field_advice(one, field), field_advice(two, field)
        key = lambda r: (r.lab_number, r.analyte)  # noqa: E731
        assert sorted(a.results, key=key) == sorted(b.results, key=key)
        assert (a.amounts, a.notes) == (b.amounts, b.notes)


@settings(deadline=None, max_examples=20)
@given(ROWS)
def test_law_an_unrelated_sample_changes_nothing(rows):
    soil, context = batch(rows)
    more = pd.concat([values({"value": 3.0, "lab_number": "Z"}, ph(8.8, "Z")), soil], ignore_index=True)
    with_more = pd.concat([samples({"lab_number": "Z", "field_id": "other"}), context], ignore_index=True)
    one, two = advise(soil, TABLES, context), advise(more, TABLES, with_more)
    for field in field_ids(one):
        assert field_advice(one, field) == field_advice(two, field)


@settings(deadline=None, max_examples=20)
@given(ROWS)
def test_law_more_in_the_soil_never_means_more_to_apply(rows):
    soil, context = batch(sorted((value, NAN, 6.0, 1) for value, *_ in rows))
    rated = advise(soil, TABLES, context).rated.frame.query("nutrient == 'P2O5'")
    assert (np.diff(rated["rate"]) <= 0).all()


# ------------------------------------------------------------------- tests known only to lie below a limit


@pytest.mark.parametrize(
    ("rule", "rate_found"),
    [
        # Capped at 80 from 0 to the limit of 4: 100 - 5 x 4 = 80.
        ({"formula": "100 - 5 * soil_test", "cap": 80}, 80.0),
        # One step of a stepped table holds the whole of [0, 4).
        ({"by_value": [{"from": 0, "rate": 60}, {"from": 4, "rate": 30}]}, None),
        ({"by_value": [{"from": 0, "rate": 60}, {"from": 4.1, "rate": 30}]}, 60.0),
        # 100 - 5 x 4 = 80 at the limit, 100 at zero: not one amount.
        ({"formula": "100 - 5 * soil_test"}, None),
        # The same at both ends, more between: 4 at 0 and at 4, 0 at 2, in tens of kg.
        ({"formula": "10 * max(soil_test - 2, 2 - soil_test)"}, None),
    ],
)
def test_an_amount_is_given_below_a_limit_only_where_every_value_leads_to_it(rule, rate_found):
    tables = world(scale(), method(), rate(analyte="P", method="bray", **rule))
    amount = amounts(tables, values({"below": 4.0}))["P2O5"]
    assert amount.rate == rate_found
    if rate_found is None:
        assert (amount.refusal.key, amount.refusal.values["reason"]) == ("soil-test-refused", "only-a-limit")
    else:
        assert amount.working[1].key == "soil-test-below"
        assert amount.working[1].values["below"] == 4.0


def test_a_buffer_ph_needs_no_class():
    tables = world(scale(), method(id="buffer", analyte="buffer-pH", form="pH", unit="pH", basis="none"))
    buffer, copper = (
        {"analyte": name, "form": form, "method": "buffer", "unit": unit, "basis": basis, "value": 6.6}
        for name, form, unit, basis in (("buffer-pH", "pH", "pH", "none"), ("Cu", "Cu", "mg/kg", "air-dry"))
    )
    assert refusals(tables, values(buffer)) == [None]
    ((key, told),) = refusals(tables, values(copper))
    assert (key, told["failed"]) == ("no-table", "analyte")  # a nutrient without classes is said to have none


def test_a_rate_may_put_back_what_the_harvest_carries_away():
    removal = [
        {"P2O5": 6.3, "source": "s", "standing": "invented"},  # the first figures count
        {"P2O5": 5.5, "source": "s", "standing": "invented"},
    ]
    maize, wheat = (
        build.crop(id=name, name=name, removal=rows) for name, rows in (("maize", removal), ("wheat", []))
    )
    tables = world(maize, wheat, rate(formula="removal_p2o5_kg_per_ha"))
    assert amounts(tables, values(ph(6.0)))["P2O5"].rate == 50.0  # 6.3 x 8 t/ha = 50.4, in steps of 5

    def refused(**change):
        return amounts(tables, values(ph(6.0)), samples(change))["P2O5"].refusal.values["input"]

    assert refused(yield_goal=NAN) == "yield_goal"
    assert refused(crop="wheat") == "removal_p2o5_kg_per_ha"  # its file lists no figures


def test_a_working_shows_the_table_s_own_figures():
    table = N_RATE.model_copy(
        update={"formula": "per_t * yield_goal", "values": {"per_t": 20.0, "unused": 1.0}}
    )
    steps = amounts(world(table), values(ph(6.0)))["N"].working
    assert [s.values for s in steps if s.key == "constant"] == [{"name": "per_t", "value": 20.0}]
    gated = table.model_copy(update={"when": "ph < limit", "values": {"per_t": 20.0, "limit": 5.5}})
    steps = amounts(world(gated), values(ph(6.0)))["N"].working
    assert [s.values for s in steps if s.key == "constant"] == [{"name": "limit", "value": 5.5}]
    assert steps[-1].key == "not-due"


def test_a_note_about_an_amount_is_not_printed_where_none_is_given():
    danger = build.note(key="handle-with-care", when="n_rate > 0", severity="danger")
    for goal, printed in ((8.0, True), (NAN, False)):  # without a yield goal N is refused
        found = record(world(N_RATE, danger), values(ph(6.0)), samples({"yield_goal": goal}))
        assert ("handle-with-care" in [note.key for note in found.notes]) is printed
