"""What differs between an issued report and one that would be issued now, in words."""

from __future__ import annotations

from dataclasses import dataclass

from interpretation.results import Amount, SoilResult
from reports.findings import Places, class_name, reason, written_value
from reports.format import Format, Units
from reports.wording import Wording
from service.actions.reportdifference import AmountPair, Difference, ResultPair
from service.web.templates import Words


@dataclass(frozen=True)
class Line:
    """One class or amount before and after."""

    what: str
    sample: str
    before: str
    after: str


@dataclass(frozen=True)
class DifferenceInWords:
    """All that differs; ``crops`` are named only where the crop is another one."""

    lines: tuple[Line, ...]
    compared: int
    tables: str
    crops: tuple[str, str] | None


def difference_in_words(
    w: Words, found: Difference, units: Units
) -> DifferenceInWords:  # fmt: skip
    """Word what differs, in the units of the report that would be issued."""
    wording = Wording(Format(w.language, units))
    before, after = found.before, found.after
    places = Places(after, wording)
    lines = [_result(w, pair, places) for pair in found.results]
    lines += [_amount(w, pair, places) for pair in found.amounts]
    names = tuple(wording.name("crops", each.crop) for each in (before, after))
    return DifferenceInWords(
        tuple(lines), found.compared,
        wording.format.join([table.title or table.id for table in found.tables]),
        (names[0], names[1]) if before.crop != after.crop else None,
    )  # fmt: skip


def _result(w: Words, pair: ResultPair, places: Places) -> Line:
    known = pair.after or pair.before
    assert known is not None
    what = w("reports.class-of", analyte=w.wording.name("analytes", known.analyte))
    said = [_class(w, each, places.wording) for each in (pair.before, pair.after)]
    return Line(what, places.label(known.lab_number), *said)


def _class(w: Words, result: SoilResult | None, wording: Wording) -> str:
    if result is None:
        return w("reports.not-there")
    value = written_value(result, wording)
    if result.class_name is not None:
        return f"{class_name(result, wording)} ({value})"
    return w("reports.no-class", value=value, reason=reason(result, wording))


def _amount(w: Words, pair: AmountPair, places: Places) -> Line:
    known = pair.after or pair.before
    assert known is not None
    what = w("reports.amount-of", nutrient=w.wording.name("nutrients", known.nutrient))
    said = [_rate(w, each, places.wording) for each in (pair.before, pair.after)]
    return Line(what, places.label(known.lab_number), *said)


def _rate(w: Words, amount: Amount | None, wording: Wording) -> str:
    if amount is None:
        return w("reports.not-there")
    if amount.rate is None:
        return wording.refusal(amount.refusal) if amount.refusal else wording.page("not-given")
    if amount.rate == 0:
        return wording.page("none-needed")
    return wording.format.quantity(amount.rate, amount.unit)
