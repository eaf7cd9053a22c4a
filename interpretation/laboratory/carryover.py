"""How much of a cup is found in the next one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from interpretation.conversions import FloatArray
from interpretation.laboratory.cups import RESULTS, BoolArray, Cups
from interpretation.laboratory.flags import bit
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.lines import absent, judged_cups, known, tidied
from interpretation.results import CheckLine, CheckName, Flag, Outcome

_OVER_RANGE = bit(Flag.OVER_RANGE)
_KNOWN = ("standard", "check", "second source", "blank", "wash")


class CarryOver(NamedTuple):
    """Fraction of the cup before that is found in a cup, and where it was seen."""

    fraction: float
    row: int
    pattern: str  # "high-low" or "blank-after-high"


def carry_over(cups: Cups) -> CarryOver | None:
    """Estimate carry-over from the run's own cups; None when the run cannot show it.

    Looked for first: three cups of one high solution followed by three of one low one. Otherwise the
    largest rise of a blank or wash read directly after a high cup over the blanks that follow a low one.

    Notes
    -----
    ``k = (L1 - L3) / (H3 - L3)``; common practice. A blank after a high cup stands for L1, the
    median of the other blanks for L3 (0 where there are none). Scatter can make k negative: then it is 0.

    Examples
    --------
    High cups read 10.0, 10.1, 10.0 and low ones 0.60, 0.51, 0.50: k = 0.10 / 9.50 = 1.05 %.
    """
    return _high_low(cups) or _blank_after_high(cups)


def _high_low(cups: Cups) -> CarryOver | None:
    name = cups.cup_id
    usable = cups.is_kind(*_KNOWN) & cups.read
    same = (name[1:] == name[:-1]) & usable[1:] & usable[:-1]
    three = same[1:] & same[:-1]  # three in a row, by the first of them
    for start in np.flatnonzero(three[:-3] & three[3:]):
        high, low_first, low_last = cups.solution[[start + 2, start + 3, start + 5]].tolist()
        if name[start + 2] != name[start + 3] and high > 2 * abs(low_last):
            fraction = (low_first - low_last) / (high - low_last)
            return CarryOver(max(fraction, 0.0), int(start) + 3, "high-low")
    return None


def _blank_after_high(cups: Cups) -> CarryOver | None:
    blanks = cups.where("blank", "wash")
    blanks = blanks[blanks > 0]
    if np.isnan(cups.highest) or not len(blanks):
        return None
    before = cups.solution[blanks - 1]
    follows = (
        cups.read[blanks - 1] & ~cups.is_kind("blank", "wash")[blanks - 1] & (before >= cups.highest / 2)
    )
    others = cups.solution[blanks[~follows]]
    base = float(np.median(others)) if len(others) else 0.0
    follows &= before > 2 * abs(base)
    if not follows.any():
        return None
    rows = blanks[follows]
    fractions = (cups.solution[rows] - base) / (before[follows] - base)
    most = int(fractions.argmax())
    return CarryOver(max(float(fractions[most]), 0.0), int(rows[most]), "blank-after-high")


def _at_least(cups: Cups) -> FloatArray:
    """mg/L in each cup; what lies beyond the turning point of a quadratic holds the top standard and more."""
    beyond = np.isnan(cups.solution) & ((cups.flags & _OVER_RANGE) != 0)
    return np.asarray(np.where(beyond, cups.highest, cups.solution))


def carry_over_lines(cups: Cups, limits: Limits) -> tuple[tuple[CheckLine, ...], BoolArray]:
    """State the carry-over, and mark the cups it may have raised by more than its limit.

    Parameters
    ----------
    cups
        One run.
    limits
        ``carry_over``: what may come from the cup before, in % of the reporting level.

    Returns
    -------
    lines, raised
        One line for the estimate and one for every cup in ``raised``. A cup below the reporting level is
        not marked: carry-over only raises it, so "less than" still holds.
    """
    limit = limits.carry_over
    raised = np.zeros(len(cups.kind), bool)
    seen = carry_over(cups)
    if seen is None or np.isnan(cups.reporting):
        return absent(CheckName.CARRY_OVER, limit, "carry-over-not-seen"), raised
    share = np.zeros(len(cups.kind))
    share[1:] = 100 * seen.fraction * _at_least(cups)[:-1] / cups.reporting
    raised = cups.is_kind(*RESULTS) & ~cups.too_low(cups.solution)
    raised &= tidied(share) > (np.inf if limit.high is None else limit.high)
    estimate = CheckLine(
        check=CheckName.CARRY_OVER,
        outcome=Outcome.PASS,
        position=int(cups.position[seen.row]),
        cup_id=cups.cup_id[seen.row],
        found=known(cups.solution[seen.row]),
        figure=known(100 * seen.fraction),
        figure_unit="%",
        source=limit.source,
        detail=f"carry-over-{seen.pattern}",
    )
    rows = np.flatnonzero(raised)
    lines = judged_cups(
        CheckName.CARRY_OVER,
        limit,
        share[rows],
        "% of reporting level",
        cups,
        rows,
        found=cups.solution[rows],
        detail="carried-from-cup-before",
    )
    return (estimate, *lines), raised
