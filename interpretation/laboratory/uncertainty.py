"""Combined standard uncertainty of a soil value."""

from __future__ import annotations

import numpy as np

from interpretation.conversions import FloatArray, Numbers


def combined_uncertainty(
    value: Numbers,
    soil_per_extract: Numbers,
    *,
    extract_uncertainty_mg_per_l: Numbers,
    blank_uncertainty_mg_per_l: Numbers = 0.0,
    volume_percent: Numbers = 0.0,
    amount_percent: Numbers = 0.0,
    moisture_percent: Numbers = 0.0,
    reproducibility_percent: float | None = None,
) -> FloatArray:
    """Combine what one run knows about its own scatter with what the whole test is known to achieve.

    Parameters
    ----------
    value
        The soil value, shape (n,).
    soil_per_extract
        Soil value that one mg/L of undiluted extract makes.
    extract_uncertainty_mg_per_l
        Of the concentration read off the curve, times the dilution. NaN when not known.
    blank_uncertainty_mg_per_l
        Of the blank taken off, in the undiluted extract.
    volume_percent, amount_percent
        Relative, of the extract's volume and of the soil's mass or scooped volume.
    moisture_percent
        Relative, of the factor 1 + moisture; 0 where moisture does not enter.
    reproducibility_percent
        Relative standard deviation of the whole test within one laboratory, from its reference soils.

    Returns
    -------
    ndarray
        One standard deviation, in the unit of ``value``; NaN when neither part is known.

    Notes
    -----
    From the run: ``(u/c)^2 = (u_x^2 + u_b^2) / (C - b)^2 + (u_V/V)^2 + (u_m/m)^2 + (u_M/(1 + M))^2``,
    propagation as in the GUM, written here in absolute terms so that it holds at c = 0. Reading and blank
    count as independent, although both were read off one curve: over random runs the result was 0.91 to
    1.11 times that of the full propagation (``tests/second_opinion``).

    A run sees neither the scatter of the extraction nor that between days, which usually dominate: within
    one laboratory two relative standard deviations are 10 to 25 % of a soil test (Rayment & Lyons 2011,
    appendix 2). The reproducibility of the whole test holds reading, weighing and calibration already, so
    it is not added to them (they would count twice) but is the floor: the larger of the two is reported.
    """
    c, factor = np.asarray(value, float), np.asarray(soil_per_extract, float)
    reading = factor**2 * (
        np.asarray(extract_uncertainty_mg_per_l, float) ** 2
        + np.asarray(blank_uncertainty_mg_per_l, float) ** 2
    )
    relative = (
        np.asarray(volume_percent, float) ** 2
        + np.asarray(amount_percent, float) ** 2
        + np.asarray(moisture_percent, float) ** 2
    )
    of_run = np.sqrt(reading + (c / 100) ** 2 * relative)
    if reproducibility_percent is None:
        return np.asarray(of_run)
    return np.asarray(np.fmax(of_run, np.abs(c) * reproducibility_percent / 100))
