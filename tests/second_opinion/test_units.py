"""Every factor between units against pint, every factor between forms against counted atoms.

Exact definitions must agree to the last digit or two: tolerance 1e-14. pint's own ``acre`` is the survey
acre, four millionths larger; the acre here is 43 560 international square feet.
"""

from __future__ import annotations

import re

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation import conversions
from interpretation.agronomy.advise import advise
from interpretation.agronomy.materials import removal_kg_per_t
from interpretation.agronomy.samples import kg_per_ha as sampled_kg_per_ha
from interpretation.agronomy.tables import Removal
from interpretation.agronomy.yields import yield_factor, yield_kg_per_ha
from interpretation.laboratory.soil import soil_content
from interpretation.quantities import (
    ANALYTES,
    ATOMIC_WEIGHT,
    CM_PER_INCH,
    HA_PER_ACRE,
    KG_PER_HA,
    KG_PER_HA_PER_LB_PER_ACRE,
    KG_PER_LB,
    RATE_UNITS,
    T_PER_HA_PER_TON_PER_ACRE,
    UCUM,
    form_factor,
)
from reports import format as printed
from tests.second_opinion.agreement import agree, steady
from tests.small_world import crop, method, rate, samples, scale, values, world

DIGITS = 1e-14
UNITS = pint.UnitRegistry()
UNITS.define("field_acre = 43560 * foot ** 2")
UNITS.define("lawn = 1000 * foot ** 2")
UNITS.define("bed = 100 * meter ** 2")
Q = UNITS.Quantity

# pint's names of this project's units.
AS_PINT = {
    "mg/kg": "mg/kg", "ug/kg": "ug/kg", "g/kg": "g/kg", "mg/dm3": "mg/dm**3", "%": "percent",
    "kg/ha": "kg/hectare", "t/ha": "metric_ton/hectare", "lb/ac": "lb/field_acre",
    "ton/ac": "short_ton/field_acre", "lb/1000ft2": "lb/lawn",
}  # fmt: skip

# Standard atomic weights (IUPAC's commission on isotopic abundances and atomic weights), transcribed from the
# data of the Python package periodictable 2.1.0.
WEIGHTS = {
    "H": 1.008, "B": 10.81, "C": 12.011, "N": 14.007, "O": 15.999, "Na": 22.98976928, "Mg": 24.305,
    "Al": 26.9815384, "P": 30.973761998, "S": 32.06, "Cl": 35.45, "K": 39.0983, "Ca": 40.078,
    "Mn": 54.938043, "Fe": 55.845, "Cu": 63.546, "Zn": 65.38,
}  # fmt: skip
# Ions as they are in soil solution, by the chemistry of each and not by this project's list.
CHARGE = {
    "NO3": 1, "NO2": 1, "NH4": 1, "Cl": 1, "SO4": 2, "K": 1, "Ca": 2, "Mg": 2, "Na": 1, "Al": 3, "Zn": 2,
    "Cu": 2, "Mn": 2,
}  # fmt: skip

amounts = st.floats(1e-3, 1e5)


def factor(from_unit: str, to_unit: str) -> float:
    return float(Q(1.0, AS_PINT.get(from_unit, from_unit)).to(AS_PINT.get(to_unit, to_unit)).magnitude)


# ------------------------------------------------------------------------------- mass and area


@pytest.mark.parametrize(
    ("found", "from_unit", "to_unit"),
    [
        (KG_PER_LB, "lb", "kg"),
        (HA_PER_ACRE, "field_acre", "hectare"),
        (CM_PER_INCH, "inch", "cm"),
        (KG_PER_HA_PER_LB_PER_ACRE, "lb/ac", "kg/ha"),
        (T_PER_HA_PER_TON_PER_ACRE, "ton/ac", "t/ha"),
    ],
)
def test_definitions(found: float, from_unit: str, to_unit: str) -> None:
    agree(f"{from_unit} in {to_unit}", found, factor(from_unit, to_unit), DIGITS)


def test_every_rate_unit() -> None:
    assert set(KG_PER_HA) == set(RATE_UNITS)
    for unit, found in KG_PER_HA.items():
        agree(unit, found, factor(unit, "kg/ha"), DIGITS)


def test_the_other_acre() -> None:
    """The survey acre, also that of UCUM's code, is larger by (1200 / 3937 m / 0.3048 m)^2."""
    ratio = float((Q(1.0, "acre") / Q(1.0, "field_acre")).to("").magnitude)
    agree("survey acre", ratio, (1200 / 3937 / 0.3048) ** 2, DIGITS)
    assert 3.9e-6 < ratio - 1 < 4.1e-6
    assert "[acr_us]" in UCUM["lb/ac"]


@pytest.mark.parametrize("unit", ["t/ha", "lb/ac", "ton/ac"])
@pytest.mark.parametrize("wanted", ["t/ha", "lb/ac", "ton/ac"])
def test_yields_by_mass(unit: str, wanted: str) -> None:
    agree("yield", yield_kg_per_ha(crop(), unit), factor(unit, "kg/ha"), DIGITS)
    agree("factor", yield_factor(crop(), unit, wanted), factor(unit, wanted), DIGITS)


