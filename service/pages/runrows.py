"""What the pages of a run print: its cups with links, and two choices side by side."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from interpretation.results import CupLine, CurveSummary
from reports.format import printed, soil_unit
from reports.sheet import build_sheet
from reports.view import RunPage
from service.actions.card import card_of
from service.actions.runviews import Comparison, RunView, Side, ValueChange
from service.web.templates import Words

CUPS_A_PAGE = 200
MOST_CHANGES = 20


@dataclass(frozen=True)
class CupRow:
    """One cup on a run's page; ``sample_id`` where a list has named it, ``state`` of a released value."""

    line: CupLine
    cells: tuple[str, ...]
    sample_id: int | None
    state: str


@dataclass(frozen=True)
class RawCup:
    """One cup as it was read from the file."""

    position: int
    kind: str
    cup_id: str
    of: str
    nominal: str
    signal: str
    dilution: str
    excluded: str


@dataclass(frozen=True)
class ChangeRow:
    """How one sample's value changes."""

    lab_number: str
    before: str
    after: str
    percent: str
    flags: str


def worded_sheet(view: RunView, w: Words) -> RunPage | None:
    """The run's sheet in the visitor's words; None where there is none."""
    if view.sheet is None:
        return None
    nobody = card_of({"name": view.sheet.laboratory, "address": ("-",)})
    return build_sheet(view.sheet, nobody, locale=w.language)


def cup_rows(view: RunView, page: RunPage, number: int) -> list[CupRow]:
    """One page of a run's cups."""
    assert view.sheet is not None
    first = (number - 1) * CUPS_A_PAGE
    some = slice(first, first + CUPS_A_PAGE)
    rows = []
    for line, cells in zip(view.sheet.cups[some], page.cups.rows[some], strict=True):
        of_sample = line.kind == "sample"
        state = ""
        if of_sample and line.cup_id in view.released:
            state = "standing" if view.released[line.cup_id][1] else "superseded"
        rows.append(CupRow(line, cells, view.sample_ids.get(line.cup_id) if of_sample else None, state))
    return rows


def raw_cups(readings: pd.DataFrame, w: Words, number: int) -> list[RawCup]:
    """One page of the cups as they were read from the file, to be confirmed."""
    first = (number - 1) * CUPS_A_PAGE

    def written(value: Any) -> str:
        return "–" if value != value else w.number(float(value))

    return [
        RawCup(
            int(row["position"]), w.wording.name("kinds", row["kind"]), row["cup_id"], row["of"],
            written(row["nominal_mg_per_l"]),
            written(row["signal"] if row["signal"] == row["signal"] else row["solution_mg_per_l"]),
            written(row["dilution"]), row["reason"] if row["excluded"] else "",
        )
        for row in readings.iloc[first : first + CUPS_A_PAGE].to_dict("records")
    ]  # fmt: skip


