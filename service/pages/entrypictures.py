"""The live picture beside a table that is being typed: its scale, or its amounts with worked examples."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from interpretation.agronomy.formula import parse
from interpretation.agronomy.tables import Conversion, RateTable
from interpretation.errors import FormulaError, FurrowsliceError
from interpretation.results import Amount
from service.actions.editing import Editing
from service.actions.trials import Trial, try_amounts, try_equation
from service.entries.probing import probed
from service.pages.drawing.curves import CurvePicture, curve_picture
from service.pages.drawing.scales import ScalePicture, scale_picture
from service.web.templates import Words

_COLUMN = re.compile(r"column ([0-9]+)$")
_QUOTED = re.compile(r"""['"](.*?)['"] """)


@dataclass(frozen=True)
class Example:
    """One worked example, in words."""

    at: str
    amount: str
    steps: list[str]


@dataclass(frozen=True)
class Offence:
    """A formula that cannot be read, cut where it cannot."""

    what: str
    column: int
    before: str
    piece: str
    after: str


@dataclass(frozen=True)
class Picture:
    """What is shown of a table.

    Attributes
    ----------
    why_not
        Why there is no picture; "" where there is one.
    """

    scale: ScalePicture | None = None
    faults: tuple[str, ...] = ()
    curve: CurvePicture | None = None
    x_label: str = ""
    y_label: str = ""
    assumed: str = ""
    examples: tuple[Example, ...] = ()
    offence: Offence | None = None
    why_not: str = ""


def picture_of(w: Words, found: Editing) -> Picture | None:
    """The picture of a table; None for a kind that has none."""
    kind = found.entry.kind
    if kind == "scales":
        return _scale(w, found)
    if kind in ("rates", "conversions"):
        return _amounts(w, found)
    return None


def _scale(w: Words, found: Editing) -> Picture:
    drawn = scale_picture(found.entry)
    if drawn is None:
        return Picture(why_not=w("drafts.picture-no-bounds"))
    named = {"": ""} | {bar.name: w.wording.name("classes", bar.name) for bar in drawn.bars if bar.name}
    faults = tuple(
        w(
            f"drafts.fault-{each.what}", low=w.number(each.low), high=w.number(each.high),
            below=named[each.below], above=named[each.above],
        )
        for each in drawn.marks
    )  # fmt: skip
    return Picture(scale=drawn, faults=faults, x_label=found.entry.facts.get("unit", ""))


def _amounts(w: Words, found: Editing) -> Picture:
    record = probed(found.entry, found.desk.draft.book)
    if not isinstance(record, Conversion | RateTable):
        return Picture(why_not=w("drafts.picture-no-amounts"))
    try:
        if isinstance(record, Conversion):
            trial: Trial | None = try_equation(record, found.around)
        else:
            trial = try_amounts(record, found.scales, found.around)
    except FormulaError as error:
        return Picture(offence=_offence(record, error))
    except FurrowsliceError as error:
        return Picture(why_not=error.what)
    drawn = curve_picture(trial, w.number, lambda name: w.wording.name("classes", name)) if trial else None
    if trial is None or drawn is None:
        return Picture(why_not=w("drafts.picture-no-amounts"))
    unit = f", {trial.x_unit}" if trial.x_unit else ""
    return Picture(
        curve=drawn, x_label=w.wording.name("inputs", trial.runs_over) + unit, y_label=trial.unit,
        assumed=_assumed(w, trial), examples=tuple(_example(w, trial, *each) for each in trial.examples),
    )  # fmt: skip


def _assumed(w: Words, trial: Trial) -> str:
    """What the samples of the picture were taken to be."""
    if not trial.crop:
        return ""
    crop = w.wording.name("crops", trial.crop)
    if trial.goal is None:
        return w("drafts.picture-assumed", crop=crop)
    return w("drafts.picture-assumed-goal", crop=crop, goal=w.number(trial.goal[0]), unit=trial.goal[1])


def _example(w: Words, trial: Trial, at: float, amount: Amount) -> Example:
    wording = w.wording
    steps = [wording.sentence("steps", step.key, step.values) for step in amount.working]
    if amount.refusal is not None:
        steps.append(wording.refusal(amount.refusal))
    where = w(
        "drafts.example-at", name=wording.name("inputs", trial.runs_over), value=w.number(at),
        unit=f" {trial.x_unit}" if trial.x_unit else "",
    )  # fmt: skip
    shown = wording.page("not-given") if amount.rate is None else f"{w.number(amount.rate)} {amount.unit}"
    return Example(where, shown, steps)


def _offence(record: Conversion | RateTable, error: FormulaError) -> Offence:
    """The formula that was refused, cut at the place that the refusal names."""
    constants = record.values if isinstance(record, RateTable) else {}
    for text, want in _formulas(record):
        try:
            parse(text, where="formula", constants=constants, want=want)
        except FormulaError as refused:
            place = _COLUMN.search(refused.where)
            at = min(int(place[1]) - 1, len(text)) if place else 0
            quoted = _QUOTED.match(refused.what)
            end = at + max(1, len(quoted[1]) if quoted else 1)
            return Offence(refused.what, at + 1, text[:at], text[at:end], text[end:])
    return Offence(error.what, 0, "", "", "")


def _formulas(record: Conversion | RateTable) -> Iterator[tuple[str, Literal["number", "condition"]]]:
    """Every formula of a table, and what its place needs."""
    if record.formula is not None:
        yield record.formula, "number"
    if isinstance(record, RateTable):
        rules = [*(record.by_class or {}).values(), *(step.rate for step in record.by_value or ())]
        for rule in [*rules, *(credit.formula for credit in record.credits)]:
            if isinstance(rule, str):
                yield rule, "number"
        for condition in (record.when, record.holds_if):
            if condition is not None:
                yield condition, "condition"
