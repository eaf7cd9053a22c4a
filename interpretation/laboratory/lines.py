"""How one figure becomes one line of the quality report."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import repeat

import numpy as np

from interpretation.conversions import FloatArray
from interpretation.laboratory.cups import Cups, IntArray
from interpretation.laboratory.limits import Limit
from interpretation.results import CheckLine, CheckName, Outcome, Verdict

SEVERITY = (Outcome.PASS, Outcome.WARN, Outcome.HOLD, Outcome.REJECT)


def tidy(figure: float) -> float:
    """Strip the last bits of binary arithmetic: 2.2 / 2.0 is 110 %, not 110.00000000000001 %.

    What is compared with a limit is what is printed beside it.
    """
    return float(f"{figure:.10g}")


def tidied(figures: FloatArray) -> FloatArray:
    """:func:`tidy` for an array."""
    size = np.abs(figures)
    place = np.floor(np.log10(np.where(size > 1e-200, size, 1.0)))  # so that no power overflows
    power = 10.0 ** (9 - place)
    return np.asarray(np.rint(figures * power) / power)


def known(number: float) -> float | None:
    """NaN and infinity as None, everything else tidied: records hold no NaN."""
    return tidy(number) if math.isfinite(number) else None


def within(figure: float, limit: Limit) -> bool:
    """Whether a tidied figure lies inside a limit, bounds included. NaN does not."""
    above = limit.low is None or figure >= limit.low
    return above and (limit.high is None or figure <= limit.high) and not math.isnan(figure)


def judged(
    check: CheckName,
    limit: Limit,
    figure: float,
    unit: str,
    *,
    position: int | None = None,
    cup_id: str = "",
    found: float = math.nan,
    expected: float = math.nan,
    detail: str = "",
    failed_as: Outcome | None = None,
) -> CheckLine:
    """Compare a figure with its limit.

    ``failed_as`` stands in for the limit's own outcome of a failure. A figure that could not be computed
    has failed, and says so.
    """
    number = known(figure)
    passed = number is not None and within(number, limit)
    return CheckLine(
        check=check,
        outcome=Outcome.PASS if passed else failed_as or limit.failed,
        position=position,
        cup_id=cup_id,
        found=known(found),
        expected=known(expected),
        figure=number,
        figure_unit=unit,
        limit_low=limit.low,
        limit_high=limit.high,
        source=limit.source,
        detail=detail if number is not None else "no-reading",
    )


def judged_cups(
    check: CheckName,
    limit: Limit,
    figures: FloatArray,
    unit: str,
    cups: Cups,
    rows: IntArray,
    *,
    found: FloatArray,
    expected: FloatArray | None = None,
    detail: str = "",
    failed_as: Outcome | None = None,
) -> tuple[CheckLine, ...]:
    """Compare one figure of each of several cups with a limit, as :func:`judged` does.

    ``figures``, ``found`` and ``expected`` run along ``rows``.
    """
    entries = zip(
        figures.tolist(),
        cups.position[rows].tolist(),
        cups.cup_id[rows].tolist(),
        found.tolist(),
        repeat(math.nan, len(rows)) if expected is None else expected.tolist(),
        strict=True,
    )
    return tuple(
        judged(
            check,
            limit,
            figure,
            unit,
            position=position,
            cup_id=cup_id,
            found=read,
            expected=made,
            detail=detail,
            failed_as=failed_as,
        )
        for figure, position, cup_id, read, made in entries
    )


def absent(check: CheckName, limit: Limit, detail: str = "absent") -> tuple[CheckLine, ...]:
    """Say that a run has no such check; nothing to say where the laboratory does not ask for it."""
    if limit.missing is Outcome.PASS:
        return ()
    return (CheckLine(check=check, outcome=limit.missing, source=limit.source, detail=detail),)


def worst(outcomes: Iterable[Outcome]) -> Outcome:
    """Return the most severe outcome; PASS when there is none."""
    return max(outcomes, key=SEVERITY.index, default=Outcome.PASS)


def verdict(lines: Iterable[CheckLine]) -> Verdict:
    """Turn the worst outcome into what becomes of the run: a warning does not hold it."""
    return {Outcome.HOLD: Verdict.HOLD, Outcome.REJECT: Verdict.REJECT}.get(
        worst({line.outcome for line in lines}), Verdict.ACCEPT
    )
