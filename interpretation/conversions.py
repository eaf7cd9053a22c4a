"""Units of soil values: mass and charge, mass and scooped volume, concentration and amount per area.

Nothing here converts in silence: each function takes the figure that makes the conversion legitimate (a
depth, a bulk density, the mass a scoop holds) and refuses to be called without it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from interpretation.errors import BasisError
from interpretation.quantities import CM_PER_INCH, KG_PER_HA_PER_LB_PER_ACRE, Analyte, analyte

FloatArray = NDArray[np.float64]
Numbers = float | FloatArray

# How many of each unit one mg/kg (or one mg/dm3 of scooped soil) makes.
_PER_MG_PER_KG = {"mg/kg": 1.0, "mg/dm3": 1.0, "ug/kg": 1e3, "g/kg": 1e-3, "%": 1e-4}
_CHARGE_UNITS = ("cmol/kg", "cmol/dm3")


def per_mg_per_kg(key: str, form: str, unit: str) -> float:
    """How many ``unit`` one mg/kg of an analyte makes; mg/dm3 counts as its own mg/kg.

    Parameters
    ----------
    key, form
        Analyte and the form its milligrams are counted in, e.g. ``"ammonium"`` and ``"NH4-N"``.
    unit
        A unit of :data:`interpretation.quantities.SOIL_UNITS` that counts matter.

    Returns
    -------
    float

    Raises
    ------
    BasisError
        If the unit does not count matter (pH, dS/m, ratio), or is a charge and the analyte has none.

    Notes
    -----
    ``cmol/kg = mg/kg x charge / (10 x molar mass)`` with the molar mass of the form in which the analyte
    is stored. Ammonium counted as N divides by 14.007, counted as NH4 by 18.039 (Rayment & Lyons 2011,
    methods 15D3 and 15I2).

    Examples
    --------
    >>> round(200.4 * per_mg_per_kg("Ca", "Ca", "cmol/kg"), 3)
    1.0
    """
    if unit in _PER_MG_PER_KG:
        return _PER_MG_PER_KG[unit]
    known = analyte(key)
    if unit not in _CHARGE_UNITS or not known.charge:
        raise BasisError(
            f"{unit} is not a unit {key} can be given in from a mass",
            expected=", ".join((*_PER_MG_PER_KG, *(_CHARGE_UNITS if known.charge else ()))),
            fix="correct the unit of the method",
        )
    return known.charge / (10 * _ion_mass_g(known, form))


def _ion_mass_g(known: Analyte, form: str) -> float:
    """Grams of ``form`` that hold one mole of the ion."""
    if form not in known.factors:
        raise BasisError(
            f"{form!r} is not a form of {known.key}",
            expected=f"one of {', '.join(known.factors)}",
            fix="state the form the numbers are counted in",
        )
    return known.molar_mass_g * known.factors[form]


def kg_per_ha(mg_per_kg: Numbers, depth_cm: Numbers, bulk_density_g_per_cm3: Numbers) -> FloatArray:
    """Amount in a layer of soil from its content.

    Parameters
    ----------
    mg_per_kg
        Content of the dry soil.
    depth_cm
        Thickness of the layer.
    bulk_density_g_per_cm3
        Dry mass per volume as it lies.

    Returns
    -------
    ndarray
        kg/ha, broadcast over the arguments.

    Notes
    -----
    ``mg/kg x g/cm3 x cm / 10``: one hectare one centimetre deep is 100 m3 and weighs 100 t per g/cm3.

    Examples
    --------
    >>> float(kg_per_ha(10, 20, 1.3))
    26.0
    """
    return np.asarray(mg_per_kg, float) * bulk_density_g_per_cm3 * depth_cm / 10


def mg_per_kg_from_kg_per_ha(
    kg_per_ha: Numbers, depth_cm: Numbers, bulk_density_g_per_cm3: Numbers
) -> FloatArray:
    """Content of a layer from the amount in it, kg/ha to mg/kg: :func:`kg_per_ha` turned round."""
    return np.asarray(kg_per_ha, float) * 10 / (np.asarray(bulk_density_g_per_cm3, float) * depth_cm)


def lb_per_ac(mg_per_kg: Numbers, depth_in: Numbers, bulk_density_g_per_cm3: Numbers) -> FloatArray:
    """Amount in a layer of soil in pounds per acre; depth in inches, otherwise as :func:`kg_per_ha`.

    Notes
    -----
    The factor is exact, about 0.2266 per inch and g/cm3. The trade's rule of two pounds per acre for every
    mg/kg stands for a layer of 2,000,000 lb per acre, that is 1.32 g/cm3 over 6 2/3 inches.

    Examples
    --------
    >>> round(float(lb_per_ac(1, 6, 1.33)), 3)
    1.808
    """
    depth_cm = np.asarray(depth_in, float) * CM_PER_INCH
    return kg_per_ha(mg_per_kg, depth_cm, bulk_density_g_per_cm3) / KG_PER_HA_PER_LB_PER_ACRE


def mg_per_dm3(mg_per_kg: Numbers, scoop_density_g_per_cm3: Numbers) -> FloatArray:
    """Per scooped volume from per mass, with the mean mass the scoop holds over its volume, in g/cm3.

    Notes
    -----
    Rayment & Lyons (2011), method 18F1 note 3, in the form that holds for any scoop: the density is the
    mean mass of the scooped soil over the scoop's volume, not the scoop's nominal grams.

    Examples
    --------
    >>> float(mg_per_dm3(40, 1.05))
    42.0
    """
    return np.asarray(mg_per_kg, float) * scoop_density_g_per_cm3


def mg_per_kg_from_mg_per_dm3(mg_per_dm3: Numbers, scoop_density_g_per_cm3: Numbers) -> FloatArray:
    """Per mass from per scooped volume: :func:`mg_per_dm3` turned round."""
    return np.asarray(mg_per_dm3, float) / scoop_density_g_per_cm3


def kg_per_ha_from_mg_per_dm3(mg_per_dm3: Numbers, depth_cm: Numbers) -> FloatArray:
    """Amount in a layer from a volume-basis content, when the scooped soil lies as dense as in the field.

    Notes
    -----
    At 20 cm one hectare is 2,000,000 dm3, so kg/ha is twice mg/dm3 (Mehlich 1972; Rayment & Lyons 2011,
    method 18F1, where the unit is misprinted).

    Examples
    --------
    >>> float(kg_per_ha_from_mg_per_dm3(42, 20))
    84.0
    """
    return np.asarray(mg_per_dm3, float) * depth_cm / 10
