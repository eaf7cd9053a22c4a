"""What a report's data say, against what follows from them: worked out anew by the tables they carry."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from pydantic import ValidationError

from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError
from interpretation.results import Amount, FieldAdvice, Note, SoilResult
from service.actions.card import NOT_ISSUED
from service.actions.reportdocument import NoReportData, ReportData
from service.actions.reportinputs import ReportInputs, advise_each
from service.books import canonical, digest
from service.reportdata.carried import tables_of
from service.reportdata.units import with_codes, without_codes
from service.reportdata.writing import data_text

# What data that nobody would write can lead to, further on than their schema sees.
BROKEN = (
    ArithmeticError, AssertionError, AttributeError, LookupError, RecursionError, TypeError, ValueError,
)  # fmt: skip
MOST_TOLD = 30  # differences of one kind; the rest is counted
COMPARED_APART = ("results", "amounts", "notes", "tables")
# Said of a result, in the order in which a difference is looked for; the rest follows from these.
OF_RESULT = ("value", "below", "unit", "class_name", "refusal", "limits", "probabilities", "borderline")


@dataclass(frozen=True)
class Finding:
    """One thing that was found: a key with words in ``pages/words``, and what goes into its sentence."""

    key: str
    told: Mapping[str, str | int] = field(default_factory=dict)
    page: int | None = None


@dataclass(frozen=True)
class Due:
    """What follows from a report's inputs by the tables it carries."""

    inputs: ReportInputs
    advice: FieldAdvice
    tables: TableSet


def work_out(data: ReportData) -> Due:
    """Advise on the inputs anew.

    Raises
    ------
    NoReportData
        If the tables are none, or nothing can be advised by them.
    """
    region = str(data.inputs.samples[0]["region"])
    try:
        tables = tables_of(data.tables.records, region)
        with np.errstate(all="ignore"):  # numbers that no soil has
            (advice,) = advise_each([data.inputs], tables)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = "/".join(str(part)[:80] for part in ("tables", error.title, *first["loc"]))
        raise NoReportData("wrong-data", place=place, problem=str(first["msg"])[:200]) from None
    except FurrowsliceError as error:
        raise NoReportData("not-worked-out", problem=" ".join(str(error).split())[:300]) from None
    except BROKEN as error:
        raise NoReportData("not-worked-out", problem=type(error).__name__) from None
    return Due(data.inputs, advice, tables)


def found_in(data: ReportData, plain: Mapping[str, Any], due: Due) -> Iterator[Finding]:
    """Tell where a report's data contradict themselves.

    Parameters
    ----------
    data, plain
        The data, as a record and as they stand in the file.
    due
        What follows from them.
    """
    if digest(canonical(data.tables.records)) != data.tables.sha256:
        yield Finding("tables-changed")
    pinned = {line.id: line.fingerprint for line in data.advice.tables}
    for name, fingerprint in pinned.items():
        if due.tables.fingerprints.get(name) != fingerprint:
            yield Finding("table-changed", {"table": name})
    yield from _results(data.advice, due.advice)
    yield from _amounts(data.advice, due.advice)
    yield from _notes(data.advice.notes, due.advice.notes)
    if (due_id := identity(due)) != data.inputs.card.report_id:
        yield Finding("identity", {"said": data.inputs.card.report_id, "due": due_id})
    yield from _rest(data, plain, due)


def identity(due: Due) -> str:
    """The identity that follows from a report's content."""
    card = due.inputs.card
    blank = card.model_copy(update={"report_id": "-", "issued_on": NOT_ISSUED})
    # A card that pins no release: its report was made from a folder of tables, see fields.write_report.
    also = "" if card.tables_release else due.advice.model_dump_json()
    return due.inputs.model_copy(update={"card": blank}).on(card.issued_on, also).card.report_id


def _results(said: FieldAdvice, due: FieldAdvice) -> Iterator[Finding]:
    ours, theirs = (
        {(each.lab_number, each.analyte, each.method): each for each in advice.results}
        for advice in (said, due)
    )
    for key in dict.fromkeys((*ours, *theirs)):
        mine, other = ours.get(key), theirs.get(key)
        if mine == other:
            continue
        where = _where(due, key[0], f"{key[1]} {key[2]}")
        if mine is None or other is None:
            yield Finding("result-added" if other is None else "result-missing", {"where": where})
            continue
        name = next((each for each in OF_RESULT if getattr(mine, each) != getattr(other, each)), "")
        if name in ("class_name", "refusal"):
            yield Finding("class", {"where": where, "said": _class(mine), "due": _class(other)})
        elif name in ("value", "below", "unit"):
            yield Finding("value", {"where": where, "said": _value(mine), "due": _value(other)})
        else:
            yield Finding("limits" if name == "limits" else "result", {"where": where})


