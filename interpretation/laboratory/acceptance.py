"""Is a run good enough to report from: every check, every reason, one verdict."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.conversions import FloatArray
from interpretation.laboratory.agreement import duplicate_lines, replicate_lines
from interpretation.laboratory.blanks import blank_extract, blank_lines, blanks_and_samples_lines
from interpretation.laboratory.carryover import carry_over_lines
from interpretation.laboratory.control import reference_soil_lines
from interpretation.laboratory.cups import Cups, IntArray, cups_of
from interpretation.laboratory.curve import Curve
from interpretation.laboratory.drift import drift_lines, trend_lines
from interpretation.laboratory.flags import bit
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.lines import absent, known, verdict
from interpretation.laboratory.preparation import Preparation, no_samples, prepared
from interpretation.laboratory.recoveries import (
    continuing_check_lines,
    second_source_lines,
    spike_lines,
)
from interpretation.laboratory.run import Run, RunHeader
from interpretation.laboratory.standing import Standing, standing
from interpretation.methods import Method
from interpretation.results import CheckLine, CheckName, Flag, Outcome, Verdict


@dataclass(frozen=True)
class QualityReport:
    """What the checks of a run say.

    Attributes
    ----------
    checks
        Every check, in the order they are printed.
    verdict
        The worst outcome.
    flags
        Flags of each cup, in the order of the frame that was checked.
    """

    checks: tuple[CheckLine, ...]
    verdict: Verdict
    flags: IntArray


def check(
    solution: pd.DataFrame, curve: Curve | None, limits: Limits, run: Run, method: Method
) -> QualityReport:
    """Judge a run by every check its cups allow.

    Parameters
    ----------
    solution
        The run's cups with their concentrations, as
        :func:`interpretation.laboratory.inverse.solution` or
        :func:`interpretation.laboratory.inverse.as_read` gives them.
    curve
        None for a run of concentrations.
    limits
        The laboratory's.
    run
        Its header says which matrix the standards had and what has been subtracted already.
    method
        The method of the run.

    Returns
    -------
    QualityReport
        A kind of check the run does not have is a line of its own, as the limits decide.

    Raises
    ------
    PreparationError, BasisError
        If run and method do not belong together.

    Notes
    -----
    Sources of the limits stand beside each of them in the laboratory's file; formulas beside each check.
    Reference soils are taken as weighed to the method's mass; ``measure`` uses their own weighings where
    the preparation lists them.
    """
    cups = cups_of(solution, curve, run.header, method)
    preparation = Preparation(method, no_samples())
    nothing_listed = np.zeros(len(cups.cup_id), bool)
    soil = prepared(cups.cup_id, preparation, run.header, limits.preparing, nothing_listed)
    blank, _ = blank_extract(cups, blank_subtracted=run.header.blank_subtracted)
    quality = examine(
        cups,
        standing(cups),
        soil.as_weighed,
        blank,
        curve=curve,
        limits=limits,
        header=run.header,
        method=method,
    )
    flags = np.empty_like(quality.flags)
    flags[cups.order] = quality.flags
    return QualityReport(quality.checks, quality.verdict, flags)


def examine(
    cups: Cups,
    samples: Standing,
    soil_per_extract: FloatArray,
    blank: FloatArray,
    *,
    curve: Curve | None,
    limits: Limits,
    header: RunHeader,
    method: Method,
) -> QualityReport:
    """Judge a run laid out as arrays; :func:`check` is the same from a frame.

    ``soil_per_extract`` and ``blank`` turn the reference soils' extracts into soil values. The flags come
    back in instrument order.
    """
    continuing, unvouched = continuing_check_lines(cups, limits)
    carried, raised = carry_over_lines(cups, limits)
    duplicates, disagreeing = duplicate_lines(cups, samples, limits)
    replicates, scattered = replicate_lines(cups, samples, limits)
    lines = (
        *curve_lines(cups, curve, limits),
        *blank_lines(cups, limits, blank_subtracted=header.blank_subtracted),
        *blanks_and_samples_lines(cups, samples, limits),
        *second_source_lines(cups, limits),
        *continuing,
        *drift_lines(cups, limits),
        *carried,
        *trend_lines(cups, limits),
        *duplicates,
        *replicates,
        *spike_lines(cups, samples, limits),
        *reference_soil_lines(cups, soil_per_extract, blank, method.id, limits),
        *matrix_lines(header.standards_matrix, method.matrix, limits),
        *range_lines(cups, samples, limits),
    )
    found = verdict(lines)
    flags = cups.flags.copy()
    for marked, flag in (
        (unvouched, Flag.AFTER_FAILED_CHECK),
        (raised, Flag.CARRY_OVER),
        (disagreeing | scattered, Flag.DUPLICATE_DISAGREES),
        (cups.is_kind("sample") & (found is not Verdict.ACCEPT), Flag.RUN_NOT_ACCEPTED),
    ):
        flags[marked] |= bit(flag)
    return QualityReport(lines, found, flags)


def curve_lines(cups: Cups, curve: Curve | None, limits: Limits) -> tuple[CheckLine, ...]:
    """Judge every retained standard by its recovery, and the curve by its relative standard error.

    A run of concentrations is judged by the standards it lists; without any it says so.
    """
    criteria = limits.curve
    if curve is None:
        rows = cups.where("standard")
        rows = rows[cups.nominal[rows] > 0]
        if not len(rows):
            line = CheckLine(
                check=CheckName.CURVE_RECOVERY,
                outcome=limits.curve_missing,
                source=criteria.recovery_source,
                detail="concentrations-without-standards",
            )
            return (line,)
        places: NDArray[np.int64] = cups.position[rows]
        names, nominal, found = cups.cup_id[rows], cups.nominal[rows], cups.extract[rows]
        lowest = float(nominal.min())
    else:
        retained = curve.standards.retained & (curve.standards.nominal_mg_per_l > 0)
        kept = np.flatnonzero(retained)[np.argsort(curve.standards.position[retained], kind="stable")]
        places, names = curve.standards.position[kept], curve.standards.cup_id[kept]
        nominal, found = curve.standards.nominal_mg_per_l[kept], curve.back_calculated_mg_per_l[kept]
        lowest = curve.lowest_mg_per_l
    percent = np.round(100 * found / nominal, 1)
    passed = criteria.recovered(nominal, percent, lowest)
    lines = []
    for place in range(len(nominal)):
        bottom = nominal[place] == lowest
        lines.append(
            CheckLine(
                check=CheckName.CURVE_RECOVERY,
                outcome=Outcome.PASS if passed[place] else limits.curve_failed,
                position=int(places[place]),
                cup_id=names[place],
                found=known(found[place]),
                expected=known(nominal[place]),
                figure=known(percent[place]),
                figure_unit="%",
                limit_low=criteria.lowest_recovery_low_percent if bottom else criteria.recovery_low_percent,
                limit_high=criteria.lowest_recovery_high_percent
                if bottom
                else criteria.recovery_high_percent,
                source=criteria.lowest_recovery_source if bottom else criteria.recovery_source,
                detail="lowest-standard" if bottom else "",
            )
        )
    return (*lines, *([] if curve is None else [_rse_line(curve, limits)]))


def _rse_line(curve: Curve, limits: Limits) -> CheckLine:
    return CheckLine(
        check=CheckName.CURVE_RSE,
        outcome=Outcome.PASS if limits.curve.precise(curve.rse_percent) else limits.curve_failed,
        figure=known(round(curve.rse_percent, 1)),
        figure_unit="%",
        limit_high=limits.curve.rse_percent,
        source=limits.curve.rse_source,
    )


def matrix_lines(standards: str, method: str, limits: Limits) -> tuple[CheckLine, ...]:
    """Compare the standards' matrix with the method's; only case and spacing may differ."""
    if not method:
        return absent(CheckName.MATRIX, limits.matrix, "method-without-matrix")
    same = _normal(standards) == _normal(method)
    line = CheckLine(
        check=CheckName.MATRIX,
        outcome=Outcome.PASS if same else limits.matrix.failed,
        source=limits.matrix.source,
        detail="" if same else "matrix-differs",
    )
    return (line,)


def _normal(matrix: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", matrix).casefold().split())


def range_lines(cups: Cups, samples: Standing, limits: Limits) -> tuple[CheckLine, ...]:
    """List every sample that must be diluted with extractant and read again, or was diluted too far."""
    limit = limits.range
    read = samples.mean(cups.solution)
    too_thin = samples.thinned & (cups.too_low(read) | np.isnan(read))
    lines = []
    for sample in np.flatnonzero(samples.over | too_thin):
        row, over = samples.first[sample], bool(samples.over[sample])
        lines.append(
            CheckLine(
                check=CheckName.RANGE,
                outcome=limit.failed,
                position=int(cups.position[row]),
                cup_id=samples.sample_id[sample],
                found=known(cups.solution[row]),
                limit_low=None if over else known(cups.reporting),
                limit_high=known(cups.highest) if over else None,
                source=limit.source,
                detail="dilute-with-extractant-and-rerun" if over else "diluted-too-far",
            )
        )
    if lines:
        return tuple(lines)
    if np.isnan(cups.highest):
        return absent(CheckName.RANGE, limit, "range-not-known")
    return (CheckLine(check=CheckName.RANGE, outcome=Outcome.PASS, source=limit.source),)