def pages_of(count: int) -> int:
    """How many pages so many cups take."""
    return max(1, -(-count // CUPS_A_PAGE))


def value_of(cup: CupLine | None, w: Words) -> str:
    """A cup's soil value as it would be reported."""
    if cup is None:
        return "–"
    unit = soil_unit(cup.unit) if cup.unit else ""
    if cup.value is not None:
        return w.format.number(cup.value, cup.decimals) + unit
    return f"< {w.number(cup.below)}{unit}" if cup.below is not None else "–"


# -------------------------------------------------------------------------------------- two choices


def side_by_side(compared: Comparison, w: Words) -> list[tuple[str, str, str, bool]]:
    """Rows of the comparison: what, by the standing choice, by the other one, and whether they differ."""
    left, right = (dict(_facts(side, w)) for side in (compared.standing, compared.proposed))
    longer, shorter = (left, right) if len(left) >= len(right) else (right, left)
    labels = list(dict.fromkeys([*longer, *shorter]))  # a third coefficient stands behind the second
    return [
        (label, left.get(label, "–"), right.get(label, "–"), left.get(label) != right.get(label))
        for label in labels
    ]


def _facts(side: Side, w: Words) -> Iterator[tuple[str, str]]:
    if side.sheet is None:
        yield w("runs.verdict"), w("runs.not-worked-out")
        return
    yield w("runs.verdict"), w.wording.name("verdicts", side.sheet.verdict)
    if side.sheet.curve is not None:
        yield from _curve(side.sheet.curve, w)
    out = ", ".join(str(each.position) for each in side.choice.excluded)
    yield w("runs.taken-out"), out or w("runs.none")


def _curve(curve: CurveSummary, w: Words) -> Iterator[tuple[str, str]]:
    page = w.wording.page
    yield page("curve-model"), w.wording.name("models", curve.model)
    yield page("curve-weighting"), curve.weighting
    yield page("curve-zero"), page("curve-zero-in" if curve.zero_standard else "curve-zero-out")
    for power, value in enumerate(curve.coefficients):
        yield page(f"term-{power}"), w.number(value)
    low, high = w.number(curve.lowest_mg_per_l), w.number(curve.highest_mg_per_l)
    yield page("curve-range"), f"{page('limits-between', low=low, high=high)} mg/L"
    yield page("curve-residual-sd"), w.number(curve.residual_sd)
    yield page("curve-r2"), w.format.number(curve.r_squared, 5)
    yield page("curve-rse"), f"{w.number(curve.rse_percent)} %"
    yield w("runs.worst-recovery"), _worst(curve, w)
    yield page("curve-loq"), f"{w.number(curve.quantification_limit_mg_per_l)} mg/L"


def _worst(curve: CurveSummary, w: Words) -> str:
    kept = [
        (abs(point.recovery_percent - 100), point.recovery_percent, point.cup_id)
        for point in curve.standards
        if point.recovery_percent is not None and not point.excluded
    ]
    if not kept:
        return "–"
    _, recovery, name = max(kept)
    return f"{w.format.number(recovery, 1)} % ({name})"


def change_rows(compared: Comparison, w: Words) -> list[ChangeRow]:
    """The samples whose values change most."""
    return [_change(change, w) for change in compared.changes[:MOST_CHANGES]]


def _change(change: ValueChange, w: Words) -> ChangeRow:
    percent = "–" if change.percent is None else f"{w.format.number(change.percent, 2)} %"
    old, new = (set(cup.flags) if cup else set() for cup in (change.before, change.after))
    told = [w("runs.flag-new", flag=w.wording.name("flags", flag)) for flag in sorted(new - old)]
    told += [w("runs.flag-gone", flag=w.wording.name("flags", flag)) for flag in sorted(old - new)]
    before, after = value_of(change.before, w), value_of(change.after, w)
    return ChangeRow(change.lab_number, before, after, percent, "; ".join(told) or "–")


def header_facts(view: RunView, w: Words) -> list[tuple[str, str]]:
    """What the file says about the run, as label and value."""
    header, page = view.header, w.wording.page

    def said(yes: bool) -> str:
        return w("runs.yes") if yes else w("runs.no")

    curve = [
        (page("curve-model"), w.wording.name("models", header.curve.model)),
        (page("curve-weighting"), header.curve.weighting),
    ]
    return [
        (page("sheet-analyte"), f"{w.wording.known('analytes', header.analyte, header.analyte)}, "
         f"{printed(header.form)}"),
        (page("sheet-method"), header.method),
        (page("sheet-run-on"), w.day(header.run_on)),
        (page("sheet-operator"), header.operator),
        (page("fact-laboratory"), header.laboratory),
        (page("sheet-signal"), w.wording.name("signals", header.signal_kind)),
        (page("sheet-matrix"), header.standards_matrix),
        (page("sheet-instrument"), header.instrument or page("not-stated")),
        (w("runs.blank-subtracted"), said(header.blank_subtracted)),
        (w("runs.dilution-applied"), said(header.dilution_applied)),
        *(curve if view.row.state == "read" else ()),  # later the curve itself says how it was fitted
    ]  # fmt: skip
