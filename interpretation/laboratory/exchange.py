"""Exchange properties of a soil: capacity, saturations and the salts around them.

Every function takes arrays (or numbers) of one shape and returns an array of it. Contents are in cmol of
charge per kg unless the name says otherwise; SAR takes mmol of charge per litre.
"""

from __future__ import annotations

import numpy as np

from interpretation.conversions import FloatArray, Numbers, per_mg_per_kg
from interpretation.quantities import ATOMIC_WEIGHT


def cec_from_ammonium(
    solution_mg_per_l: Numbers,
    leachate_ml: Numbers,
    soil_g: Numbers,
    *,
    form: str,
    blank_mg_per_l: Numbers = 0.0,
) -> FloatArray:
    """Cation exchange capacity from the ammonium displaced into a leachate.

    Parameters
    ----------
    solution_mg_per_l
        Ammonium in the undiluted leachate, counted as ``form``.
    leachate_ml
        Volume the leachate was made up to.
    soil_g
        Dry mass of the soil leached.
    form
        ``"NH4-N"`` or ``"NH4"``. The two differ by 29 %, so there is no default.
    blank_mg_per_l
        The same of a leachate without soil.

    Returns
    -------
    ndarray
        cmol(+)/kg.

    Raises
    ------
    BasisError
        If ``form`` is not a form of ammonium.

    Notes
    -----
    ``(C - b) x V / (10 x M x m)`` with M = 14.007 for NH4-N and 18.039 for NH4; Rayment & Lyons (2011),
    method 15I2.

    Examples
    --------
    8 mmol/L of ammonium in 250 mL from 5.0 g:

    >>> round(float(cec_from_ammonium(8 * 14.007, 250, 5.0, form="NH4-N")), 6)
    40.0
    """
    net_mg_per_l = np.asarray(solution_mg_per_l, float) - blank_mg_per_l
    return net_mg_per_l * leachate_ml / soil_g * per_mg_per_kg("ammonium", form, "cmol/kg")


def cec_by_titration(
    titre_ml: Numbers,
    acid_mol_per_l: Numbers,
    soil_g: Numbers,
    *,
    leachate_over_aliquot: Numbers = 1.0,
    blank_titre_ml: Numbers = 0.0,
) -> FloatArray:
    """Cation exchange capacity from the acid that neutralises the distilled ammonia, cmol(+)/kg.

    ``leachate_over_aliquot`` is the leachate's volume over the volume distilled.

    Notes
    -----
    ``(T - T_blank) x M x (V_leachate / V_aliquot) x 100 / m``; Rayment & Lyons (2011), method 15I1.

    Examples
    --------
    >>> float(cec_by_titration(12.5, 0.10, 5.0))
    25.0
    """
    net_ml = np.asarray(titre_ml, float) - blank_titre_ml
    return net_ml * acid_mol_per_l * leachate_over_aliquot * 100 / soil_g


def base_saturation_percent(ca: Numbers, mg: Numbers, k: Numbers, na: Numbers, cec: Numbers) -> FloatArray:
    """Share of the exchange capacity held by Ca, Mg, K and Na. Aluminium is not a base.

    Examples
    --------
    >>> round(float(base_saturation_percent(13, 6, 4, 3, 35)), 2)
    74.29
    """
    return 100 * (np.asarray(ca, float) + mg + k + na) / cec


def acid_saturation_percent(exchangeable_acidity: Numbers, cec: Numbers) -> FloatArray:
    """Share of the exchange capacity held by exchangeable hydrogen and aluminium together.

    Examples
    --------
    >>> round(float(acid_saturation_percent(3 + 6, 35)), 2)
    25.71
    """
    return 100 * np.asarray(exchangeable_acidity, float) / cec


def exchangeable_sodium_percent(na: Numbers, cec: Numbers) -> FloatArray:
    """Share of the exchange capacity held by sodium (ESP).

    Examples
    --------
    >>> float(exchangeable_sodium_percent(3, 20))
    15.0
    """
    return 100 * np.asarray(na, float) / cec


