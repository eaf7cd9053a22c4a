"""What published tables are not for: each is refused what its publisher would refuse it.

The classes themselves are in ``test_tables``.
"""

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from tests.small_world import classes, method, rate, samples, scale, values, world


def refusal(tables, soil, context=None):
    context = samples({}) if context is None else context
    found = field_advice(advise(soil, tables, context), "f1").results[0].refusal
    return found.key, found.values["failed"]


def test_a_volume_result_labelled_by_mass_is_blocked():
    # Case 101. NCDA&CS measures Mehlich-3 P by volume, mg/dm3 (ncagr.gov, Understand your report; published).
    table = scale(method="mehlich-3", unit="mg/dm3", basis="scooped-volume")
    soil = values({"method": "mehlich-3", "value": 40.0, "unit": "mg/kg", "basis": "scooped-volume"})
    assert refusal(world(table), soil) == ("no-table", "unit")


def test_a_mehlich_value_is_not_converted_for_a_bray_table():
    # Case 73. 22 mg/kg by Mehlich-3 is 10.2 by one published route (-8.08 + 0.832 x, agbmps.osu.edu/faq;
    # published) and 16.3 by another (35 % above Bray, agcrops.osu.edu/node/3486; published): refuse.
    assert refusal(world(scale()), values({"method": "mehlich-3", "value": 22.0})) == ("no-table", "method")


def test_organic_matter_has_no_class_without_a_texture():
    # Case 94. Rutgers rates organic matter by texture (organic-matter-levels.php; published).
    table = scale(
        analyte="organic-matter", method="om-loi", unit="%", basis="oven-dry", textures=("loam",),
        classes=classes(low=0, high=3),
    )  # fmt: skip
    soil = values(
        {
            "analyte": "organic-matter", "form": "organic matter", "method": "om-loi", "value": 2.0,
            "unit": "%", "basis": "oven-dry",
        }
    )  # fmt: skip
    assert refusal(world(table), soil, samples({"texture": ""})) == ("no-table", "texture")


def test_chloride_is_not_calibrated_for_maize():
    # Case 11. South Dakota calibrated chloride for wheat and barley only (plantsci.sdstate.edu; published).
    chloride = {"analyte": "chloride", "form": "Cl", "method": "chloride-2ft"}
    table = rate(
        id="vale/cl", nutrient="Cl", crops=("wheat",), analyte="chloride", method="chloride-2ft",
        formula="60 - soil_test",
    )  # fmt: skip
    tables = world(table, method(id="chloride-2ft", analyte="chloride", form="Cl"))
    found = field_advice(advise(values(chloride | {"value": 35.0}), tables, samples({})), "f1").amounts[0]
    assert (found.rate, found.refusal.key) == (None, "not-calibrated")


def test_a_shallow_nitrate_does_not_feed_a_root_zone_equation():
    # Case 81. The Nebraska equation takes the depth-weighted mean of 2 to 4 ft (J. Rees, jenreesources.com,
    # 1 Mar 2021; restated): a 0-8 in sample alone is refused.
    table = rate(id="vale/n", nutrient="N", depth_cm=(0, 60), formula="35 - 8 * nitrate_mg_per_kg")
    nitrate = {"analyte": "nitrate", "form": "NO3-N", "method": "kcl", "value": 3.0}
    found = field_advice(advise(values(nitrate), world(table), samples({})), "f1").amounts[0]
    assert (found.rate, found.refusal.values["failed"]) == (None, "depth")


def test_a_salt_ph_does_not_feed_a_rule_for_water():
    # Case 103. Missouri reads pH in salt solution, about half a unit lower (chillicothenews.com, Missouri
    # extension; restated): the rule for pH in water is not applied to it.
    table = rate(id="vale/lime", nutrient="lime", unit="t/ha", when="ph < 6", formula="4", round_to=0.5)
    salt = {"analyte": "pH", "form": "pH", "unit": "pH", "basis": "none", "method": "ph-salt", "value": 5.5}
    found = field_advice(advise(values(salt), world(table), samples({})), "f1").amounts[0]
    assert (found.rate, found.refusal.values["input"]) == (None, "ph")
