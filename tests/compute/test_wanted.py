"""A value without a class is told what the region's tables ask for, in each respect that did not match."""

import datetime

import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from reports.wording import Format, Wording
from tests.small_world import conversion, method, ph, rate, samples, scale, values, world

EN, ES, US = Wording(Format("en")), Wording(Format("es")), Wording(Format("en", "us"))
OLSEN = method(id="olsen", title="Olsen")


def no_class(tables, soil=None, **context):
    """Why the first value of one sample has no class."""
    advice = advise(values({"value": 12.0, **(soil or {})}), tables, samples(context))
    (found,) = field_advice(advice, "f1").results
    assert found.refusal is not None
    return found.refusal


@pytest.mark.parametrize(
    ("changes", "context", "key", "wanted"),
    [
        ({}, {"depth_to_cm": 15.0}, "wanted_depth", "0-20"),
        ({"crops": ["wheat"]}, {}, "wanted_crop", "wheat"),
        ({"textures": ["sand", "loamy sand"]}, {"texture": "clay"}, "wanted_texture", "sand,loamy sand"),
        ({"unit": "lb/ac"}, {}, "wanted_unit", "lb/ac"),
        ({"method": "olsen"}, {}, "wanted_method", "olsen"),
        ({"form": "P2O5"}, {}, "wanted_form", "P2O5"),
        ({"basis": "oven-dry"}, {}, "wanted_basis", "oven-dry"),
        ({"effective_to": datetime.date(2026, 2, 1)}, {}, "wanted_to", "2026-02-01"),
        ({"effective_from": datetime.date(2026, 4, 1)}, {}, "wanted_from", "2026-04-01"),
    ],
)
def test_what_the_nearest_table_asks_for_is_told(changes, context, key, wanted):
    depth = {name: context[name] for name in context if name.startswith("depth")}
    refusal = no_class(world(scale(**changes), method(), OLSEN), depth, **context)
    assert refusal.values[key] == wanted


def test_all_tables_that_are_as_near_are_told_and_no_others():
    tables = world(
        scale(id="vale/shallow", depth_cm=(0, 15)),
        scale(id="vale/deep", depth_cm=(0, 60)),
        scale(id="vale/other", depth_cm=(0, 30), method="olsen"),  # two things do not match
        method(),
        OLSEN,
    )
    assert no_class(tables).values["wanted_depth"] == "0-15,0-60"


def test_the_sentence_says_it_in_the_readers_words():
    refusal = no_class(world(scale(depth_cm=(0, 61), method="olsen-1:20-colour"), method()))
    assert EN.refusal(refusal) == (
        "No table fits this value. What does not match: sampling depth and test method. "
        "The table is for 0 to 61 cm and Olsen phosphorus."
    )
    assert "The table is for 0 to 24 in and Olsen phosphorus." in US.refusal(refusal)
    assert ES.refusal(refusal).endswith("La tabla pide 0 a 61 cm y fósforo Olsen.")


def test_a_table_that_has_ended_says_when():
    ended = scale(effective_from=datetime.date(1995, 7, 1), effective_to=datetime.date(2020, 10, 31))
    refusal = no_class(world(ended, method()))
    assert "sampling date. The table held from July 1, 1995 to October 31, 2020." in EN.refusal(refusal)
    later = no_class(world(scale(effective_from=datetime.date(2026, 4, 1)), method()))
    assert "sampling date. The table holds from April 1, 2026 on." in EN.refusal(later)


def test_a_method_that_no_table_knows_is_named():
    refusal = no_class(world(scale(), method()), {"method": "brey"})
    assert EN.refusal(refusal) == (
        "No table fits this value. What does not match: test method. The table is for bray. "
        "The tables know no test method called brey."
    )
    assert ES.refusal(refusal).endswith("Las tablas no conocen ningún método llamado brey.")
    known = no_class(world(scale(), method(), OLSEN), {"method": "olsen"})
    assert "unknown_method" not in known.values


def test_a_long_list_is_not_printed():
    crops = ["wheat", "oats", "rye", "rice", "flax", "peas", "maize-silage"]
    refusal = no_class(world(scale(crops=crops), method()))
    assert refusal.values["wanted_crop"].count(",") == 6
    assert EN.refusal(refusal).endswith("What does not match: crop.")


def test_an_amount_without_table_is_told_the_same_way():
    table = rate(depth_cm=(0, 30), soil_groups=["light"], formula="50")
    advice = advise(values(ph(6.0)), world(table), samples({}))
    (amount,) = field_advice(advice, "f1").amounts
    assert amount.refusal is not None
    assert EN.refusal(amount.refusal) == (
        "No table fits this value. What does not match: sampling depth and soil group. "
        "The table is for 0 to 30 cm and light."
    )


def test_a_soil_test_in_another_unit_is_told_the_unit_that_is_asked_for():
    # No scale covers it, so that only what the method reports itself may be used.
    table = rate(analyte="P", method="bray", formula="soil_test")
    advice = advise(values({"value": 8.0, "unit": "lb/ac"}), world(table, method()), samples({}))
    (amount,) = field_advice(advice, "f1").amounts
    assert amount.refusal is not None
    assert EN.refusal(amount.refusal) == (
        "The soil test cannot be used. It is stated in another unit. The table asks for mg/kg."
    )
    assert ES.refusal(amount.refusal).endswith("Está en otra unidad. La tabla pide mg/kg.")


def test_an_equation_is_not_offered_where_its_result_was_measured():
    tables = world(scale(), method(), method(id="m3", title="Mehlich-3"), conversion())
    strong = {"method": "m3", "value": 40.0}
    for rows, offered in (([strong], True), ([strong, {"value": 12.0}], False)):
        advice = advise(values(*rows), tables, samples({}))
        (found,) = [r for r in field_advice(advice, "f1").results if r.method == "m3"]
        assert found.refusal is not None
        assert ("conversion" in found.refusal.values) is offered


@pytest.mark.parametrize(
    ("cm", "written"),
    [
        (20.0, "8"),  # 8 in is 20.32 cm: 0.32 apart
        (15.0, "6"),  # 15.24
        (61.0, "24"),  # 60.96
        (18.0, "7"),  # 17.78
        (7.5, "3"),  # 7.62
        (17.29, "7"),  # 17.78 is 0.49 apart
        (17.27, "6.8"),  # 0.51 apart
        (10.0, "4"),  # 10.16
        (0.0, "0"),
    ],
)
def test_inches_are_whole_where_tables_would_not_tell_the_difference(cm, written):
    assert US.format.depth(cm) == (written, "in")
    assert EN.format.depth(cm)[1] == "cm"
