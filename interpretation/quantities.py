"""The one page that fixes every quantity's name, unit and meaning.

Names used in columns and model fields
--------------------------------------
======================  ==========  ================================================================
name                    unit        meaning
======================  ==========  ================================================================
signal                  (declared)  peak area, peak height or absorbance of one cup
nominal_mg_per_l        mg/L        what a standard, check or spike was made to hold, in the run's form
solution_mg_per_l       mg/L        concentration in the cup as read, before any dilution factor
extract_mg_per_l        mg/L        the same in the undiluted extract: solution times dilution
dilution                1           final volume over aliquot volume of the extract, 1 or more
extract_ml              mL          extractant added to the soil
soil_g                  g           soil as weighed
scoop_cm3               cm3         soil as scooped, volume-basis methods only
moisture_percent        % (dry)     gravimetric water on oven-dry mass, 105 degC; may exceed 100
value                   (column)    a soil value; its ``unit`` and ``basis`` stand beside it
standard_uncertainty    as value    one standard deviation (GUM sense), NaN when not known
below                   as value    quantification limit of a censored value ("< 0.5"), else NaN
depth_from_cm/_to_cm    cm          sampled layer
yield_goal              crop's own  the crop file names the unit
rate                    kg/ha       an amount to apply (lime: t/ha of the material named)
======================  ==========  ================================================================

A **form** says what a number counts: ``P`` or ``P2O5``, ``NO3-N`` or ``NO3``. A number without its form
is not a measurement. The **basis** says per mass of which soil: as received, air-dry, oven-dry, or per
scooped volume; values of different basis never meet without the figure that converts them.

Units are written as the trade writes them (``mg/kg``, ``kg/ha``); :data:`UCUM` gives the code from the
Unified Code for Units of Measure for interfaces.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, get_args

from interpretation.errors import BasisError

Basis = Literal["as-received", "air-dry", "oven-dry", "scooped-volume", "none"]
SoilUnit = Literal[
    "mg/kg", "ug/kg", "g/kg", "mg/dm3", "cmol/kg", "cmol/dm3", "%", "dS/m", "pH", "ratio",
    "kg/ha", "lb/ac", "index",
]  # fmt: skip
RateUnit = Literal["kg/ha", "t/ha", "lb/ac", "ton/ac", "lb/1000ft2"]

# Units of a mass on a field. Only depth and density of its soil turn mg/kg into them, or a publisher's rule.
ON_A_FIELD = ("lb/ac", "kg/ha")
BASES: tuple[str, ...] = get_args(Basis)
SOIL_UNITS: tuple[str, ...] = get_args(SoilUnit)
RATE_UNITS: tuple[str, ...] = get_args(RateUnit)

# [acr_us] is the survey acre, four millionths larger than the acre of the factors below.
UCUM = MappingProxyType(
    {
        "mg/L": "mg/L", "mg/kg": "mg/kg", "ug/kg": "ug/kg", "g/kg": "g/kg", "mg/dm3": "mg/dm3",
        "cmol/kg": "cmol/kg", "cmol/dm3": "cmol/dm3", "%": "%", "dS/m": "dS/m", "pH": "[pH]", "ratio": "1",
        "index": "1", "lb/1000ft2": "[lb_av]/(1000.[sft_i])", "kg/ha": "kg/har", "t/ha": "t/har",
        "lb/ac": "[lb_av]/[acr_us]", "ton/ac": "[ston_av]/[acr_us]",
        "mL": "mL", "g": "g", "cm": "cm", "cm3": "cm3",
    }
)  # fmt: skip

# Standard atomic weights, abridged to five figures (IUPAC; from memory, and checked in
# tests/published against the printed conversion factors of Rayment & Lyons 2011, appendix 5).
ATOMIC_WEIGHT = MappingProxyType(
    {
        "H": 1.008, "B": 10.81, "C": 12.011, "N": 14.007, "O": 15.999, "Na": 22.990, "Mg": 24.305,
        "Al": 26.982, "P": 30.974, "S": 32.06, "Cl": 35.45, "K": 39.098, "Ca": 40.078, "Mn": 54.938,
        "Fe": 55.845, "Cu": 63.546, "Zn": 65.38,
    }
)  # fmt: skip
_W = ATOMIC_WEIGHT

# Exact by definition: 1 lb = 0.45359237 kg, 1 international acre = 4046.8564224 m2, 1 in = 2.54 cm.
KG_PER_LB = 0.45359237
HA_PER_ACRE = 0.40468564224
CM_PER_INCH = 2.54
# A depth of 6 in is 15.24 cm and is printed as 15 cm, 8 in as 20: half a centimetre takes up that rounding.
DEPTH_TOLERANCE_CM = 0.5
KG_PER_HA_PER_LB_PER_ACRE = KG_PER_LB / HA_PER_ACRE
T_PER_HA_PER_TON_PER_ACRE = 2000 * KG_PER_LB / 1000 / HA_PER_ACRE
KG_PER_HA_PER_LB_PER_1000_FT2 = KG_PER_LB / 92.90304 * 10_000  # 1000 ft2 of 0.3048 m each way
# What one of each rate unit is in kg/ha.
KG_PER_HA: MappingProxyType[RateUnit, float] = MappingProxyType(
    {
        "kg/ha": 1.0,
        "t/ha": 1000.0,
        "lb/ac": KG_PER_HA_PER_LB_PER_ACRE,
        "ton/ac": 1000.0 * T_PER_HA_PER_TON_PER_ACRE,
        "lb/1000ft2": KG_PER_HA_PER_LB_PER_1000_FT2,
    }
)

# Read only to work something else out (lime from a buffer pH): a region need not have classes for them.
SUPPORTING = frozenset({"buffer-pH", "exchangeable-acidity", "moisture"})


@dataclass(frozen=True, slots=True)
class Analyte:
    """One thing a laboratory reports.

    Attributes
    ----------
    key
        Name used in every file and column, e.g. ``P`` or ``nitrate``.
    form
        The form results are stored in, e.g. ``P`` or ``NO3-N``.
    factors
        For each form, how many mass units of it one mass unit of ``form`` makes: ``{"P2O5": 2.2914}``.
    charge
        Ionic charge used for charge units (cmol/kg); 0 where there is none.
    molar_mass_g
        Molar mass of ``form`` counted as its ion (NO3-N counts as N); 0 where there is none.
    """

    key: str
    form: str
    factors: MappingProxyType[str, float]
    charge: int = 0
    molar_mass_g: float = 0.0


def _analyte(
    key: str, form: str, charge: int = 0, molar_mass_g: float = 0.0, **other_forms: float
) -> Analyte:
    factors = {form: 1.0} | {name.replace("_", "-"): factor for name, factor in other_forms.items()}
    return Analyte(key, form, MappingProxyType(factors), charge, molar_mass_g)


ANALYTES = MappingProxyType(
    {
        a.key: a
        for a in (
            _analyte("P", "P", 0, _W["P"], P2O5=(2 * _W["P"] + 5 * _W["O"]) / (2 * _W["P"]),
                     PO4=(_W["P"] + 4 * _W["O"]) / _W["P"]),
            _analyte("nitrate", "NO3-N", 1, _W["N"], NO3=(_W["N"] + 3 * _W["O"]) / _W["N"]),
            _analyte("nitrite", "NO2-N", 1, _W["N"], NO2=(_W["N"] + 2 * _W["O"]) / _W["N"]),
            _analyte("ammonium", "NH4-N", 1, _W["N"], NH4=(_W["N"] + 4 * _W["H"]) / _W["N"]),
            _analyte("chloride", "Cl", 1, _W["Cl"]),
            _analyte("sulfate", "SO4-S", 2, _W["S"], SO4=(_W["S"] + 4 * _W["O"]) / _W["S"]),
            _analyte("K", "K", 1, _W["K"], K2O=(2 * _W["K"] + _W["O"]) / (2 * _W["K"])),
            _analyte("Ca", "Ca", 2, _W["Ca"], CaO=(_W["Ca"] + _W["O"]) / _W["Ca"],
                     CaCO3=(_W["Ca"] + _W["C"] + 3 * _W["O"]) / _W["Ca"]),
            _analyte("Mg", "Mg", 2, _W["Mg"], MgO=(_W["Mg"] + _W["O"]) / _W["Mg"]),
            _analyte("Na", "Na", 1, _W["Na"]),
            _analyte("Al", "Al", 3, _W["Al"]),
            _analyte("Zn", "Zn", 2, _W["Zn"]),
            _analyte("Cu", "Cu", 2, _W["Cu"]),
            _analyte("Mn", "Mn", 2, _W["Mn"]),
            _analyte("Fe", "Fe", 0, _W["Fe"]),
            _analyte("B", "B", 0, _W["B"]),
            _analyte("pH", "pH"),
            _analyte("buffer-pH", "pH"),
            _analyte("organic-matter", "organic matter"),
            _analyte("organic-carbon", "organic carbon"),
            _analyte("available-nitrogen", "N"),
            _analyte("organic-sulfur", "S"),
            _analyte("nitrogen-supply", "index"),
            _analyte("CEC", "charge"),
            _analyte("exchangeable-acidity", "charge"),
            _analyte("base-saturation", "percent"),
            _analyte("exchangeable-sodium", "percent"),
            _analyte("sodium-adsorption", "ratio"),
            _analyte("salinity", "EC"),
            _analyte("moisture", "water"),
        )
    }
)  # fmt: skip


def analyte(key: str) -> Analyte:
    """Look an analyte up by key.

    Raises
    ------
    BasisError
        If the key is not one of :data:`ANALYTES`.
    """
    try:
        return ANALYTES[key]
    except KeyError:
        raise BasisError(
            f"unknown analyte {key!r}",
            expected=f"one of {', '.join(ANALYTES)}",
            fix="correct the analyte's name",
        ) from None


def form_factor(key: str, from_form: str, to_form: str) -> float:
    """Factor that turns a mass counted as one form into the same matter counted as another.

    Parameters
    ----------
    key
        Analyte, e.g. ``"P"``.
    from_form, to_form
        Forms of that analyte, e.g. ``"P2O5"`` and ``"P"``.

    Returns
    -------
    float
        ``mass_as_to_form / mass_as_from_form``.

    Raises
    ------
    BasisError
        If either form does not belong to the analyte.

    Notes
    -----
    Stoichiometry from :data:`ATOMIC_WEIGHT`.

    Examples
    --------
    >>> round(form_factor("P", "P", "P2O5"), 4)
    2.2913
    """
    factors = analyte(key).factors
    for form in (from_form, to_form):
        if form not in factors:
            raise BasisError(
                f"{form!r} is not a form of {key}",
                expected=f"one of {', '.join(factors)}",
                fix="state the form the numbers are counted in",
            )
    return factors[to_form] / factors[from_form]
