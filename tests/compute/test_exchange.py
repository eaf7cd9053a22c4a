"""Exchange properties and unit conversions: laws, and the traps printed texts fall into."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.conversions import (
    kg_per_ha,
    kg_per_ha_from_mg_per_dm3,
    lb_per_ac,
    mg_per_dm3,
    mg_per_kg_from_kg_per_ha,
    mg_per_kg_from_mg_per_dm3,
    per_mg_per_kg,
)
from interpretation.errors import BasisError
from interpretation.laboratory.exchange import (
    acid_saturation_percent,
    base_saturation_percent,
    cec_by_titration,
    cec_from_ammonium,
    chloride_by_titration,
    exchangeable_sodium_percent,
    sodium_adsorption_ratio,
    sodium_percent_from_ratio,
)
from interpretation.quantities import ANALYTES, KG_PER_HA_PER_LB_PER_ACRE, form_factor

positive = st.floats(0.01, 1e4)
WITH_FORMS = [(a.key, one, other) for a in ANALYTES.values() for one in a.factors for other in a.factors]
CHARGED = [(a.key, form) for a in ANALYTES.values() if a.charge for form in a.factors]


@given(positive, st.floats(1, 100), st.floats(0.1, 2))
def test_amounts_per_area_turn_back(content: float, depth: float, density: float) -> None:
    there = kg_per_ha(content, depth, density)
    assert mg_per_kg_from_kg_per_ha(there, depth, density) == pytest.approx(content)
    pounds = lb_per_ac(content, depth / 2.54, density)
    assert pounds * KG_PER_HA_PER_LB_PER_ACRE == pytest.approx(float(there))


@given(positive, st.floats(0.1, 2))
def test_scooped_volumes_turn_back(content: float, density: float) -> None:
    assert mg_per_kg_from_mg_per_dm3(mg_per_dm3(content, density), density) == pytest.approx(content)


@given(positive, st.floats(1, 100), st.floats(0.1, 2))
def test_both_ways_to_an_area_agree_at_one_density(content: float, depth: float, density: float) -> None:
    by_volume = kg_per_ha_from_mg_per_dm3(mg_per_dm3(content, density), depth)
    assert by_volume == pytest.approx(float(kg_per_ha(content, depth, density)))


@pytest.mark.parametrize(("key", "one", "other"), WITH_FORMS)
def test_forms_turn_back(key: str, one: str, other: str) -> None:
    assert form_factor(key, one, other) * form_factor(key, other, one) == pytest.approx(1)


@pytest.mark.parametrize(("key", "form"), CHARGED)
def test_charge_does_not_depend_on_the_form_it_is_counted_in(key: str, form: str) -> None:
    stored = ANALYTES[key].form
    as_stored = per_mg_per_kg(key, stored, "cmol/kg")
    assert per_mg_per_kg(key, form, "cmol/kg") * form_factor(key, stored, form) == pytest.approx(as_stored)


def test_arrays_go_through_whole() -> None:
    found = cec_from_ammonium(np.array([14.007, 28.014]), np.array([250.0, 250.0]), 5.0, form="NH4-N")
    assert found.tolist() == pytest.approx([5.0, 10.0])
    assert base_saturation_percent(np.array([10.0, 5.0]), 2, 1, 0, 20).tolist() == [65.0, 40.0]


def test_a_blank_leachate_comes_off() -> None:
    assert cec_from_ammonium(29.014, 250, 5.0, form="NH4-N", blank_mg_per_l=1.0) == pytest.approx(10.0)
    # (12.5 - 0.5) x 0.01 x (250 / 20) x 100 / 5 = 30: the printed x 2.5 per mL
    assert cec_by_titration(
        12.5, 0.010, 5.0, leachate_over_aliquot=250 / 20, blank_titre_ml=0.5
    ) == pytest.approx(12.0 * 2.5)
    plain = chloride_by_titration(12, 0.011283, extract_ml=100, aliquot_ml=50, soil_g=20)
    less = chloride_by_titration(12.5, 0.011283, extract_ml=100, aliquot_ml=50, soil_g=20, blank_titre_ml=0.5)
    assert less == pytest.approx(float(plain))


@given(positive, positive, positive)
def test_bases_and_acidity_fill_the_capacity(bases: float, acidity: float, sodium: float) -> None:
    cec = bases + sodium + acidity
    together = base_saturation_percent(bases, 0, 0, sodium, cec) + acid_saturation_percent(acidity, cec)
    assert together == pytest.approx(100)
    assert exchangeable_sodium_percent(sodium, cec) < together


@given(st.floats(0.9, 200), st.floats(1.001, 10))
def test_more_sodium_is_a_higher_ratio_and_a_higher_percentage(sodium: float, more: float) -> None:
    one, two = (sodium_adsorption_ratio(sodium * factor, 1.0, 1.0) for factor in (1, more))
    assert two > one
    assert sodium_percent_from_ratio(two) > sodium_percent_from_ratio(one)


def test_a_unit_that_counts_no_matter_is_refused() -> None:
    with pytest.raises(BasisError) as caught:
        per_mg_per_kg("P", "P", "dS/m")
    assert str(caught.value).startswith("dS/m is not a unit P can be given in from a mass")
    with pytest.raises(BasisError, match="'P2O5' is not a form of K"):
        per_mg_per_kg("K", "P2O5", "cmol/kg")
