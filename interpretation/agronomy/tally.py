"""Counts what changes between two sets of tables, some thousand samples at a time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from interpretation.agronomy.advise import Advice
from interpretation.agronomy.changes import AmountChange, Bin, Flow, Quantiles, Refused, State
from interpretation.quantities import KG_PER_HA

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
NOWHERE = State(kind="none")
MOST_BINS = 12
QUANTILES = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0)
_SAME = 1e-9  # kg/ha: two tables in different units give one amount


@dataclass(frozen=True, slots=True)
class _Amounts:
    """Amounts of one nutrient: kg/ha, NaN where there is none; why there is none, -1 where none was asked."""

    sample: Ints
    before: Floats
    after: Floats
    why_before: Ints
    why_after: Ints


@dataclass(frozen=True)
class Shifts:
    """What changes for each visit, one element a visit.

    Attributes
    ----------
    score
        Sum over the nutrients of the mean change of its samples' amounts, each measured against the greatest
        change of that nutrient; an amount newly given, or given no more, counts as the greatest.
    classes
        How many of its values change class.
    """

    score: Floats
    classes: Ints

    def order(self) -> Ints:
        """Visits of which anything changes, the most affected first."""
        any_change = np.flatnonzero((self.score > 0) | (self.classes > 0))
        keys = (any_change, -self.classes[any_change], -self.score[any_change])
        return any_change[np.lexsort(keys)]


class Tally:
    """Takes the advice on some samples by both tables, one batch after the other, and counts.

    Parameters
    ----------
    analytes, nutrients
        What is counted: what the change of tables can reach.
    """

    def __init__(self, analytes: frozenset[str], nutrients: frozenset[str]) -> None:
        self._analytes, self._nutrients = analytes, sorted(nutrients)
        self._states: dict[State, int] = {NOWHERE: 0}
        self._place: dict[tuple[str, str, int], int] = {}  # of a class among its scale's
        self._moves: defaultdict[tuple[str, str], defaultdict[tuple[int, int], int]] = defaultdict(
            lambda: defaultdict(int)
        )
        self._whys: dict[str, int] = {}
        self._amounts: defaultdict[str, list[_Amounts]] = defaultdict(list)
        self._classes: list[Ints] = []
        self._samples = 0
        self.values = 0

    def add(self, before: Advice, after: Advice) -> None:
        """Count one batch; samples and values of both stand in the same order."""
        count = len(before.context)
        classes = np.zeros(count, dtype=np.int64)
        of_before, of_after = self._codes(before), self._codes(after)
        sample = before.classed.frame["sample"].to_numpy()
        for kind in before.classed.kinds:
            if kind.analyte in self._analytes:
                one, two = of_before[kind.rows], of_after[kind.rows]
                self._count(self._moves[kind.analyte, kind.method], one, two)
                classes += np.bincount(sample[kind.rows[one != two]], minlength=count)
                self.values += len(kind.rows)
        for nutrient in self._nutrients:
            self._amounts[nutrient].append(self._pair(before, after, nutrient))
        self._classes.append(classes)
        self._samples += count

    def flows(self) -> tuple[Flow, ...]:
        """How values move, those of which most change first."""
        states = list(self._states)
        found = []
        for (analyte, method), moves in self._moves.items():
            rank = self._rank(analyte, method)
            rows, columns = (sorted({move[side] for move in moves}, key=rank) for side in (0, 1))
            changed = sum(number for (one, two), number in moves.items() if one != two)
            found.append(
                Flow(
                    analyte=analyte, method=method, values=sum(moves.values()), changed=changed,
                    before=tuple(states[code] for code in rows),
                    after=tuple(states[code] for code in columns),
                    counts=tuple(tuple(moves.get((one, two), 0) for two in columns) for one in rows),
                )
            )  # fmt: skip
        return tuple(sorted(found, key=lambda flow: (-flow.changed, flow.analyte, flow.method)))

    def amounts(self, visit: Ints, area_ha: Floats) -> tuple[AmountChange, ...]:
        """How the amounts of each nutrient change.

        Parameters
        ----------
        visit
            ``(samples,)``: the visit of each sample, in the order they were added.
        area_ha
            ``(visits,)``: NaN where the field's area is not known.
        """
        found = [(nutrient, self._whole(nutrient)) for nutrient in self._nutrients]
        return tuple(self._change(name, one, visit, area_ha) for name, one in found if len(one.sample))

    def shifts(self, visit: Ints, visits: int) -> Shifts:
        """What changes for each visit; parameters as for :meth:`amounts`."""
        if not self._samples:  # nothing could differ, and nothing was looked at
            return Shifts(np.zeros(visits), np.zeros(visits, dtype=np.int64))
        classes = np.concatenate(self._classes)
        score = np.zeros(visits)
        for nutrient in self._nutrients:
            one = self._whole(nutrient)
            both = ~np.isnan(one.before) & ~np.isnan(one.after)
            change = np.where(both, np.abs(_difference(one)), 0.0)
            greatest = change.max(initial=0.0)
            share = change / greatest if greatest else change
            share[np.isnan(one.before) != np.isnan(one.after)] = 1.0
            of = visit[one.sample]
            asked = np.bincount(of, minlength=visits)
            score += np.bincount(of, share, minlength=visits) / np.maximum(asked, 1)
        by_visit = np.bincount(visit, classes, minlength=visits).astype(np.int64)
        return Shifts(score, by_visit)

    # ------------------------------------------------------------------------------------------ classes

    def _codes(self, advice: Advice) -> Ints:
        """What became of each value, as a number of :attr:`_states`."""
        frame, scales = advice.classed.frame, list(advice.tables.scales.values())
        widest = max((len(scale.classes) for scale in scales), default=0)
        named = np.zeros(
            (len(scales) + 1, widest + 1), dtype=np.int64
        )  # the last ones: of no scale, no class
        for row, scale in enumerate(scales):
            for column, one in enumerate(scale.classes):
                named[row, column] = code = self._code(State(kind="class", name=one.name))
                key = (scale.analyte, scale.method, code)
                self._place[key] = min(self._place.get(key, column), column)
        refusal = frame["refusal"].cat
        reasons = (State(kind="refusal", name=key) if key else NOWHERE for key in refusal.categories)
        why = np.array([self._code(reason) for reason in reasons])
        classed = named[frame["table"].cat.codes.to_numpy(), frame["class_index"].to_numpy()]
        index = frame["class_index"].to_numpy()
        return np.where(index >= 0, classed, why[refusal.codes.to_numpy()])

    def _code(self, state: State) -> int:
        return self._states.setdefault(state, len(self._states))

    def _rank(self, analyte: str, method: str) -> Callable[[int], tuple[bool, int, int]]:
        """Classes from the lowest to the highest, then the reasons for none."""
        states = list(self._states)

        def rank(code: int) -> tuple[bool, int, int]:
            return states[code].kind != "class", self._place.get((analyte, method, code), 0), code

        return rank

    def _count(self, moves: defaultdict[tuple[int, int], int], before: Ints, after: Ints) -> None:
        width = len(self._states)
        numbers = np.bincount(before * width + after)
        for move in np.flatnonzero(numbers):
            moves[int(move) // width, int(move) % width] += int(numbers[move])

    # ------------------------------------------------------------------------------------------ amounts

    def _pair(self, before: Advice, after: Advice, nutrient: str) -> _Amounts:
        (kg_before, why_before), (kg_after, why_after) = (
            self._side(each, nutrient) for each in (before, after)
        )
        asked = np.flatnonzero((why_before >= 0) | (why_after >= 0))
        return _Amounts(
            asked + self._samples, kg_before[asked], kg_after[asked], why_before[asked], why_after[asked]
        )

    def _side(self, advice: Advice, nutrient: str) -> tuple[Floats, Ints]:
        frame, count = advice.rated.frame, len(advice.context)
        kg, why = np.full(count, np.nan), np.full(count, -1, dtype=np.int64)
        names = list(frame["nutrient"].cat.categories)
        if nutrient not in names:
            return kg, why
        rows = np.flatnonzero(frame["nutrient"].cat.codes.to_numpy() == names.index(nutrient))
        sample, table = frame["sample"].to_numpy()[rows], frame["table"].cat
        factors = np.array(
            [*(KG_PER_HA[advice.tables.rates[name].unit] for name in table.categories), np.nan]
        )
        kg[sample] = frame["rate"].to_numpy()[rows] * factors[table.codes.to_numpy()[rows]]
        refusal = frame["refusal"].cat
        codes = np.array([self._whys.setdefault(key, len(self._whys)) for key in refusal.categories])
        why[sample] = codes[refusal.codes.to_numpy()[rows]]
        return kg, why

    def _whole(self, nutrient: str) -> _Amounts:
        parts = self._amounts[nutrient]
        before, after = (_joined(parts, name, np.float64) for name in ("before", "after"))
        sample, was, would = (
            _joined(parts, name, np.int64) for name in ("sample", "why_before", "why_after")
        )
        return _Amounts(sample, before, after, was, would)

    def _change(self, nutrient: str, one: _Amounts, visit: Ints, area_ha: Floats) -> AmountChange:
        had, has = ~np.isnan(one.before), ~np.isnan(one.after)
        both = had & has
        change = _difference(one)[both]
        of = visit[one.sample[both]]
        shared = np.bincount(of, minlength=len(area_ha))
        known = ~np.isnan(area_ha) & (shared > 0)
        each_ha = np.where(known, area_ha, 0.0)[of] / np.maximum(shared, 1)[of]
        return AmountChange(
            nutrient=nutrient, samples=int(both.sum()), more=int((change > 0).sum()),
            less=int((change < 0).sum()), same=int((change == 0).sum()),
            gained=self._refused(one.why_before[has & ~had]), lost=self._refused(one.why_after[had & ~has]),
            mean_before_kg_per_ha=float(one.before[both].mean()) if both.any() else None,
            mean_after_kg_per_ha=float(one.after[both].mean()) if both.any() else None,
            change_kg_per_ha=quantiles(change), bins=bins(change[change != 0]),
            area_ha=float(area_ha[known].sum()),
            total_before_kg=float((one.before[both] * each_ha).sum()),
            total_after_kg=float((one.after[both] * each_ha).sum()),
        )  # fmt: skip

    def _refused(self, codes: Ints) -> tuple[Refused, ...]:
        names = {code: name for name, code in self._whys.items()} | {-1: ""}
        found, numbers = np.unique(codes, return_counts=True)
        counted = [
            Refused(reason=names[int(code)], samples=int(number))
            for code, number in zip(found, numbers, strict=True)
        ]
        return tuple(sorted(counted, key=lambda each: (-each.samples, each.reason)))


def quantiles(change: Floats) -> Quantiles | None:
    """How changes are spread; None of none."""
    if not len(change):
        return None
    names = Quantiles.model_fields
    return Quantiles(**dict(zip(names, map(float, np.quantile(change, QUANTILES)), strict=True)))


def bins(change: Floats) -> tuple[Bin, ...]:
    """Count changes, none of which is nought, in steps that a person would choose.

    Examples
    --------
    >>> [(one.low_kg_per_ha, one.high_kg_per_ha, one.samples) for one in bins(np.array([-5.0, 5.0, 10.0]))]
    [(-6.0, -4.0, 1), (4.0, 6.0, 1), (8.0, 10.0, 1)]
    """
    if not len(change):
        return ()
    step = _step(float(max(change.max(), 0.0) - min(change.min(), 0.0)) / MOST_BINS)
    # Away from nought: -5 on a step of 5 is in the bin from -5 to 0, and 5 in that from 0 to 5.
    place = np.where(change > 0, np.ceil(change / step - _SAME) - 1, np.floor(change / step + _SAME))
    numbers, counts = np.unique(place.astype(np.int64), return_counts=True)
    return tuple(
        Bin(low_kg_per_ha=float(number) * step, high_kg_per_ha=float(number + 1) * step, samples=int(count))
        for number, count in zip(numbers, counts, strict=True)
    )


def _step(least: float) -> float:
    """The first of 1, 2, 5, 10, 20, ... that is not smaller."""
    tens = 10.0 ** np.floor(np.log10(max(least, 1e-6)))
    return float(next(tens * each for each in (1.0, 2.0, 5.0, 10.0) if tens * each >= least * (1 - 1e-9)))


def _difference(one: _Amounts) -> Floats:
    change: Floats = one.after - one.before
    return np.where(np.abs(change) < _SAME, 0.0, change)


def _joined(parts: Sequence[_Amounts], name: str, kind: type[Any]) -> NDArray[Any]:
    return np.concatenate([np.empty(0, dtype=kind), *(getattr(part, name) for part in parts)])
