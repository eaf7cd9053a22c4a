"""Control charts of reference soils."""

from __future__ import annotations

from collections.abc import Sequence

from interpretation.conversions import FloatArray
from interpretation.laboratory.cups import Cups, IntArray
from interpretation.laboratory.limits import ControlRule, Limits, ReferenceSoil
from interpretation.laboratory.lines import tidy
from interpretation.results import CheckLine, CheckName, Outcome

_BOUND: dict[ControlRule, float] = {"1-2s": 2, "1-3s": 3, "2-2s": 2, "R-4s": 4, "4-1s": 1, "10x": 0}


def broken_rules(run: Sequence[float], recent: Sequence[float] = ()) -> list[tuple[ControlRule, ...]]:
    """Which control-chart rules each value of a run breaks.

    Parameters
    ----------
    run
        Values of the run in order, as distances from the assigned mean in standard deviations.
    recent
        Values of earlier runs, oldest first; only the rules that look back use them.

    Returns
    -------
    list of tuple
        One entry a value of ``run``; ``1-2s`` is left out where a stricter rule is broken as well.

    Notes
    -----
    1-2s: one value beyond 2 sd (a warning). 1-3s: one beyond 3 sd. 2-2s: two in a row beyond 2 sd on one
    side. R-4s: two values of one run more than 4 sd apart. 4-1s: four in a row beyond 1 sd on one side.
    10x: ten in a row on one side of the mean. Rule table of doi:10.1007/s10815-013-0107-x (read).

    Examples
    --------
    >>> broken_rules([3.25]), broken_rules([2.15]), broken_rules([2.15, -2.1])
    ([('1-3s',)], [('1-2s',)], [('1-2s',), ('R-4s',)])
    """
    z = [tidy(value) for value in (*recent, *run)]
    found = []
    for end in range(len(recent) + 1, len(z) + 1):
        in_run = z[len(recent) : end]
        broken: list[ControlRule] = []
        if abs(z[end - 1]) > 3:
            broken.append("1-3s")
        if _all_beyond(z[:end], 2, 2):
            broken.append("2-2s")
        if z[end - 1] in (max(in_run), min(in_run)) and tidy(max(in_run) - min(in_run)) > 4:
            broken.append("R-4s")
        if _all_beyond(z[:end], 4, 1):
            broken.append("4-1s")
        if _all_beyond(z[:end], 10, 0):
            broken.append("10x")
        if not broken and abs(z[end - 1]) > 2:
            broken.append("1-2s")
        found.append(tuple(broken))
    return found


def _all_beyond(z: Sequence[float], count: int, distance: float) -> bool:
    """Whether the last ``count`` values all lie beyond ``distance`` on one side."""
    last = z[-count:]
    return len(last) == count and (min(last) > distance or max(last) < -distance)


def reference_soil_lines(
    cups: Cups, extract_to_soil: FloatArray, blank: FloatArray, method: str, limits: Limits
) -> tuple[CheckLine, ...]:
    """Chart every reference soil of a run against its assigned value.

    Parameters
    ----------
    cups
        One run.
    extract_to_soil
        For each cup, what one mg/L of extract makes in the unit of the method, as weighed.
    blank
        For each cup the blank to take off, mg/L of extract.
    method
        Id of the method: a reference soil has its own value by each.
    limits
        ``control_chart`` and ``reference_soils``.

    Returns
    -------
    tuple of CheckLine
        One line for every broken rule, one for a value that breaks none, and one for a soil without an
        assigned value.
    """
    rows = cups.where("reference soil")
    values = (cups.extract - blank) * extract_to_soil
    assigned = {soil.name: soil for soil in limits.reference_soils if soil.method == method}
    lines: list[CheckLine] = []
    for name in dict.fromkeys(cups.cup_id[rows].tolist()):
        mine = rows[cups.cup_id[rows] == name]
        if name in assigned:
            lines.extend(_charted(cups, mine, values[mine], assigned[name], limits))
        else:
            lines.append(_unassigned(limits, "no-assigned-value", name))
    return tuple(lines) or (_unassigned(limits, "absent"),)


def _charted(
    cups: Cups, rows: IntArray, values: FloatArray, soil: ReferenceSoil, limits: Limits
) -> list[CheckLine]:
    z = ((values - soil.mean) / soil.sd).tolist()
    recent = [(value - soil.mean) / soil.sd for value in soil.recent]
    lines = []
    for row, value, distance, broken in zip(rows, values, z, broken_rules(z, recent), strict=True):
        for rule in broken or ("",):
            outcome = limits.control_chart.outcomes[rule] if rule else Outcome.PASS
            bound = _BOUND[rule] if rule else 2.0
            lines.append(
                CheckLine(
                    check=CheckName.REFERENCE_SOIL,
                    outcome=outcome,
                    position=int(cups.position[row]),
                    cup_id=soil.name,
                    found=tidy(value),
                    expected=soil.mean,
                    figure=tidy(distance),
                    figure_unit="sd",
                    limit_low=-bound,
                    limit_high=bound,
                    source=soil.source if not rule else limits.control_chart.source,
                    detail=rule,
                )
            )
    return lines


def _unassigned(limits: Limits, detail: str, name: str = "") -> CheckLine:
    chart = limits.control_chart
    return CheckLine(
        check=CheckName.REFERENCE_SOIL, outcome=chart.missing, cup_id=name, source=chart.source, detail=detail
    )
