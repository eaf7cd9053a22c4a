"""Soil arithmetic against printed tables, worked problems and definitions.

Every case, with its source, page and standing, is a row of ``tests/cases/chemistry.json``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from interpretation import conversions, quantities
from interpretation.laboratory import agreement, exchange, soil
from tests.published import printed

CASES = printed.load("chemistry.json")["cases"]


def soil_content_in_unit(analyte: str, form: str, unit: str, **inputs: Any) -> Any:
    return soil.soil_content(**inputs) * conversions.per_mg_per_kg(analyte, form, unit)


def soil_content_of_moist_soil(*, moisture_percent: float, add_soil_water: bool, **inputs: Any) -> Any:
    dry = soil.dry_mass_g(inputs["soil_g"], moisture_percent)
    volume = inputs["extract_ml"]
    if add_soil_water:
        volume = soil.extract_volume_ml(volume, inputs["soil_g"], moisture_percent)
    return soil.soil_content(**inputs | {"soil_g": dry, "extract_ml": volume})


def cmol_from_mg_per_kg(value: float, analyte: str, form: str) -> float:
    return value * conversions.per_mg_per_kg(analyte, form, "cmol/kg")


def mg_per_kg_from_cmol(value: float, analyte: str, form: str) -> float:
    return value / conversions.per_mg_per_kg(analyte, form, "cmol/kg")


def slice_lb_per_ac(depth_in: float, bulk_density_g_per_cm3: float) -> float:
    """Pounds of soil in an acre slice: a million parts per million of it."""
    return float(conversions.lb_per_ac(1e6, depth_in, bulk_density_g_per_cm3))


def density_of_a_slice(lb_per_ac: float, depth_in: float) -> float:
    return lb_per_ac / slice_lb_per_ac(depth_in, 1.0)


def mg_per_kg_in_two_million_lb(lb_per_ac: float) -> float:
    depth_in = 20 / 3
    return lb_per_ac / float(conversions.lb_per_ac(1, depth_in, density_of_a_slice(2e6, depth_in)))


def kg_per_ha_per_lb_per_ac(lb_per_ac: float) -> float:
    return lb_per_ac * quantities.KG_PER_HA_PER_LB_PER_ACRE


def sar_from_mg_per_l(**mg_per_l: float) -> Any:
    keys = {"na": "Na", "ca": "Ca", "mg": "Mg"}
    charges = {name: exchange.mmol_charge_per_l(x, keys[name], keys[name]) for name, x in mg_per_l.items()}
    return exchange.sodium_adsorption_ratio(**charges)


def grams_of_element(salt_g: float, formula: dict[str, int], element: str, volume_l: float) -> float:
    weight = quantities.ATOMIC_WEIGHT
    molar_mass = sum(count * weight[atom] for atom, count in formula.items())
    return salt_g / volume_l * formula[element] * weight[element] / molar_mass


OWN = {
    name: value
    for module in (soil, exchange, conversions, quantities, agreement)
    for name, value in vars(module).items()
}


def function_of(quantity: str) -> Callable[..., Any]:
    """The project's own function of this name, or the combination of several that stands above."""
    function: Callable[..., Any] = (OWN | globals())[quantity]
    return function


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_against_the_outside(case: dict[str, Any], ledger: printed.Enter) -> None:
    ledger(case)
    inputs = {name: np.array(x, float) if isinstance(x, list) else x for name, x in case["inputs"].items()}
    found = np.asarray(function_of(case["quantity"])(**inputs))
    assert (found if found.ndim else found.item()) == printed.expected(case)


def test_ids_are_unique() -> None:
    ids = [case["id"] for case in CASES]
    assert len(ids) == len(set(ids)) > 60