def _amounts(said: FieldAdvice, due: FieldAdvice) -> Iterator[Finding]:
    ours, theirs = (
        {(each.lab_number, each.nutrient): each for each in advice.amounts} for advice in (said, due)
    )
    for key in dict.fromkeys((*ours, *theirs)):
        mine, other = ours.get(key), theirs.get(key)
        if mine == other:
            continue
        where = _where(due, *key)
        if mine is None or other is None or _amount(mine) != _amount(other):
            told = {"where": where, "said": _amount(mine), "due": _amount(other)}
            yield Finding("amount", told)
        else:
            yield Finding("working" if mine.working != other.working else "materials", {"where": where})


def _notes(said: Sequence[Note], due: Sequence[Note]) -> Iterator[Finding]:
    ours, theirs = ({note.key: note for note in notes} for notes in (said, due))
    for key in dict.fromkeys((*ours, *theirs)):
        if ours.get(key) != theirs.get(key):
            kind = "missing" if key not in ours else "added" if key not in theirs else "changed"
            yield Finding(f"note-{kind}", {"note": key})


def _rest(data: ReportData, plain: Mapping[str, Any], due: Due) -> Iterator[Finding]:
    """Anything else that is written otherwise than it would be now: names, units, terms."""
    written = data_text(
        due.inputs.model_dump(mode="json"), due.advice.model_dump(mode="json"), due.tables,
        data.software.model_dump(),
    )  # fmt: skip
    expected = json.loads(written)
    told = 0
    for path, said, wanted in _apart(_without_told(plain), _without_told(expected), ""):
        told += 1
        if told <= MOST_TOLD:
            yield Finding("data", {"path": path, "said": said, "due": wanted})
    if told > MOST_TOLD:
        yield Finding("more-data", {"count": told - MOST_TOLD})


def _without_told(plain: Mapping[str, Any]) -> dict[str, Any]:
    """Without what has sentences of its own."""
    advice = {name: value for name, value in plain["advice"].items() if name not in COMPARED_APART}
    coded = [plain["advice"][name] for name in COMPARED_APART]
    card = {name: value for name, value in plain["inputs"]["card"].items() if name != "report_id"}
    return dict(plain) | {
        "advice": advice, "inputs": plain["inputs"] | {"card": card},
        "tables": plain["tables"]["records"], "codes": with_codes(without_codes(coded)) == coded,
    }  # fmt: skip


def _apart(said: Any, due: Any, path: str) -> Iterator[tuple[str, str, str]]:
    """Places at which two plain values differ."""
    if isinstance(said, dict) and isinstance(due, dict):
        for name in sorted(said.keys() | due.keys()):
            below = f"{path}/{name}"
            if name not in said or name not in due:
                yield below, _short(said.get(name)), _short(due.get(name))
            else:
                yield from _apart(said[name], due[name], below)
    elif isinstance(said, list) and isinstance(due, list) and len(said) == len(due):
        for number, (one, two) in enumerate(zip(said, due, strict=True)):
            yield from _apart(one, two, f"{path}/{number}")
    elif said != due or isinstance(said, bool) is not isinstance(due, bool):
        yield path, _short(said), _short(due)


def _short(value: Any) -> str:
    text = (
        "-" if value is None else value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    )
    return text if len(text) <= 80 else f"{text[:77]}..."


def _where(advice: FieldAdvice, lab_number: str, what: str) -> str:
    label = next((each.label for each in advice.samples if each.lab_number == lab_number), "")
    return f"{lab_number} {label}, {what}" if label else f"{lab_number}, {what}"


def _class(result: SoilResult) -> str:
    return result.class_name or (f"– ({result.refusal.key})" if result.refusal else "–")


def _value(result: SoilResult) -> str:
    if result.value is not None:
        return f"{result.value:g} {result.unit}"
    return "–" if result.below is None else f"< {result.below:g} {result.unit}"


def _amount(amount: Amount | None) -> str:
    if amount is None:
        return "–"
    if amount.rate is None:
        return f"– ({amount.refusal.key})" if amount.refusal else "–"
    return f"{amount.rate:g} {amount.unit}"
