"""Known solutions read back: continuing checks, the second source, spikes."""

from __future__ import annotations

import numpy as np

from interpretation.laboratory.cups import RESULTS, BoolArray, Cups
from interpretation.laboratory.drift import recovery
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.lines import absent, judged, judged_cups, within
from interpretation.laboratory.standing import Standing
from interpretation.results import CheckLine, CheckName


def second_source_lines(cups: Cups, limits: Limits) -> tuple[CheckLine, ...]:
    """Judge every solution of independent origin by its recovery."""
    return _recovery_lines(cups, limits, CheckName.SECOND_SOURCE, "second source")


def continuing_check_lines(cups: Cups, limits: Limits) -> tuple[tuple[CheckLine, ...], BoolArray]:
    """Judge the continuing checks, and find the cups that no pair of good checks vouches for.

    Parameters
    ----------
    cups
        One run.
    limits
        ``continuing_check`` and ``cups_between_checks``.

    Returns
    -------
    lines, unvouched
        ``unvouched`` marks every cup whose neighbouring check, before or after, failed: everything since the
        last good check, and everything up to the next good one. The calibration vouches for the start.

    Notes
    -----
    On failure recalibrate and rerun everything since the last good check: APHA/AWWA/WEF *Standard
    Methods*, 2020. A check only checks, it never re-quantifies (4020).
    """
    lines = _recovery_lines(cups, limits, CheckName.CONTINUING_CHECK, "check")
    checks = cups.taken("check")
    resting = cups.is_kind(*RESULTS)
    if not len(checks):
        return lines, np.zeros(len(cups.kind), bool)
    figures = (line.figure for line in lines)
    good = np.array([figure is not None and within(figure, limits.continuing_check) for figure in figures])
    before = np.searchsorted(checks, np.arange(len(cups.kind)))  # how many checks precede each cup
    vouched_before = np.concatenate([[True], good])[before]
    vouched_after = np.concatenate([good, [True]])[before]
    unvouched = resting & ~(vouched_before & vouched_after)

    per_gap = np.bincount(before[resting], minlength=len(checks) + 1)
    behind = int(per_gap[-1])
    if behind:
        limit = limits.continuing_check.model_copy(update={"low": None, "high": 0.0})
        lines += (judged(CheckName.CONTINUING_CHECK, limit, float(behind), "cups", detail="not-bracketed"),)
    most = judged(
        CheckName.CONTINUING_CHECK,
        limits.cups_between_checks,
        float(per_gap.max()),
        "cups",
        detail="cups-between-checks",
    )
    return (*lines, most), unvouched


def _recovery_lines(cups: Cups, limits: Limits, check: CheckName, kind: str) -> tuple[CheckLine, ...]:
    limit = limits.limit(check)
    rows = cups.taken(kind)
    percent = np.where(cups.read[rows], recovery(cups, rows), np.nan)
    return judged_cups(
        check, limit, percent, "%", cups, rows, found=cups.extract[rows], expected=cups.nominal[rows]
    ) or absent(check, limit)


def spike_lines(cups: Cups, samples: Standing, limits: Limits) -> tuple[CheckLine, ...]:
    """Judge every spike by how much of its addition comes back.

    Notes
    -----
    ``100 x (spiked - own) / added`` in the spiked cup; the sample's own content is brought to that cup's
    dilution first.
    """
    limit = limits.spike
    lines = []
    for row in cups.taken("spike"):
        sample = samples.row_of.get(cups.of[row])
        own_mg_per_l = np.nan if sample is None else cups.extract[sample] / cups.dilution[row]
        added = cups.nominal[row] if cups.nominal[row] > 0 else np.nan
        percent = 100 * (cups.solution[row] - own_mg_per_l) / added
        lines.append(
            judged(
                CheckName.SPIKE,
                limit,
                percent,
                "%",
                position=int(cups.position[row]),
                cup_id=cups.cup_id[row],
                found=cups.solution[row] - own_mg_per_l,
                expected=cups.nominal[row],
            )
        )
    return tuple(lines) or absent(CheckName.SPIKE, limit)
