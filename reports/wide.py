"""The back of a report on many samples: what they share is said once, so that it stays a few pages.

For a few samples :mod:`reports.details` sets the same out line by line.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import takewhile

from interpretation.quantities import SUPPORTING
from interpretation.results import Amount, FieldAdvice, SoilResult, Step
from reports.actions import nutrients_of, printed_amount
from reports.findings import Places, analyte_and_form, by_analyte, class_name, reason, uncertainty
from reports.format import printed
from reports.front import WorkingTable
from reports.view import Table
from reports.wording import Wording

FEW = 2  # samples that are set out line by line
ACROSS = 4  # analytes side by side
LEAST_ROWS = 3  # of a table in which a column is worth taking out
NAME_WIDTHS = (11, 15)  # of laboratory number and name, in percent
MORE = "; "
# Steps of a working that change the amount, one after the other; the others name what goes into it.
DEEDS = frozenset({"raw-rate", "credit", "floor", "cap", "rounding", "not-due"})


def results(advice: FieldAdvice, places: Places, wording: Wording) -> tuple[Table, ...]:
    """Every value with its uncertainty and the chance of each class: samples down, analytes across."""
    if len(places.order) <= FEW:
        return ()
    groups = by_analyte(advice.results)
    parts = [groups[at : at + ACROSS] for at in range(0, len(groups), ACROSS)]
    names = {sample.lab_number: sample.label for sample in advice.samples}
    caption = wording.page("results-caption")  # over the first; the others go on
    return tuple(
        _results_part(part, names, "" if number else caption, wording) for number, part in enumerate(parts)
    )


def _results_part(
    groups: list[list[SoilResult]], names: dict[str, str], caption: str, wording: Wording
) -> Table:
    columns = [_Column(group, wording) for group in groups]
    rows = [(number, names[number] or "–", *(column.cell(number) for column in columns)) for number in names]
    head = (
        wording.page("sampling-lab-number"), wording.page("results-sample"),
        *(column.head() for column in columns),
    )  # fmt: skip
    each = (100 - NAME_WIDTHS[0] - NAME_WIDTHS[1]) // len(columns)
    return Table(caption, head, tuple(rows), widths=(*NAME_WIDTHS, *(each for _ in columns)))


class _Column:
    """One analyte by one method; what all its values share stands in its head."""

    def __init__(self, group: list[SoilResult], wording: Wording) -> None:
        self.by_sample = {result.lab_number: result for result in group}
        self.first = group[0]
        self.wording = wording
        self.tables = list(dict.fromkeys(result.table for result in group if result.table))
        self.origins = list(dict.fromkeys(result.origin for result in group if result.origin))

    def head(self) -> str:
        shared = [several[0] for several in (self.tables, self.origins) if len(several) == 1]
        unit = printed(self.first.unit)
        name = ", ".join(filter(None, (analyte_and_form(self.first, self.wording), unit)))
        return MORE.join([f"{name} (u)", *shared])

    def cell(self, number: str) -> str:
        result = self.by_sample.get(number)
        if result is None:
            return "–"
        write = self.wording.format
        value = f"< {write.plain(result.below)}" if result.below is not None else "–"
        if result.value is not None:
            value = write.number(result.value, result.decimals)
        u = result.standard_uncertainty
        own = [
            name for name, several in ((result.table, self.tables), (result.origin, self.origins))
            if name and len(several) > 1
        ]  # fmt: skip
        parts = [
            value,
            f"({uncertainty(u, result.decimals, self.wording)})" if u else "",
            self._class(result),
        ]
        return MORE.join([" ".join(filter(None, parts)), *own])

    def _class(self, result: SoilResult) -> str:
        name = class_name(result, self.wording)
        if not name and result.refusal is None and result.analyte in SUPPORTING:
            return self.wording.page("supporting")
        chances = [
            f"{self.wording.name('classes', p.name)} {self.wording.format.number(100 * p.probability, 0)} %"
            for p in result.probabilities
            if p.probability >= 0.005
        ]
        return ", ".join(chances) if len(chances) > 1 else name or reason(result, self.wording)


def sampling(advice: FieldAdvice, table: Table, wording: Wording) -> Table:
    """List the samples; many that were taken alike on one line, by their laboratory numbers.

    Their names stand with their results.
    """
    if len(advice.samples) <= FEW:
        return told_once(table, wording)
    alike: dict[tuple[str, ...], list[str]] = {}
    for row in table.rows:
        alike.setdefault(row[2:], []).append(row[0])
    rows = tuple((", ".join(numbers), *facts) for facts, numbers in alike.items())
    if len(rows) == 1:
        rows = ((wording.page("places-all", count=str(len(advice.samples))), *rows[0][1:]),)
    return Table(table.caption, (table.head[0], *table.head[2:]), rows)


def told_once(table: Table, wording: Wording) -> Table:
    """Take a column out in which all rows say the same, and say it once above them."""
    if len(table.rows) < LEAST_ROWS:
        return table
    same = [n for n in range(1, len(table.head)) if len({row[n] for row in table.rows}) == 1]
    said = [wording.page("told-once", what=table.head[n], value=table.rows[0][n]) for n in same]
    kept = [n for n in range(len(table.head)) if n not in same]
    return Table(
        table.caption,
        tuple(table.head[n] for n in kept),
        tuple(tuple(row[n] for n in kept) for row in table.rows),
        " ".join(said),
        tuple(table.widths[n] for n in kept) if table.widths else (),
    )


def workings(advice: FieldAdvice, places: Places, wording: Wording) -> tuple[WorkingTable, ...]:
    """How the amounts of each nutrient came about: what holds for all samples once, then what differs."""
    if len(places.order) <= FEW:
        return ()
    return tuple(
        _working([a for a in advice.amounts if a.nutrient == nutrient], places, wording)
        for nutrient in nutrients_of(advice.amounts)
    )


def _working(amounts: Sequence[Amount], places: Places, wording: Wording) -> WorkingTable:
    said = [[wording.sentence("steps", step.key, step.values) for step in a.working] for a in amounts]
    shared = _shared([(a.working, steps) for a, steps in zip(amounts, said, strict=True) if steps])
    lines: dict[tuple[str, str], list[str]] = {}
    for amount, steps in zip(amounts, said, strict=True):
        own = [step for step in steps if step not in shared]
        if amount.refusal is not None:
            own.append(wording.refusal(amount.refusal))
        lines.setdefault((_shown(amount, wording), " ".join(own)), []).append(amount.lab_number)
    rows = tuple((_all_of(numbers, places), shown, text) for (shown, text), numbers in lines.items())
    return WorkingTable(wording.name("nutrients", amounts[0].nutrient), " ".join(shared), rows)


def _shared(worked: Sequence[tuple[Sequence[Step], Sequence[str]]]) -> list[str]:
    """What is said of every sample, and may stand before all that differs.

    Table, tests and figures may be named in any order. What is done to the amount may not: of these steps
    only the first ones are shared, as far as they are the same for all.
    """
    if not worked:
        return []
    facts, deeds = (
        [[text for step, text in zip(*each, strict=True) if (step.key in DEEDS) == wanted] for each in worked]
        for wanted in (False, True)
    )
    begun = [texts[0] for texts in takewhile(lambda texts: len(set(texts)) == 1, zip(*deeds, strict=False))]
    everywhere = {text for text in facts[0] if all(text in each for each in facts)}
    return [text for text in worked[0][1] if text in everywhere or text in begun]


def _all_of(lab_numbers: Sequence[str], places: Places) -> str:
    """Name every sample, as many as there are: who checks an amount must find it."""
    if len(lab_numbers) == len(places.order):
        return places.list(lab_numbers)
    return ", ".join(places.label(number) for number in lab_numbers)


def _shown(amount: Amount, wording: Wording) -> str:
    if amount.rate is None:
        return wording.page("not-given")
    if amount.rate == 0:
        return wording.page("none-needed")
    return " ".join(printed_amount(amount.rate, amount, wording))
