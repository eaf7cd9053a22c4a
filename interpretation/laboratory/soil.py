"""From extract to soil: the arithmetic of ratio, dilution, blank and moisture.

Moisture is gravimetric, in per cent of oven-dry mass (105 degC): a peat may hold more than 100 %.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from interpretation.conversions import FloatArray, Numbers
from interpretation.methods import Method


def soil_content(
    solution_mg_per_l: Numbers,
    *,
    extract_ml: Numbers,
    soil_g: Numbers,
    dilution: Numbers = 1.0,
    blank_mg_per_l: Numbers = 0.0,
    blank_dilution: Numbers = 1.0,
) -> FloatArray:
    """Content of a soil from the reading of its extract, mg/kg of the soil as it enters in ``soil_g``.

    Parameters
    ----------
    solution_mg_per_l
        As read in the cup.
    extract_ml, soil_g
        Volume of extract and mass of soil. For scooped soil give cm3: the result is then in mg/dm3.
    dilution
        Final volume over aliquot, 1 or more.
    blank_mg_per_l
        The method blank as read in its own cup.
    blank_dilution
        The blank's own dilution: 1 for a blank that was not diluted, the sample's for one that was.

    Returns
    -------
    ndarray
        Broadcast over the arguments.

    Notes
    -----
    ``(C D - b D_b) V / m``. With ``D_b = D`` this is ``(C - b) D V / m``; the two differ, so the blank
    always carries its dilution. Rayment & Lyons (2011), methods 7A2b and 9E1.

    Examples
    --------
    >>> float(soil_content(6.40, extract_ml=100, soil_g=10, dilution=10, blank_mg_per_l=0.10))
    639.0
    """
    extract = np.asarray(solution_mg_per_l, float) * dilution
    return (extract - np.asarray(blank_mg_per_l, float) * blank_dilution) * extract_ml / soil_g


def dry_mass_g(soil_g: Numbers, moisture_percent: Numbers) -> FloatArray:
    """Oven-dry mass in a moist or air-dry mass: ``m / (1 + w)``.

    Notes
    -----
    Rayment & Lyons (2011), method 2A1; dividing by the dry mass is the same as multiplying an air-dry
    result by ``(100 + M) / 100``.

    Examples
    --------
    >>> float(dry_mass_g(10.0, 25.0))
    8.0
    """
    return np.asarray(soil_g, float) / (1 + np.asarray(moisture_percent, float) / 100)


def extract_volume_ml(extract_ml: Numbers, soil_g: Numbers, moisture_percent: Numbers) -> FloatArray:
    """Volume of extract including the water a moist soil brings along, at 1 g/mL.

    Notes
    -----
    Whether to add it is a choice of the method, printed with the result: Rayment & Lyons (2011), method
    7C1 note 2, allows for it, other laboratories leave it out.

    Examples
    --------
    >>> float(extract_volume_ml(100.0, 10.0, 25.0))
    102.0
    """
    water_ml = np.asarray(soil_g, float) - dry_mass_g(soil_g, moisture_percent)
    return np.asarray(extract_ml + water_ml)


def oven_dry_content(air_dry: Numbers, moisture_percent: Numbers) -> FloatArray:
    """Result on oven-dry mass from one on air-dry (or moist) mass: ``x (100 + M) / 100``.

    Notes
    -----
    Rayment & Lyons (2011), method 2A1.

    Examples
    --------
    >>> float(oven_dry_content(25.0, 6.0))
    26.5
    """
    return np.asarray(air_dry * (100 + np.asarray(moisture_percent, float)) / 100)


def gravimetric_moisture_percent(tin_g: Numbers, moist_g: Numbers, dry_g: Numbers) -> FloatArray:
    """Moisture on oven-dry mass from three weighings: tin, tin with moist soil, tin with oven-dry soil.

    Examples
    --------
    >>> float(gravimetric_moisture_percent(25, 75, 65))
    25.0
    """
    water = np.asarray(moist_g, float) - dry_g
    return np.asarray(100 * water / (np.asarray(dry_g, float) - tin_g))


def moisture_on_dry_mass(wet_basis_percent: Numbers) -> FloatArray:
    """Moisture in per cent of dry mass from per cent of moist mass: ``w / (1 - w)``.

    Examples
    --------
    >>> float(moisture_on_dry_mass(20.0))
    25.0
    """
    wet = np.asarray(wet_basis_percent, float) / 100
    return np.asarray(100 * wet / (1 - wet))


def moisture_on_moist_mass(dry_basis_percent: Numbers) -> FloatArray:
    """Moisture in per cent of moist mass from per cent of dry mass: ``w / (1 + w)``.

    Examples
    --------
    >>> float(moisture_on_moist_mass(25.0))
    20.0
    """
    dry = np.asarray(dry_basis_percent, float) / 100
    return np.asarray(100 * dry / (1 + dry))


def reported(value: Numbers, method: Method) -> tuple[FloatArray, NDArray[np.int64]]:
    """Round values to the digits a method reports.

    Parameters
    ----------
    value
        Shape (n,); NaN stays NaN.
    method
        Its ``digits``: from each value upwards, so many decimals.

    Returns
    -------
    rounded, decimals
        Both shape (n,). A value that rounds up into the next rule takes that rule's decimals.

    Notes
    -----
    Rounded once, half to even (ASTM E29, from memory), and as a person would round the decimal number: a
    binary 19.949999999999996 that stands for 19.95 is a tie. Afterwards only the rounded value is classed.
    """
    exact = np.asarray(value, float)
    decimals = _decimals(exact, method)
    decimals = np.where(np.isnan(exact), decimals, _decimals(half_even(exact, decimals), method))
    return half_even(exact, decimals), decimals


def reported_limit(below: Numbers, method: Method) -> tuple[FloatArray, NDArray[np.int64]]:
    """Round "less than" limits to a method's digits, upwards so that the statement stays true."""
    exact = np.asarray(below, float)
    decimals = _decimals(exact, method)
    power = 10.0**decimals
    scaled = exact * power
    return np.ceil(scaled - _TIE * np.maximum(np.abs(scaled), 1)) / power, decimals


_TIE = 1e-9  # closer than this, relatively, two numbers are one number in binary


def half_even(value: ArrayLike, decimals: ArrayLike) -> FloatArray:
    """Round to decimals, ties to the even digit, ties judged on the decimal number.

    Examples
    --------
    >>> half_even([0.125, 0.135, 2.675], [2, 2, 2]).tolist()
    [0.12, 0.14, 2.68]
    """
    power = 10.0 ** np.asarray(decimals)
    scaled = np.asarray(value, float) * power
    low = np.floor(scaled)
    tie = np.abs(scaled - low - 0.5) <= _TIE * np.maximum(np.abs(scaled), 1)
    return np.asarray(np.where(tie, low + low % 2, np.rint(scaled)) / power)


def _decimals(value: FloatArray, method: Method) -> NDArray[np.int64]:
    rules = sorted(method.digits, key=lambda rule: rule.at)
    if len(rules) == 1:
        return np.full(value.shape, rules[0].decimals)
    starts = [rule.at for rule in rules[1:]]
    known = np.fmax(np.abs(value), 0.0)  # NaN counts as 0
    return np.array([rule.decimals for rule in rules])[np.searchsorted(starts, known, side="right")]
