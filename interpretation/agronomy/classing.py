"""From a soil value to its class in one scale: round, class what was rounded, say how sure it is.

The number that is printed is the number that is classed. Rounding is half up (common practice: 9.5 on a
step of 1 is reported as 10), on whole steps of ``round_to`` and with a tolerance of one part in 10^9 of a
step, so that a 20 that floating arithmetic left at 19.999999999 is still 20. Limits are compared in whole
steps too, never as binary fractions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from interpretation.agronomy.tables import ScaleTable
from interpretation.methods import DigitRule

Floats = NDArray[np.float64]

# Above the error of double arithmetic (2e-10 of a step after a million steps), far below anything a
# laboratory can measure.
_TOLERANCE = 1e-9
COVERAGE_95 = 1.959963984540054  # two-sided 95 % point of the normal distribution

# Why a value has no class, in the order of the codes in Classes.refusal; 0 is "not refused".
CLASSING_REFUSALS = ("", "below-scale", "censored-straddles", "above-scale")
BELOW_SCALE, CENSORED_STRADDLES, ABOVE_SCALE = 1, 2, 3


@dataclass(frozen=True, slots=True)
class Classes:
    """What one scale says about an array of values, all of one length ``n``.

    Attributes
    ----------
    reported
        ``(n,)``, in the scale's unit: values rounded to ``round_to``; NaN where the value is NaN.
    index
        ``(n,)`` int8: 0 is the lowest class, -1 is none.
    refusal
        ``(n,)`` int8: position in :data:`CLASSING_REFUSALS`.
    probability
        ``(n, number of classes)``; a row is NaN where the uncertainty is not known or there is no class.
    borderline
        ``(n,)`` bool: the 95 % interval of the value crosses a limit of its class.
    """

    reported: Floats
    index: NDArray[np.int8]
    refusal: NDArray[np.int8]
    probability: NDArray[np.float32]
    borderline: NDArray[np.bool_]


def decimals_of(step: float) -> int:
    """Decimals needed to print multiples of a step: 0 for 5, 1 for 0.5, 2 for 0.25."""
    exponent = Decimal(repr(float(step))).normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def whole_steps(values: Floats, step: float) -> Floats:
    """Count values in whole steps, half up; NaN stays NaN.

    Examples
    --------
    >>> whole_steps(np.array([9.4, 9.5, 19.999999999999996]), 1.0)
    array([ 9., 10., 20.])
    """
    counted: Floats = np.asarray(values, dtype=np.float64) / step
    counted += 0.5 + _TOLERANCE
    return np.floor(counted, out=counted)


def round_half_up(values: Floats, step: float) -> Floats:
    """Round to a step, half up, to the double nearest the decimal number that will be printed.

    Examples
    --------
    >>> round_half_up(np.array([0.25, 0.34, 2.5]), 0.1)
    array([0.3, 0.3, 2.5])
    """
    rounded: Floats = whole_steps(values, step) * step
    return np.round(rounded, decimals_of(step))


def reported_as(digits: Sequence[DigitRule], values: Floats) -> tuple[Floats, NDArray[np.int8]]:
    """Round to a method's own digits: what it reports of a value that no scale rounds.

    Returns
    -------
    values, decimals
        Both ``(n,)``; NaN stays NaN.

    Examples
    --------
    >>> from interpretation.methods import DigitRule
    >>> rules = [DigitRule.model_validate({"from": bound, "decimals": d}) for bound, d in ((0, 1), (10, 0))]
    >>> reported_as(rules, np.array([2.44, 14.4]))
    (array([ 2.4, 14. ]), array([1, 0], dtype=int8))
    """
    rounded = np.array(values, dtype=np.float64)
    decimals = np.ones(len(rounded), dtype=np.int8)
    for rule in digits:
        chosen = values >= rule.at if rule is not digits[0] else np.ones(len(rounded), dtype=np.bool_)
        decimals[chosen] = rule.decimals
        rounded[chosen] = round_half_up(np.asarray(values)[chosen], 10.0**-rule.decimals)
    return rounded, decimals


def first_steps(scale: ScaleTable) -> Floats:
    """First whole step that belongs to each class, ``(number of classes,)``.

    A closed bound of 10 on a step of 1 gives 10; "above 10" (``open_below``) gives 11; a bound of 3.05 on
    a step of 0.1 gives 31.
    """
    bounds = np.array([item.lower for item in scale.classes]) / scale.round_to
    opened = np.array([item.open_below for item in scale.classes])
    nearest = np.round(bounds)
    bounds = np.where(np.abs(bounds - nearest) < 1e-6, nearest, bounds)
    return np.where(opened, np.floor(bounds) + 1, np.ceil(bounds))


def classify(values: Floats, uncertainties: Floats, below: Floats, scale: ScaleTable) -> Classes:
    """Class values in one scale.

    Parameters
    ----------
    values
        ``(n,)``, in the scale's unit, form and basis, unrounded; NaN where censored.
    uncertainties
        ``(n,)``, standard uncertainties in the same unit. NaN, and zero, mean "not known": no
        measurement is exact.
    below
        ``(n,)``, quantification limits of censored values, NaN elsewhere.
    scale
        The table.

    Returns
    -------
    Classes

    Notes
    -----
    A censored value "< b" is classed only when the whole of [0, b) lies in the first class, by the table's
    own bounds.

    The probability of a class is the probability that a normal distribution around the *unrounded* value,
    with its standard uncertainty, lies where it would be reported in that class: from half a rounding step
    below the class's first reportable value. On a scale printed 0-9, 10-15 the edge is 9.5, since 9.6 is
    printed, and classed, as 10. What lies below the scale counts for the first class: a content cannot be
    negative, and the probabilities add up to one.

    Examples
    --------
    >>> from interpretation.agronomy.tables import ScaleTable
    >>> scale = ScaleTable.model_validate({
    ...     "id": "x/p", "region": "x", "crops": "any", "analyte": "P", "method": "olsen", "unit": "mg/kg",
    ...     "basis": "air-dry", "depth_cm": (0, 15), "round_to": 1, "effective_from": "2026-01-01",
    ...     "sources": ("s",), "standing": "invented",
    ...     "classes": [{"name": "low", "from": 0}, {"name": "high", "from": 10}]})
    >>> nothing = np.full(2, np.nan)
    >>> classes = classify(np.array([9.4, 9.5]), np.array([2.0, np.nan]), nothing, scale)
    >>> classes.index, classes.probability[0].round(2)
    (array([0, 1], dtype=int8), array([0.52, 0.48], dtype=float32))
    """
    first = first_steps(scale)
    steps = whole_steps(values, scale.round_to)
    index = (np.searchsorted(first, steps, side="right") - 1).astype(np.int8)
    index[np.isnan(steps)] = -1
    refusal = np.where(steps < first[0], BELOW_SCALE, 0).astype(np.int8)
    if scale.ends_at is not None:
        above = steps > np.floor(scale.ends_at / scale.round_to + _TOLERANCE)
        index[above], refusal[above] = -1, ABOVE_SCALE
    censored = ~np.isnan(below)
    if censored.any():
        fits = censored & (scale.classes[0].lower <= 0) & (below <= scale.classes[1].lower + _TOLERANCE)
        index[fits] = 0
        refusal[censored & ~fits] = CENSORED_STRADDLES
    probability, borderline = _certainty(values, uncertainties, (first - 0.5) * scale.round_to, index)
    reported = np.round(steps * scale.round_to, decimals_of(scale.round_to))
    return Classes(reported, index, refusal, probability, borderline)


def _certainty(
    values: Floats, uncertainties: Floats, edges: Floats, index: NDArray[np.int8]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Probability of every class, and whether the 95 % interval leaves the class of the value."""
    inner = edges[1:]
    probability = np.full((len(values), len(edges)), np.nan, dtype=np.float32)
    borderline = np.zeros(len(values), dtype=np.bool_)
    known = np.flatnonzero((uncertainties > 0) & (index >= 0) & ~np.isnan(values))
    value, uncertainty = values[known], uncertainties[known]
    deviation = (inner - value[:, None]) / uncertainty[:, None]
    below_edge = ndtr(deviation)
    zeros, ones = np.zeros((len(known), 1)), np.ones((len(known), 1))
    probability[known] = np.diff(below_edge, axis=1, prepend=zeros, append=ones)
    borderline[known] = (np.abs(deviation) < COVERAGE_95).any(axis=1)
    return probability, borderline
