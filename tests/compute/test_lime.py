"""Lime: a rate in pure calcium carbonate from buffer pH or acidity, then the material's own amount."""

import numpy as np
import pytest

from interpretation.agronomy.materials import material_rates
from interpretation.agronomy.rates import rates
from tests.small_world import material, rate


def amount(table, **columns):
    return rates(table, {name: np.array([value]) for name, value in columns.items()}, 1).rate[0]


@pytest.mark.parametrize(("percent", "tonnes"), [(100, 3.0), (75, 4.0), (120, 2.5)])
def test_a_weaker_material_takes_more(percent, tonnes):
    (found,) = material_rates("lime", 3000.0, [material(id="l", neutralising_value_percent=percent)])
    assert (found.rate, found.unit) == (pytest.approx(tonnes), "t/ha")  # 3 x 100 / percent
    assert found.supplies_kg_per_ha["lime"] == pytest.approx(3000.0)


def test_magnesium_of_a_dolomite_is_told():
    dolomite = material(id="d", neutralising_value_percent=100, analysis_percent={"Mg": 10})
    assert material_rates("lime", 2000.0, [dolomite])[0].supplies_kg_per_ha == pytest.approx(
        {"Mg": 200.0, "lime": 2000.0}
    )


@pytest.mark.parametrize(("depth", "tonnes"), [(20, 4.0), (10, 2.0), (15, 3.0), (25, 5.0)])
def test_a_table_scales_with_depth_where_it_says_so(depth, tonnes):
    # 10 x (7.0 - 6.6) = 4 t/ha for 20 cm, in proportion for other layers
    table = rate(
        nutrient="lime", unit="t/ha", round_to=0.5, values={"target": 7.0, "reference_cm": 20},
        formula="10 * (target - buffer_ph) * depth_cm / reference_cm",
    )  # fmt: skip
    assert amount(table, buffer_ph=6.6, depth_cm=float(depth)) == tonnes


@pytest.mark.parametrize(("ph", "tonnes"), [(5.9, 3.0), (6.0, 0.0), (6.5, 0.0)])
def test_no_lime_where_the_ph_is_on_target(ph, tonnes):
    table = rate(
        nutrient="lime", unit="t/ha", round_to=0.5, when="ph < target_ph", values={"target_ph": 6.0},
        formula="2 * acidity_cmol_per_kg",
    )  # fmt: skip
    assert amount(table, ph=ph, acidity_cmol_per_kg=1.5) == tonnes
