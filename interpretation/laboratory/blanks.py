"""Blanks against the reporting level, and samples against the blanks."""

from __future__ import annotations

from statistics import median

import numpy as np

from interpretation.conversions import FloatArray
from interpretation.laboratory.cups import Cups, IntArray
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.lines import absent, judged, judged_cups
from interpretation.laboratory.standing import Standing
from interpretation.results import CheckLine, CheckName


def blank_lines(cups: Cups, limits: Limits, *, blank_subtracted: bool) -> tuple[CheckLine, ...]:
    """Judge every calibration and method blank against the reporting level.

    A run whose blanks were subtracted before it was exported needs no method blanks of its own.
    """
    lines: list[CheckLine] = []
    for check, kind in ((CheckName.CALIBRATION_BLANK, "blank"), (CheckName.METHOD_BLANK, "method blank")):
        limit = limits.limit(check)
        rows = cups.where(kind)
        if not len(rows):
            if not (blank_subtracted and kind == "method blank"):
                lines.extend(absent(check, limit))
            continue
        if np.isnan(cups.reporting):
            lines.extend(absent(check, limit, "no-reporting-level"))
            continue
        read = cups.solution[rows]
        share = 100 * abs(read) / cups.reporting
        lines.extend(
            judged_cups(
                check,
                limit,
                share,
                "% of reporting level",
                cups,
                rows,
                found=read,
                expected=np.zeros_like(read),
            )
        )
        if kind == "method blank":
            lines.append(
                judged(check, limits.method_blanks, float(len(rows)), "blanks", detail="number-of-blanks")
            )
    return tuple(lines)


def blanks_and_samples_lines(cups: Cups, samples: Standing, limits: Limits) -> tuple[CheckLine, ...]:
    """Judge whether the batch reads more than its blanks.

    The mean blank (method blanks, or calibration blanks where there are none) is a share of the median
    sample, both in the undiluted extract. At 100 % the samples hold no more than the blanks.
    """
    limit = limits.blanks_and_samples
    blanks = cups.where("method blank")
    blanks = blanks if len(blanks) else cups.where("blank")
    read = samples.mean(cups.extract)
    read = read[np.isfinite(read)]
    if not len(blanks) or not len(read):
        return absent(CheckName.BLANKS_AND_SAMPLES, limit)
    blank, sample = float(cups.extract[blanks].mean()), median(read.tolist())
    share = 100 * blank / sample if sample > 0 else 100.0
    line = judged(
        CheckName.BLANKS_AND_SAMPLES, limit, share, "% of median sample", found=sample, expected=blank
    )
    return (line,)


def blank_extract(cups: Cups, *, blank_subtracted: bool) -> tuple[FloatArray, FloatArray]:
    """Blank to take off each cup, on the scale of the undiluted extract.

    A method blank counts as read times its own dilution, so a blank that went through the same dilution as
    its samples and one that did not both come off rightly. Where blanks of several dilutions were read, a
    cup uses those of its own dilution, otherwise the least diluted ones.

    Parameters
    ----------
    cups
        One run.
    blank_subtracted
        The exported numbers are already corrected: nothing is taken off.

    Returns
    -------
    blank, uncertainty
        mg/L, shape (cups,). The uncertainty is the standard deviation of the mean of two or more blanks,
        that of the reading of a single one, and 0 where no blank is taken off or nothing is known.

    Notes
    -----
    Reagent blanks are averaged and subtracted: Rayment & Lyons (2011), method 7A2b.

    Examples
    --------
    A reading of 6.40 mg/L at tenfold dilution with a blank of 0.10 mg/L: undiluted, the blank leaves
    64.0 - 0.1 = 63.9 mg/L; diluted alike, it counts 1.0 and leaves 63.0 mg/L.
    """
    blank, uncertainty = np.zeros_like(cups.solution), np.zeros_like(cups.solution)
    rows = cups.where("method blank")
    if blank_subtracted or not len(rows):
        return blank, uncertainty
    least, *others = sorted(set(cups.dilution[rows].tolist()))
    for dilution, served in ((least, slice(None)), *((other, cups.dilution == other) for other in others)):
        blank[served], uncertainty[served] = _mean_and_error(cups, rows[cups.dilution[rows] == dilution])
    return blank, uncertainty


def _mean_and_error(cups: Cups, rows: IntArray) -> tuple[float, float]:
    values = cups.extract[rows]
    if len(rows) > 1:
        return float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(rows)))
    return float(values[0]), float(np.fmax(cups.uncertainty[rows[0]] * cups.dilution[rows[0]], 0.0))