@steady(30)
@given(st.floats(10, 80), st.sampled_from(["t/ha", "lb/ac", "ton/ac"]))
def test_bushels(weight: float, wanted: str) -> None:
    wheat = crop(bushel_lb=weight)
    bushel = Q(weight, "lb") / Q(1.0, "field_acre")
    agree("bushel", yield_factor(wheat, "bu/ac", wanted), bushel.to(AS_PINT[wanted]).magnitude, DIGITS)
    carried = removal_kg_per_t(Removal(per="lb/bu", N=0.8, source="s", standing="invented"), weight)
    expected = (Q(0.8, "lb") / Q(weight, "lb")).to("kg/metric_ton")
    agree("removal", carried["N"], expected.magnitude, DIGITS)


@pytest.mark.parametrize(
    ("per", "as_pint"), [("kg/t", "kg/metric_ton"), ("lb/ton", "lb/short_ton"), ("%", "percent")]
)
def test_removal(per: str, as_pint: str) -> None:
    printed = Removal.model_validate({"per": per, "N": 1.7, "P": 0.3, "source": "s", "standing": "invented"})
    found = removal_kg_per_t(printed, None)
    agree("N", found["N"], Q(1.7, as_pint).to("kg/metric_ton").magnitude, DIGITS)
    oxide = 0.3 * mass("P2O5", ATOMIC_WEIGHT) / (2 * ATOMIC_WEIGHT["P"])
    agree("P2O5", found["P2O5"], Q(oxide, as_pint).to("kg/metric_ton").magnitude, DIGITS)


@steady(60)
@given(
    st.floats(2, 15), st.floats(20, 80), st.sampled_from(["", "t/ha", "lb/ac", "ton/ac", "bu/ac"]),
    st.sampled_from([None, "t/ha", "lb/ac", "ton/ac", "bu/ac"]),
)  # fmt: skip
def test_a_yield_goal_reaches_a_rate_in_the_tables_own_unit(
    tonnes: float, weight: float, stated: str, wanted: str | None
) -> None:
    """Whatever unit the grower thinks in, and whatever the table is printed for."""
    maize = crop(bushel_lb=weight)  # its own unit is t/ha

    def of_goal(unit: str) -> float:
        goal = Q(tonnes, "metric_ton/hectare")
        if unit == "bu/ac":
            return float((goal / Q(weight, "lb")).to("1/field_acre").magnitude)
        return float(goal.to(AS_PINT[unit]).magnitude)

    table = rate(nutrient="N", formula="3 * yield_goal", yield_unit=wanted)
    sample = {"yield_goal": of_goal(stated or "t/ha"), "yield_unit": stated}
    done = advise(values({"value": 12.0}), world(maize, table, method(), scale()), samples(sample))
    (raw,) = done.rated.frame["raw"]
    agree("amount", raw, 3 * of_goal(wanted or "t/ha"), 1e-13)


# ------------------------------------------------------------------------------- soil


@steady(60)
@given(amounts, st.floats(1, 100), st.floats(0.1, 2))
def test_content_and_amount_in_a_layer(content: float, depth: float, density: float) -> None:
    layer = Q(content, "mg/kg") * Q(density, "g/cm**3")
    expected = (layer * Q(depth, "cm")).to("kg/hectare").magnitude
    agree("kg/ha", conversions.kg_per_ha(content, depth, density), expected, DIGITS)
    agree("kg/ha", sampled_kg_per_ha(np.array(content), np.array(depth), np.array(density)), expected, DIGITS)
    agree("back", conversions.mg_per_kg_from_kg_per_ha(expected, depth, density), content, DIGITS)
    expected = (layer * Q(depth, "inch")).to("lb/field_acre").magnitude
    agree("lb/ac", conversions.lb_per_ac(content, depth, density), expected, DIGITS)


@steady(60)
@given(amounts, st.floats(1, 100), st.floats(0.3, 2))
def test_content_by_mass_and_by_scooped_volume(content: float, depth: float, density: float) -> None:
    scooped = (Q(content, "mg/kg") * Q(density, "g/cm**3")).to("mg/dm**3").magnitude
    agree("mg/dm3", conversions.mg_per_dm3(content, density), scooped, DIGITS)
    agree("mg/kg", conversions.mg_per_kg_from_mg_per_dm3(scooped, density), content, DIGITS)
    expected = (Q(content, "mg/dm**3") * Q(depth, "cm")).to("kg/hectare").magnitude
    agree("kg/ha", conversions.kg_per_ha_from_mg_per_dm3(content, depth), expected, DIGITS)


@steady(60)
@given(st.floats(0.01, 100), st.floats(1, 500), st.floats(0.5, 50), st.sampled_from([1.0, 5.0, 10.0]))
def test_extract_to_soil(read: float, volume: float, mass_g: float, dilution: float) -> None:
    expected = (Q(read, "mg/L") * dilution * Q(volume, "mL") / Q(mass_g, "g")).to("mg/kg").magnitude
    found = soil_content(read, extract_ml=volume, soil_g=mass_g, dilution=dilution)
    agree("mg/kg", found, expected, DIGITS)


