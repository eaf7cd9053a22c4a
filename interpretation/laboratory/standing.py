"""Which reading of a sample stands when it was read more than once.

A sample read over range is diluted with extractant and read again: the diluted reading stands. Several cups
of one sample at one dilution are replicates and are averaged. Of several dilutions in range the least
diluted stands, because it reads farthest from the blank.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from interpretation.conversions import FloatArray
from interpretation.laboratory.cups import BoolArray, Cups, IntArray
from interpretation.laboratory.flags import bit, mask
from interpretation.results import Flag

_OVER = bit(Flag.OVER_RANGE)
_TAKEN_OUT = mask(Flag.EXCLUDED, Flag.NO_SIGNAL)
_STILL_SAYS = mask(Flag.UNDER_RANGE, Flag.REPORTED_BELOW)


@dataclass(frozen=True)
class Standing:
    """The samples of a run, in order of their first cup, and the cups that speak for them.

    Attributes
    ----------
    sample_id
        One entry a sample.
    sample_of
        For each cup the sample it stands for, -1 for every other cup.
    first
        For each sample its first standing cup, or its first cup where none stands.
    over
        Samples whose only readings are above the top standard.
    thinned
        Samples that read over range at a lower dilution than the one that stands.
    """

    sample_id: NDArray[np.object_]
    sample_of: IntArray
    first: IntArray
    over: BoolArray
    thinned: BoolArray

    @cached_property
    def cups(self) -> IntArray:
        """Every cup that stands for a sample."""
        return np.flatnonzero(self.sample_of >= 0)

    @cached_property
    def count(self) -> IntArray:
        """How many cups stand for each sample."""
        return np.bincount(self.sample_of[self.cups], minlength=len(self.sample_id))

    def mean(self, values: FloatArray) -> FloatArray:
        """Average a value of the cups over each sample; NaN where no cup stands."""
        total = np.bincount(self.sample_of[self.cups], values[self.cups], len(self.sample_id))
        return np.asarray(total / self._divisor)

    @cached_property
    def _divisor(self) -> FloatArray:
        return np.where(self.count > 0, self.count, np.nan)

    def flags(self, flags: IntArray) -> IntArray:
        """Collect the flags of each sample's standing cups, or of its first cup where none stands."""
        joined = flags[self.first]
        np.bitwise_or.at(joined, self.sample_of[self.cups], flags[self.cups])
        return joined

    @cached_property
    def row_of(self) -> dict[str, int]:
        """The first standing cup of every sample that has one, by sample."""
        stands = self.sample_of[self.first] >= 0
        return dict(zip(self.sample_id[stands].tolist(), self.first[stands].tolist(), strict=True))


def standing(cups: Cups) -> Standing:
    """Choose the cups that speak for each sample.

    Parameters
    ----------
    cups
        One run.

    Returns
    -------
    Standing
    """
    rows = np.flatnonzero(cups.is_kind("sample"))
    number: dict[str, int] = {}
    sample = np.array([number.setdefault(name, len(number)) for name in cups.cup_id[rows].tolist()], np.int64)
    flags, dilution = cups.flags[rows], cups.dilution[rows]
    taken = (flags & _TAKEN_OUT) == 0
    over = taken & ((flags & _OVER) != 0)
    # A reading too low for the curve to give a number, or "< x" in the file, still says "less than".
    usable = taken & ~over & (cups.read[rows] | ((flags & _STILL_SAYS) != 0))

    least = np.full(len(number), np.inf)  # dilution of the reading that stands
    np.minimum.at(least, sample[usable], dilution[usable])
    chosen = usable & (dilution == least[sample])
    sample_of = np.full(len(cups.kind), -1, np.int64)
    sample_of[rows[chosen]] = sample[chosen]
    first = np.zeros(len(number), np.int64)
    first[sample[::-1]] = rows[::-1]  # the first of several is written last
    first[sample[chosen][::-1]] = rows[chosen][::-1]

    stands = np.isfinite(least)
    over_below = np.zeros(len(number), bool)
    over_below[sample[over & (dilution < least[sample])]] = True
    ids = np.fromiter(number, object, len(number))
    return Standing(ids, sample_of, first, over_below & ~stands, over_below & stands)
