"""Does a sample agree with itself: duplicates, and replicate cups."""

from __future__ import annotations

import math

import numpy as np

from interpretation.laboratory.cups import BoolArray, Cups
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.lines import absent, judged
from interpretation.laboratory.standing import Standing
from interpretation.results import CheckLine, CheckName, Outcome


def relative_difference_percent(a: float, b: float) -> float:
    """Relative percent difference of two results: 100 times their difference over their mean.

    Examples
    --------
    >>> round(relative_difference_percent(30.2, 33.1), 3)
    9.163
    """
    return 200 * abs(a - b) / (a + b) if a + b else math.nan


def duplicate_lines(cups: Cups, samples: Standing, limits: Limits) -> tuple[tuple[CheckLine, ...], BoolArray]:
    """Judge every duplicate against the sample it belongs to, in the undiluted extract.

    Parameters
    ----------
    cups, samples
        One run and its samples.
    limits
        ``duplicate``.

    Returns
    -------
    lines, disagreeing
        ``disagreeing`` marks both cups of every pair that failed.

    Notes
    -----
    Not applied when either result lies below the reporting level, where scatter is the rule.
    """
    limit = limits.duplicate
    disagreeing = np.zeros(len(cups.kind), bool)
    own, too_low = samples.row_of, cups.too_low(cups.solution)
    lines = []
    for row in cups.taken("duplicate"):
        sample = own.get(cups.of[row])
        a, b = (np.nan, np.nan) if sample is None else (cups.extract[sample], cups.extract[row])
        low = sample is not None and bool(too_low[sample] or too_low[row])
        line = judged(
            CheckName.DUPLICATE,
            limit,
            0.0 if low else relative_difference_percent(a, b),
            "%",
            position=int(cups.position[row]),
            cup_id=cups.cup_id[row] or cups.of[row],
            found=b,
            expected=a,
            detail="below-reporting-level" if low else "",
        )
        lines.append(line)
        if line.outcome is not Outcome.PASS:
            disagreeing[row] = True
            disagreeing[cups.cup_id == cups.of[row]] = True
    return tuple(lines) or absent(CheckName.DUPLICATE, limit), disagreeing


def replicate_lines(cups: Cups, samples: Standing, limits: Limits) -> tuple[tuple[CheckLine, ...], BoolArray]:
    """Judge the spread of the cups of one sample at one dilution: their range over their mean, in %.

    Parameters, returns and the exception below the reporting level are those of :func:`duplicate_lines`;
    a run without replicate cups has nothing to judge.
    """
    disagreeing = np.zeros(len(cups.kind), bool)
    lines = []
    for sample in np.flatnonzero(samples.count > 1):
        rows = np.flatnonzero(samples.sample_of == sample)
        values = cups.extract[rows]
        low = bool(cups.too_low(cups.solution[rows]).any())
        line = judged(
            CheckName.REPLICATE,
            limits.replicate,
            0.0 if low else 100 * float(np.ptp(values)) / (float(values.mean()) or math.nan),
            "%",
            position=int(cups.position[rows[0]]),
            cup_id=samples.sample_id[sample],
            found=float(values.mean()),
            detail="below-reporting-level" if low else "",
        )
        lines.append(line)
        disagreeing[rows] |= line.outcome is not Outcome.PASS
    return tuple(lines) or absent(CheckName.REPLICATE, limits.replicate), disagreeing