@pytest.mark.parametrize("unit", ["mg/kg", "ug/kg", "g/kg", "%"])
def test_units_of_content(unit: str) -> None:
    agree(unit, conversions.per_mg_per_kg("P", "P", unit), factor("mg/kg", unit), DIGITS)


# ------------------------------------------------------------------------------- forms and charge


def mass(formula: str, weights) -> float:
    """Molar mass of a formula without brackets, atom by atom."""
    atoms = re.findall(r"([A-Z][a-z]?)(\d*)", formula)
    assert "".join(symbol + count for symbol, count in atoms) == formula
    return sum(weights[symbol] * int(count or 1) for symbol, count in atoms)


def counted(form: str) -> tuple[str, str]:
    """Formula of the particle a form names, and the element it is counted by: NO3-N is N of NO3."""
    particle, _, element = form.partition("-")
    return particle, element


# Forms that are chemical formulas; "charge", "EC" and the like hold no atoms.
FORMS = [
    (key, form)
    for key, one in ANALYTES.items()
    for form in one.factors
    if re.fullmatch(rf"(({'|'.join(ATOMIC_WEIGHT)})\d*)+(-[NS])?", form) and key not in ("pH", "buffer-pH")
]


def mass_with_one_atom(key: str, form: str, weights) -> float:
    """Mass that is counted when there is one mole of the analyte's element."""
    particle, element = counted(form)
    if element:
        return weights[element]
    own = counted(ANALYTES[key].form)
    symbol = own[1] or own[0]
    atoms = dict(re.findall(r"([A-Z][a-z]?)(\d*)", particle))
    return mass(particle, weights) / int(atoms[symbol] or 1)


def test_forms_are_those_that_hold_an_element() -> None:
    assert {key for key, _ in FORMS} >= {"P", "nitrate", "nitrite", "ammonium", "sulfate", "K", "Ca", "Mg"}
    assert ("P", "P2O5") in FORMS
    assert ("Ca", "CaCO3") in FORMS
    assert len(FORMS) >= 28


@pytest.mark.parametrize(("key", "form"), FORMS)
def test_forms_by_counting_atoms(key: str, form: str) -> None:
    own = ANALYTES[key].form
    for weights, digits in ((ATOMIC_WEIGHT, DIGITS), (WEIGHTS, 1.5e-5)):
        expected = mass_with_one_atom(key, form, weights) / mass_with_one_atom(key, own, weights)
        agree(form, form_factor(key, own, form), expected, digits)
        agree(own, form_factor(key, form, own), 1 / expected, digits)


@pytest.mark.parametrize("symbol", ATOMIC_WEIGHT)
def test_atomic_weights(symbol: str) -> None:
    """Abridged to five figures: half a unit of the fifth is at most five in 10^5."""
    agree(symbol, ATOMIC_WEIGHT[symbol], WEIGHTS[symbol], 2e-5)


@pytest.mark.parametrize(("key", "form"), [(key, form) for key, form in FORMS if ANALYTES[key].charge])
@pytest.mark.parametrize("unit", ["cmol/kg", "cmol/dm3"])
def test_charge(key: str, form: str, unit: str) -> None:
    """Moles of one mg/kg by pint, times the ion's charge."""
    particle = {"SO4-S": "SO4", "NH4-N": "NH4", "NO3-N": "NO3", "NO2-N": "NO2"}.get(
        ANALYTES[key].form, ANALYTES[key].form
    )
    for weights, digits in ((ATOMIC_WEIGHT, DIGITS), (WEIGHTS, 2e-5)):
        moles = Q(1.0, "mg/kg") / Q(mass_with_one_atom(key, form, weights), "g/mol")
        expected = moles.to("cmol/kg").magnitude * CHARGE[particle]
        agree(f"{form} in {unit}", conversions.per_mg_per_kg(key, form, unit), expected, digits)


# ------------------------------------------------------------------------------- as a report prints them


@pytest.mark.parametrize("lime", [False, True])
@pytest.mark.parametrize("units", printed.UNITS)
def test_amounts_in_the_readers_system(units: printed.Units, lime: bool) -> None:
    names = AS_PINT | {
        "L/ha": "liter/hectare", "gal/ac": "gallon/field_acre", "ha": "hectare", "ac": "field_acre",
        "in": "inch", "cm": "cm", "ft2": "foot**2", "m2": "meter**2", "mL/100m2": "mL/bed",
        "g/100m2": "gram/bed", "kg/100m2": "kg/bed",
        "floz/1000ft2": "US_fluid_ounce/lawn",
    }  # fmt: skip
    written = printed.Format("en", units)
    turned = [(unit, *written.conversion(unit, lime=lime)) for unit in (*RATE_UNITS, "L/ha", "ha", "cm")]
    assert any(unit != other for unit, other, _ in turned)
    for unit, other, found in turned:
        expected = Q(1.0, names[unit]).to(names[other]).magnitude
        agree(f"{unit} in {other}", found, expected, DIGITS)
