"""Errors found in published material: what is printed there must not be what we compute.

Each states what is printed, where, and what is right. A table taken over without a check would fail here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from interpretation import conversions, quantities
from interpretation.laboratory import exchange
from interpretation.laboratory.polynomial import weighted_polynomial
from tests.published import printed


@pytest.mark.parametrize(
    ("key", "one", "other", "misprint", "right"),
    [
        ("K", "K2O", "K", 0.826, 0.8302),
        ("Ca", "CaO", "Ca", 0.744, 0.7147),
        ("Ca", "Ca", "CaO", 1.339, 1.3992),
        ("Mg", "Mg", "MgO", 1.67, 1.6583),
    ],
)
def test_conversion_factors(key: str, one: str, other: str, misprint: float, right: float) -> None:
    """Rayment & Lyons (2011), appendix 5 (seen). Stoichiometry says otherwise."""
    factor = quantities.form_factor(key, one, other)
    assert factor == pytest.approx(right, abs=5e-5)
    assert abs(factor - misprint) > 0.003


def test_equivalents_of_a_saturation_extract_are_per_litre_in_millimoles() -> None:
    """Rayment & Lyons (2011), 14H1 (seen), divides mg Ca/L by 20.04 and prints cmol/L: it is mmol/L."""
    found = float(exchange.mmol_charge_per_l(40.08, "Ca", "Ca"))
    assert found == pytest.approx(2.0, abs=0.002)  # 40.08 / 20.04; in cmol/L it would be 0.2


def test_twice_the_volume_content_is_kilograms_per_hectare() -> None:
    """Rayment & Lyons (2011), 18F1 (seen), prints mg P/ha for the content times 2 at 20 cm: it is kg/ha."""
    # 1 mg/dm3 x 2,000,000 dm3/ha = 2,000,000 mg/ha = 2 kg/ha
    assert float(conversions.kg_per_ha_from_mg_per_dm3(1.0, 20)) == pytest.approx(2.0)


def test_the_acre() -> None:
    """A handout takes 207 ft x 207 ft, 39,805,752 cm2 (coursehero.com 6307340, seen): 1.6 % too small."""
    acre_cm2 = quantities.HA_PER_ACRE * 1e8
    assert acre_cm2 == pytest.approx(40_468_564, abs=1)
    assert acre_cm2 / 39_805_752 == pytest.approx(1.0167, abs=1e-4)


def test_capacity_from_bases() -> None:
    """A question page (209660, seen) divides K by 200, Ca by 120 and Mg by 390, which are other cations'.

    Its answer is 8.65 cmol/kg. The right divisors, mg/kg of one cmol/kg, are 391, 200.4 and 121.5.
    """
    per_cmol = {key: 1 / conversions.per_mg_per_kg(key, key, "cmol/kg") for key in ("K", "Ca", "Mg")}
    assert per_cmol == {
        "K": pytest.approx(391, abs=0.5), "Ca": pytest.approx(200.4, abs=0.05),
        "Mg": pytest.approx(121.5, abs=0.05),
    }  # fmt: skip


def test_aluminium_is_not_a_base() -> None:
    """A question page (445750, seen) prints a base saturation of 91.42 %, counting aluminium as a base."""
    bases, capacity = 13 + 6 + 4 + 3, 35.0  # Ca, Mg, K, Na; H 3 and Al 6 are acid
    found = float(exchange.base_saturation_percent(ca=13, mg=6, k=4, na=3, cec=capacity))
    assert found == pytest.approx(100 * bases / capacity, abs=0.005)  # 74.29
    assert found == pytest.approx(74.29, abs=0.005)


def test_mass_of_ammonium() -> None:
    """A tutoring page (1023780, seen) takes 18 g/mol for ammonium and finds 8.33; with 18.039 it is 8.315."""
    # 150 mg/L x 0.2 L / 18.039 mg/mmol / 20 g x 100 g = 8.315 cmol/kg
    ion = quantities.ATOMIC_WEIGHT["N"] + 4 * quantities.ATOMIC_WEIGHT["H"]
    assert 150 * 0.2 / ion / 20 * 100 == pytest.approx(8.315, abs=0.001)
    assert 1 / conversions.per_mg_per_kg("ammonium", "NH4", "cmol/kg") == pytest.approx(180.39, abs=0.01)


@pytest.mark.parametrize(
    ("name", "degree", "miscopied"), [("norris", 1, 4.30e-07), ("wampler5", 5, 236355.17)]
)
def test_certified_deviations(name: str, degree: int, miscopied: float) -> None:
    """A public copy of the NIST sets carries s(b1) of Norris as 4.30E-07 and of Wampler5 as 236355.17.

    Certified are 4.29797E-04 and 23635517.35 (NIST, transcribed in ``tests/cases/nist``).
    """
    certified = printed.load(f"nist/{name}.json")["certified"]["standard_deviation_of_estimate"][1]
    data = pd.read_csv(printed.CASES / "nist" / f"{name}.csv")
    found = weighted_polynomial(data["x"], data["y"], np.ones(len(data)), degree).standard_errors[1]
    assert found == pytest.approx(float(certified), rel=1e-6)
    assert found / miscopied > 90


def test_weighted_line_of_a_textbook() -> None:
    """Harvey prints a weighted slope of 122.985 (memory): sums were rounded on the way.

    Exact arithmetic on the same weights, which are also recalled, gives 122.641 and 0.0445.
    """
    case = printed.load("calibration/harvey-linear.json")
    weights = np.array([2.8339, 2.8339, 0.2313, 0.0671, 0.0234, 0.0104])
    fit = weighted_polynomial(case["x"], case["y"], weights, 1)
    assert fit.coefficients == pytest.approx([0.0445, 122.641], abs=5e-4)
