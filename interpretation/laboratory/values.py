"""One soil value for each sample of a run, with what keeps it back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.conversions import FloatArray
from interpretation.laboratory.cups import BoolArray, Cups, IntArray
from interpretation.laboratory.flags import bit, mask
from interpretation.laboratory.inverse import ROUNDING
from interpretation.laboratory.limits import WITHOUT_VALUE, Limits
from interpretation.laboratory.preparation import Preparation, Prepared
from interpretation.laboratory.soil import reported, reported_limit
from interpretation.laboratory.standing import Standing
from interpretation.laboratory.uncertainty import combined_uncertainty
from interpretation.methods import Method
from interpretation.results import Flag

_WITHOUT_VALUE = mask(*WITHOUT_VALUE)
_NEGATIVE, _REPORTED_BELOW = bit(Flag.NEGATIVE), bit(Flag.REPORTED_BELOW)


@dataclass(frozen=True)
class SampleValues:
    """One entry a sample, in order of its first cup.

    Attributes
    ----------
    lab_number
        The sample.
    cup
        The cup its value stands beside, counted in instrument order.
    row
        Its row in the preparation, -1 where it has none.
    value, below
        Rounded to the method's digits, as the laboratory prints them; at most one of the two is a number.
        Neither where nothing can be said, or may be.
    measured
        ``value`` before it was rounded: what crosses to the agronomy, which rounds to the step of its table.
    decimals
        Digits of whichever of the two there is.
    standard_uncertainty
        Of the value, not rounded; NaN when not known.
    flags
        Of the cups that speak for the sample, and of the sample itself.
    withheld
        Name of the flag that keeps the value back, or "".
    """

    lab_number: NDArray[np.object_]
    cup: IntArray
    row: IntArray
    value: FloatArray
    below: FloatArray
    measured: FloatArray
    decimals: IntArray
    standard_uncertainty: FloatArray
    flags: IntArray
    withheld: NDArray[np.object_]


def sample_values(
    cups: Cups,
    samples: Standing,
    blank: FloatArray,
    blank_uncertainty: FloatArray,
    soil: Prepared,
    *,
    method: Method,
    limits: Limits,
) -> SampleValues:
    """Bring every sample's extract to soil.

    Parameters
    ----------
    cups, samples
        One run, its cups flagged by the checks, and which cups speak for each sample.
    blank, blank_uncertainty
        For each cup, mg/L of undiluted extract.
    soil
        How each cup's soil was prepared.
    method
        The method.
    limits
        The laboratory's.

    Returns
    -------
    SampleValues

    Notes
    -----
    A reading below the reporting level, and a blank-corrected one below it, is censored at the reporting
    level brought to soil; it is never 0. Blank-corrected far below zero it is no result at all: one
    university network drops readings below -0.02 mg/L (NEON, inorganic nitrogen; read), here the larger of
    that and the detection limit decides. A value the method's digits would round to 0 is "less than" one
    last digit.
    """
    cup = samples.first
    dilution, factor = cups.dilution[cup], soil.soil_per_extract[cup]
    solution, extract = samples.mean(cups.solution), samples.mean(cups.extract)
    net = extract - blank[cup]
    value = net * factor
    reporting = np.fmax(samples.mean(cups.below), cups.reporting)
    flags = samples.flags(cups.flags)

    level = reporting * (1 - ROUNDING)
    low = (solution < level) | (net < level * dilution)
    low |= ((flags & _REPORTED_BELOW) != 0) | (np.isnan(solution) & (samples.sample_of[cup] >= 0))
    floor = np.fmin(limits.below_blank.low or 0.0, -cups.detection)
    far_below_blank = net / dilution < floor * (1 + ROUNDING)
    share = limits.blank_share.high
    for marked, flag in (
        (low, Flag.BELOW_LOQ),
        (net < 0, Flag.NEGATIVE),
        (~low & (share is not None and 100 * blank[cup] > share * extract), Flag.BLANK_DOMINATES),
        (samples.over | (samples.thinned & low), Flag.OVER_RANGE),
        (soil.moisture_missing[cup], Flag.MOISTURE_MISSING),
        (soil.not_valid[cup], Flag.METHOD_NOT_VALID),
    ):
        flags[marked] |= bit(flag)

    nothing = far_below_blank | ((flags & _WITHOUT_VALUE) != 0) | (~low & ~(value > 0))
    rounded, decimals = reported(np.where(nothing | low, np.nan, value), method)
    limit, limit_decimals = reported_limit(
        np.where(~nothing & low, reporting * dilution * factor, np.nan), method
    )
    vanished = rounded == 0
    below = np.where(vanished, 10.0**-decimals, limit)
    uncertainty = combined_uncertainty(
        value,
        factor,
        extract_uncertainty_mg_per_l=samples.mean(cups.uncertainty) * dilution,
        blank_uncertainty_mg_per_l=blank_uncertainty[cup],
        volume_percent=soil.volume_percent,
        amount_percent=soil.amount_percent[cup],
        moisture_percent=soil.moisture_percent[cup],
        reproducibility_percent=method.reproducibility_percent,
    )
    given = ~np.isnan(rounded) & ~vanished
    return SampleValues(
        lab_number=samples.sample_id,
        cup=cup,
        row=soil.row[cup],
        value=np.where(given, rounded, np.nan),
        below=below,
        measured=np.where(given, value, np.nan),
        decimals=np.where(np.isnan(limit), decimals, limit_decimals),
        standard_uncertainty=np.where(given, uncertainty, np.nan),
        flags=flags,
        withheld=_withheld(flags, limits, nothing),
    )


def _withheld(flags: IntArray, limits: Limits, nothing: BoolArray) -> NDArray[np.object_]:
    """Name the flag that keeps each value back, the most fundamental one; "" where none does."""
    reason = np.full(len(flags), "", object)
    reason[nothing] = Flag.NO_SIGNAL.value
    reason[nothing & ((flags & _NEGATIVE) != 0)] = Flag.NEGATIVE.value
    for flag in reversed(limits.holding_back()):
        reason[(flags & bit(flag)) != 0] = flag.value
    return reason


def value_columns(
    values: SampleValues, which: BoolArray | slice, preparation: Preparation, origin: str
) -> dict[str, Any]:
    """Lay some of the samples out as the columns of :data:`interpretation.soil_values.COLUMNS`.

    ``value`` is not rounded: a value is rounded once, by whoever prints it. Rounded here and again to the
    step of a table, 22.475 would become 22.5, then 23. Built in their final types at once: one frame a run
    is all the time there is.
    """
    method, listed, row = preparation.method, preparation.columns, values.row[which]
    ones = np.zeros(len(row), np.int64)

    def same(text: str) -> Any:
        return pd.array([text], dtype="str").take(ones)

    return {
        "lab_number": pd.array(values.lab_number[which], dtype="str"),
        "analyte": same(method.analyte),
        "form": same(method.form),
        "method": same(method.id),
        "value": values.measured[which],
        "unit": same(method.unit),
        "basis": same(method.basis),
        "standard_uncertainty": values.standard_uncertainty[which],
        "below": values.below[which],
        "depth_from_cm": listed["depth_from_cm"][row],
        "depth_to_cm": listed["depth_to_cm"][row],
        "sampled_on": listed["sampled_on"][row].astype("datetime64[us]"),
        "origin": same(origin),
    }
