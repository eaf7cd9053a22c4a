"""From an amount to what is bought, and what a harvest takes away."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.advise import advise
from interpretation.agronomy.materials import material_rates, removal_kg_per_ha
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import Source
from interpretation.errors import TableError
from tests.small_world import crop, material, rate, samples, values, world

TSP = material(analysis_percent={"P2O5": 46})
MAP = material(
    id="map", name="monoammonium phosphate", analysis_percent={"N": 11, "P2O5": 52}, cautions=("salt",)
)
APP = material(id="app", name="10-34-0", analysis_percent={"N": 10, "P2O5": 34}, density_kg_per_l=1.4)
GROUND = material(id="ground", name="ground limestone", neutralising_value_percent=70)
DOLOMITE = material(id="dolo", name="dolomite", neutralising_value_percent=100, analysis_percent={"Mg": 10})


def test_each_material_alone_supplies_the_amount():
    tsp, mono = material_rates("P2O5", 52.0, [TSP, MAP])
    assert tsp.rate == pytest.approx(113.043, abs=1e-3)  # 52 / 0.46
    assert (mono.rate, mono.unit) == (pytest.approx(100.0), "kg/ha")  # 52 / 0.52
    assert mono.supplies_kg_per_ha == pytest.approx({"N": 11.0, "P2O5": 52.0})  # the N comes along
    assert (mono.cautions, tsp.litres_per_ha) == (("salt",), None)


def test_liquids_are_told_in_litres_too():
    (liquid,) = material_rates("P2O5", 34.0, [APP])
    assert (liquid.rate, liquid.litres_per_ha) == (pytest.approx(100.0), pytest.approx(100 / 1.4))


def test_what_a_dry_material_weighs_as_poured_comes_along_and_its_source_is_cited():
    densities = [
        {"g_per_cm3": at, "source": source, "standing": "invented"}
        for at, source in ((1.1, "scales"), (1.2, "other"))
    ]
    poured = material(analysis_percent={"P2O5": 46}, bulk_densities=densities)
    assert [one.bulk_g_per_cm3 for one in material_rates("P2O5", 46.0, [poured, MAP])] == [1.1, None]
    tables = world(rate(formula="46", materials=("tsp",)), poured)
    sources = {each: Source(id=each, title="t", read="invented") for each in ("made-up", "scales", "other")}
    tables = replace(tables, sources=sources)
    advice = field_advice(advise(values({"value": 9.0}), tables, samples({})), "f1")
    assert advice.amounts[0].materials[0].bulk_g_per_cm3 == 1.1
    assert [one.id for one in advice.sources if one.id != "made-up"] == ["scales"]  # the first counts, alone


def test_nothing_needed_is_no_material():
    assert material_rates("P2O5", 0.0, [TSP]) == ()


def test_a_material_without_the_nutrient_is_an_error_of_the_table():
    with pytest.raises(
        TableError, match=r"material tsp: the material has no K2O\nExpected: .*K2O\nTo fix it"
    ):
        material_rates("K2O", 10.0, [TSP])
    with pytest.raises(TableError, match="material tsp: the material has no neutralising value"):
        material_rates("lime", 10.0, [TSP])


@given(st.floats(0.1, 500), st.floats(1, 60))
def test_law_a_material_supplies_the_amount_it_was_chosen_for(amount, percent):
    (found,) = material_rates("P2O5", amount, [material(analysis_percent={"P2O5": percent})])
    assert found.supplies_kg_per_ha["P2O5"] == pytest.approx(amount)


# ------------------------------------------------------------------------------------------- removal

# (2 x 30.974 + 5 x 15.999) / (2 x 30.974) and (2 x 39.098 + 15.999) / (2 x 39.098)
OXIDE = {"P": 2.291325, "K": 1.204601}


def removal(**figures):
    return {"source": "made-up", "standing": "invented"} | figures


def removed(*editions, goal=10.0, **about):
    return removal_kg_per_ha(crop(removal=[removal(**one) for one in editions], **about), goal)


def test_removal_per_tonne():
    assert removed({"N": 12.0, "P2O5": 6.5, "K2O": 4.0, "S": 1.4}) == pytest.approx(
        {"N": 120.0, "P2O5": 65.0, "K2O": 40.0, "S": 14.0}
    )
    assert removed() == {}


def test_elements_are_counted_as_oxides():
    # FAO 2004, maize: 4.1 kg P and 4.8 kg K in a tonne are 9.39 kg P2O5 and 5.78 kg K2O
    assert removed({"P": 4.1, "K": 4.8}, goal=1.0) == pytest.approx(
        {"P2O5": 4.1 * OXIDE["P"], "K2O": 4.8 * OXIDE["K"]}, rel=1e-6
    )


@pytest.mark.parametrize(
    ("per", "figure", "kg_per_t"),
    # 0.63 lb in a bushel of 60 lb is 1.05 %; 13 lb in a short ton 0.65 %; 0.28 % is 2.8 kg/t
    [("kg/t", 6.5, 6.5), ("lb/bu", 0.63, 10.5), ("lb/ton", 13.0, 6.5), ("%", 0.28, 2.8)],
)
def test_each_way_of_printing_a_figure(per, figure, kg_per_t):
    assert removed({"P2O5": figure, "per": per}, goal=1.0, bushel_lb=60) == pytest.approx({"P2O5": kg_per_t})


@pytest.mark.parametrize(
    ("unit", "goal"),
    # all of them 10 t/ha: 60 lb/bu x 0.45359237 / 0.40468564224 = 67.2511 kg/ha for each bu/ac
    [("t/ha", 10.0), ("bu/ac", 148.6965), ("lb/ac", 8921.791), ("ton/ac", 4.460896)],
)
def test_yields_in_each_unit(unit, goal):
    found = removed({"P2O5": 6.5}, yield_unit=unit, goal=goal, bushel_lb=60)
    assert found == pytest.approx({"P2O5": 65.0}, rel=1e-6)


def test_pounds_in_a_bushel_of_a_crop_yielding_bushels_need_no_weight():
    # 0.37 lb/bu x 150 bu/ac = 55.5 lb/ac = 62.21 kg/ha
    found = removed({"P2O5": 0.37, "per": "lb/bu"}, yield_unit="bu/ac", goal=150.0)
    assert found == pytest.approx({"P2O5": 62.207}, abs=0.001)


@pytest.mark.parametrize(
    ("edition", "about"),
    [
        ({"P2O5": 6.5}, {"yield_unit": "bu/ac"}),
        ({"P2O5": 0.37, "per": "lb/bu"}, {}),
        ({"P2O5": 28.0}, {"yield_unit": "bale/ac"}),
    ],
)
def test_nothing_is_known_of_a_bushel_or_bale_that_was_not_weighed(edition, about):
    assert removed(edition, **about) == {}


def test_the_first_edition_that_nothing_speaks_against_counts():
    straw, doubted = {"P2O5": 1.9, "part": "straw"}, {"P2O5": 25.0, "doubtful": "twice the others"}
    both, sound = {"P2O5": 8.4, "part": "harvest-and-straw"}, {"P2O5": 12.0}
    assert removed(straw, doubted, both, sound, {"P2O5": 11.5}) == pytest.approx({"P2O5": 120.0})
    assert removed(straw, doubted, both) == {}


def test_editions_are_not_mixed():
    # What the first one does not say is not known, even where a later one says it.
    assert removed({"P2O5": 6.5}, {"P2O5": 6.3, "S": 1.4}) == pytest.approx({"P2O5": 65.0})
