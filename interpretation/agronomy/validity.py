"""Soils on which a method's result means nothing: what decides, and which values are taken back for it.

Whatever the tables say, a result of an acid extractant that a limy soil has used up has no class. The limits
stand in the method's file; the soil is judged by its own pH in water, free carbonate and organic matter.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from interpretation.agronomy.outcome import METHOD_NOT_VALID, VALIDITY_UNKNOWN, Floats, Outcome, Rows
from interpretation.methods import Method

# The pH that methods' limits are meant for is in water: in a salt solution it reads about half a unit lower
# and must not meet them. Methods in water are named so.
WATER_PH_METHOD = "ph-water"


class Soils(NamedTuple):
    """What is known of the soil of each sample, ``(samples,)``; NaN where it is not."""

    lowest_ph: Floats  # in water; of two ways (1:1, 1:2.5) that both are there the one that counts against
    highest_ph: Floats
    lime_percent: Floats
    om_percent: Floats  # of two methods the higher


class Limit(NamedTuple):
    """One limit of a method's validity."""

    field: str  # of the method; also the detail of the refusal
    fact: str  # of Soils
    name: str  # as formulas and reports name the figure
    highest: bool  # valid up to the limit, or from it
    must_be_known: bool


# In the order in which they are told where several are passed. The first two fail without a sign: any field
# may be limy, and the result looks like any other, so that one of the figures must be known. Very acid soils
# and soils high in organic matter are rare, and whoever sampled a peat knows it: not knowing refuses nothing.
LIMITS = (
    Limit("valid_ph_max", "highest_ph", "ph", highest=True, must_be_known=True),
    Limit("valid_lime_percent_max", "lime_percent", "lime_percent", highest=True, must_be_known=True),
    Limit("valid_ph_min", "lowest_ph", "ph", highest=False, must_be_known=False),
    Limit("valid_om_percent_max", "om_percent", "om_percent", highest=True, must_be_known=False),
)
OF_FIELD = {limit.field: limit for limit in LIMITS}


def broken(limit: Limit, method: Method, soils: Soils, sample: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether samples are known to lie beyond a limit of the method; at the limit itself it still holds."""
    bound, found = getattr(method, limit.field), getattr(soils, limit.fact)[sample]
    if bound is None:
        return np.zeros(len(sample), dtype=np.bool_)
    beyond: NDArray[np.bool_] = found > bound if limit.highest else found < bound
    return beyond


def refuse_invalid(method: Method, rows: Rows, sample: NDArray[np.int64], soils: Soils, out: Outcome) -> None:
    """Take the classes of a method's values back where it does not hold.

    Parameters
    ----------
    method
        With its limits.
    rows
        Rows of the soil values that stand on it.
    sample
        Sample of each of these rows.
    soils
        What is known of the samples.
    out
        Filled in: ``method-not-valid`` beyond a limit, ``validity-unknown`` where the method has limits
        that must be known and none of these figures is.
    """
    has = [limit for limit in LIMITS if getattr(method, limit.field) is not None]
    needed = [limit for limit in has if limit.must_be_known]
    if needed:
        unknown = np.logical_and.reduce([np.isnan(getattr(soils, one.fact)[sample]) for one in needed])
        out.withdraw(rows[unknown], VALIDITY_UNKNOWN, needed[0].field)
    for limit in reversed(has):  # the first is the one told where several are passed
        out.withdraw(rows[broken(limit, method, soils, sample)], METHOD_NOT_VALID, limit.field)
