"""Which reading of a sample stands when it was read more than once.

A sample read over range is diluted with extractant and read again: the diluted reading stands. Several cups
of one sample at one dilution are replicates and are averaged. Of several dilutions in range the least
diluted stands, because it reads farthest from the blank.
"""

from __future__ import annotations

from dataclasses import dataclass

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

    def mean(self, values: FloatArray) -> FloatArray:
        """Average a value of the cups over each sample; NaN where no cup stands."""
        cups = np.flatnonzero(self.sample_of >= 0)
        samples = self.sample_of[cups]
        total = np.bincount(samples, values[cups], len(self.sample_id))
        count = np.bincount(samples, minlength=len(self.sample_id))
        return np.asarray(np.divide(total, count, out=np.full(len(total), np.nan), where=count > 0))

    def flags(self, flags: IntArray) -> IntArray:
        """Collect the flags of each sample's standing cups, or of its first cup where none stands."""
        joined = flags[self.first].copy()
        cups = np.flatnonzero(self.sample_of >= 0)
        np.bitwise_or.at(joined, self.sample_of[cups], flags[cups])
        return joined

    def rows(self) -> dict[str, int]:
        """Return the first standing cup of every sample that has one, by sample."""
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
    rows_of: dict[str, list[int]] = {}
    for row in np.flatnonzero(cups.kind == "sample").tolist():
        rows_of.setdefault(cups.cup_id[row], []).append(row)
    taken = (cups.flags & _TAKEN_OUT) == 0
    over = taken & ((cups.flags & _OVER) != 0)
    # A reading too low for the curve to give a number, or "< x" in the file, still says "less than".
    usable = taken & ~over & (cups.read | ((cups.flags & _STILL_SAYS) != 0))
    is_over, is_usable, dilution = over.tolist(), usable.tolist(), cups.dilution.tolist()
    sample_of = np.full(len(cups.position), -1, np.int64)
    first, over_only, thinned = [], [], []
    for sample, rows in enumerate(rows_of.values()):
        fit = [row for row in rows if is_usable[row]]
        least = min((dilution[row] for row in fit), default=np.inf)
        chosen = [row for row in fit if dilution[row] == least]
        for row in chosen:
            sample_of[row] = sample
        over_below = any(is_over[row] and dilution[row] < least for row in rows)
        first.append((chosen or rows)[0])
        over_only.append(over_below and not chosen)
        thinned.append(over_below and bool(chosen))
    return Standing(
        sample_id=np.fromiter(rows_of, object, len(rows_of)),
        sample_of=sample_of,
        first=np.array(first, np.int64),
        over=np.array(over_only, bool),
        thinned=np.array(thinned, bool),
    )