def mmol_charge_per_l(mg_per_l: Numbers, key: str, form: str) -> FloatArray:
    """Charge in a solution from its mass concentration: mg/L over the equivalent mass.

    Notes
    -----
    Rayment & Lyons (2011), method 14H1, gives the divisors (20.04 for Ca); its printed unit cmol/L is a
    misprint, the quotient is in mmol/L.

    Examples
    --------
    >>> round(float(mmol_charge_per_l(40.078, "Ca", "Ca")), 3)
    2.0
    """
    return np.asarray(mg_per_l, float) * 10 * per_mg_per_kg(key, form, "cmol/kg")


def sodium_adsorption_ratio(na: Numbers, ca: Numbers, mg: Numbers) -> FloatArray:
    """SAR of a soil extract from mmol of charge per litre: ``Na / sqrt((Ca + Mg) / 2)``.

    Notes
    -----
    US Salinity Laboratory, Handbook 60 (1954), from memory.

    Examples
    --------
    >>> round(float(sodium_adsorption_ratio(5.002, 2.000, 2.000)), 3)
    3.537
    """
    return np.asarray(na, float) / np.sqrt((np.asarray(ca, float) + mg) / 2)


def sodium_percent_from_ratio(sar: Numbers) -> FloatArray:
    """Exchangeable sodium percentage expected beside a SAR.

    Notes
    -----
    US Salinity Laboratory, Handbook 60 (1954), from memory: ``ESP = 100 y / (1 + y)`` with
    ``y = -0.0126 + 0.01475 SAR``. An estimate; it does not replace a measured ESP.

    Examples
    --------
    >>> round(float(sodium_percent_from_ratio(10)), 3)
    11.887
    """
    y = -0.0126 + 0.01475 * np.asarray(sar, float)
    return 100 * y / (1 + y)


def phosphorus_saturation_ratio(
    p_mg_per_kg: Numbers, al_mg_per_kg: Numbers, fe_mg_per_kg: Numbers
) -> FloatArray:
    """Mehlich-3 phosphorus saturation: moles of P over moles of Al and Fe.

    Notes
    -----
    Rayment & Lyons (2011), method 9K1a, with the atomic weights of :mod:`interpretation.quantities`.

    Examples
    --------
    >>> round(float(phosphorus_saturation_ratio(100, 800, 200)), 4)
    0.0972
    """
    p = np.asarray(p_mg_per_kg, float) / ATOMIC_WEIGHT["P"]
    sorbing = np.asarray(al_mg_per_kg, float) / ATOMIC_WEIGHT["Al"]
    return p / (sorbing + np.asarray(fe_mg_per_kg, float) / ATOMIC_WEIGHT["Fe"])


def chloride_by_titration(
    titre_ml: Numbers,
    silver_mol_per_l: Numbers,
    *,
    extract_ml: Numbers,
    aliquot_ml: Numbers,
    soil_g: Numbers,
    blank_titre_ml: Numbers = 0.0,
) -> FloatArray:
    """Chloride in a soil from a silver nitrate titration of its extract, mg Cl/kg.

    Notes
    -----
    ``(T - T_blank) x M x 35.45 x V_extract / V_aliquot / m x 1000``. Rayment & Lyons (2011), method 5A1,
    prints the same for 0.011283 M (0.4 mg Cl per mL) and a 1:5 extract.

    Examples
    --------
    >>> round(float(chloride_by_titration(12, 0.011283, extract_ml=100, aliquot_ml=50, soil_g=20)), 1)
    480.0
    """
    net_mg = (np.asarray(titre_ml, float) - blank_titre_ml) * silver_mol_per_l * ATOMIC_WEIGHT["Cl"]
    return net_mg * extract_ml / aliquot_ml / soil_g * 1000
