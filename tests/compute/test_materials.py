"""From an amount to what is bought, and what a harvest takes away."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.agronomy.materials import material_rates, removal_kg_per_ha
from interpretation.errors import TableError
from tests.small_world import crop, material

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


def test_removal_per_tonne_and_per_bushel():
    removal = [{"P2O5": 0.2, "source": "made-up", "standing": "invented"}]
    tonnes, bushels = crop(removal=removal), crop(yield_unit="bu/ac", removal=removal)
    assert removal_kg_per_ha(tonnes, 10.0) == pytest.approx({"P2O5": 2.0})
    assert removal_kg_per_ha(bushels, 10.0) == pytest.approx({"P2O5": 2.0 / 0.40468564224})
    assert removal_kg_per_ha(crop(), 10.0) == {}
