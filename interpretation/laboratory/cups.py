"""The cups of one run as arrays in instrument order: what every check reads."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.conversions import FloatArray
from interpretation.laboratory.curve import Curve
from interpretation.laboratory.detection import DetectionLimits, blank_signals, limits_of
from interpretation.laboratory.flags import bit, mask
from interpretation.laboratory.inverse import ROUNDING, SOLUTION, signal_flags
from interpretation.laboratory.run import KINDS, Columns, RunHeader, columns_of
from interpretation.methods import Method
from interpretation.results import Flag

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

# Kinds that are reported, or decide what is: they rest on the checks around them.
RESULTS = ("sample", "duplicate", "spike", "reference soil", "method blank")

_CODES = {kind: code for code, kind in enumerate(KINDS)}
_EXCLUDED = bit(Flag.EXCLUDED)
_UNREAD = mask(Flag.EXCLUDED, Flag.NO_SIGNAL)


@dataclass(frozen=True)
class Cups:
    """One run's cups, sorted by position; every array has one entry a cup.

    Attributes
    ----------
    order
        Row of each cup in the frame it came from.
    solution
        mg/L in the cup as read, before any dilution factor; NaN without a reading.
    uncertainty
        Standard uncertainty of ``solution``; NaN when not known.
    lowest, highest
        Retained standards that bound the range, mg/L; NaN when not known.
    reporting
        Lowest concentration reported as a number, mg/L: the larger of quantification limit and ``lowest``.
    detection
        Detection limit, mg/L; NaN when not known.
    """

    order: IntArray
    position: IntArray
    kind: NDArray[np.object_]
    cup_id: NDArray[np.object_]
    of: NDArray[np.object_]
    nominal: FloatArray
    dilution: FloatArray
    solution: FloatArray
    uncertainty: FloatArray
    below: FloatArray
    flags: IntArray
    lowest: float = np.nan
    highest: float = np.nan
    reporting: float = np.nan
    detection: float = np.nan

    @cached_property
    def read(self) -> BoolArray:
        """Cups with a reading that no person took out."""
        return np.asarray(((self.flags & _UNREAD) == 0) & np.isfinite(self.solution))

    @cached_property
    def extract(self) -> FloatArray:
        """mg/L in the undiluted extract."""
        return self.solution * self.dilution

    def too_low(self, mg_per_l: FloatArray) -> BoolArray:
        """Mark readings below the reporting level; a reading of the level itself is not below it."""
        return np.asarray(mg_per_l < self.reporting * (1 - ROUNDING))

    def is_kind(self, *kinds: str) -> BoolArray:
        """Mark the cups of these kinds, read or not."""
        marked = self._kinds[kinds[0]]
        for kind in kinds[1:]:
            marked = marked | self._kinds[kind]
        return marked

    @cached_property
    def _kinds(self) -> dict[str, BoolArray]:
        code = np.array([_CODES[kind] for kind in self.kind.tolist()])
        return {kind: code == index for kind, index in _CODES.items()}

    def where(self, *kinds: str) -> IntArray:
        """Return the indices of the read cups of these kinds, in instrument order."""
        return np.nonzero(self.is_kind(*kinds) & self.read)[0]

    def taken(self, kind: str) -> IntArray:
        """Return the indices of the cups of one kind that no person took out, read or not."""
        return np.nonzero(self.is_kind(kind) & ((self.flags & _EXCLUDED) == 0))[0]


def cups_of(solution: pd.DataFrame, curve: Curve | None, header: RunHeader, method: Method) -> Cups:
    """Lay the cups of a run out in instrument order, from the frame of their concentrations.

    Parameters
    ----------
    solution
        As ``solution`` or ``as_read`` of :mod:`interpretation.laboratory.inverse` give it.
    curve
        None for a run of concentrations. Its range is then that of its standards or, where it has fewer
        than two, the one the method was calibrated over.
    header
        Says whether concentrations are already multiplied by the dilution.
    method
        The method.

    Returns
    -------
    Cups
    """
    columns = columns_of(solution)
    read, uncertainty, flags = (solution[name].to_numpy() for name in (*SOLUTION[:2], "flags"))
    if curve is None:
        applied = columns["dilution"] if header.dilution_applied else 1.0
        return _bounded(_laid_out(columns, read / applied, uncertainty, flags, applied), method)
    cups = _laid_out(columns, read, uncertainty, flags)
    return _within(cups, curve, limits_of(curve, blank_signals(columns)))


def read_signals(readings: Columns, curve: Curve) -> Cups:
    """Read every cup off its curve and lay the cups out: :func:`cups_of` without a frame in between."""
    limits = limits_of(curve, blank_signals(readings))
    signal = readings["signal"]
    read = curve.concentration(np.where(np.isfinite(signal), signal, np.nan))
    flags = signal_flags(curve, signal, read, limits) | readings["excluded"] * np.int64(_EXCLUDED)
    return _within(_laid_out(readings, read, curve.uncertainty_at(read), flags), curve, limits)


def _laid_out(
    readings: Columns,
    solution: FloatArray,
    uncertainty: FloatArray,
    flags: IntArray,
    applied: FloatArray | float = 1.0,
) -> Cups:
    order = np.argsort(readings["position"], kind="stable").astype(np.int64)

    def column(name: str) -> NDArray[Any]:
        return np.asarray(readings[name][order])

    return Cups(
        order=order,
        position=column("position"),
        kind=column("kind"),
        cup_id=column("cup_id"),
        of=column("of"),
        nominal=column("nominal_mg_per_l"),
        dilution=column("dilution"),
        solution=solution[order],
        uncertainty=uncertainty[order],
        below=(readings["below_mg_per_l"] / applied)[order],
        flags=flags[order].astype(np.int64),
    )


def _within(cups: Cups, curve: Curve, limits: DetectionLimits) -> Cups:
    """Give a run its curve's range."""
    return replace(
        cups,
        lowest=curve.lowest_mg_per_l,
        highest=curve.highest_mg_per_l,
        reporting=max(curve.lowest_mg_per_l, limits.quantification_mg_per_l),
        detection=limits.detection_mg_per_l,
    )


def _bounded(cups: Cups, method: Method) -> Cups:
    """Give a run of concentrations its range, and flag what lies outside."""
    made = cups.nominal[cups.where("standard")]
    levels = made[made > 0]
    if len(levels) > 1:
        lowest, highest = float(levels.min()), float(levels.max())
    else:
        lowest = np.nan if method.calibrated_from_mg_per_l is None else method.calibrated_from_mg_per_l
        highest = np.nan if method.calibrated_to_mg_per_l is None else method.calibrated_to_mg_per_l
    flags = cups.flags | np.where(cups.solution > highest * (1 + ROUNDING), bit(Flag.OVER_RANGE), 0)
    flags |= np.where(cups.solution < lowest * (1 - ROUNDING), bit(Flag.UNDER_RANGE), 0)
    return replace(cups, flags=flags, lowest=lowest, highest=highest, reporting=lowest)
