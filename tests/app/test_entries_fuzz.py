"""Whatever is typed into the cells of a draft is read, or told beside its cell; nothing breaks the desk."""

from __future__ import annotations

import os
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from interpretation.agronomy.tables import TableSet
from service.books import SHARED, books_of
from service.entries.checking import check
from service.entries.columns import FACTS, KINDS, ROWS, Kind
from service.entries.entry import Entry, entry
from service.entries.reading import read_entry
from service.entries.writing import entries_of, entry_of
from service.paths import tables_directory
from service.tablefiles import read_tables

EXAMPLES = max(150, int(os.environ.get("FUZZ_EXAMPLES", "0")))
REGION = "marrowdale"
FORMULAS = {
    "rates": ("formula", "holds_if", "when"), "conversions": ("formula",),
}  # fmt: skip
STRANGE = [
    "((((((((((", "1" * 400, "1" * 401, "9" * 4000, "-" * 399 + "1", "not " * 99 + "ph", "ph < 1 < 2",
    "__import__('os')", "crop.__class__", 'crop == "\ud800"', 'crop == "maïs"', "é * 2", "1e400", "nan",
    "none", "None", "min(1)", "max(ph, ph)", "ph if ph < 1 else", "\x00", "\u202e1", "1\n+\n2", "=1+1",
    "values", "target_ph", "always", "1,5", "٣", "1 if crop == 'x' else 2", "f'{ph}'", "ph\r\n+ 1", ";",
    ";;;", "1 / 0", "inf",
]  # fmt: skip
typed = st.sampled_from(STRANGE) | st.text(max_size=60) | st.text("0123456789.+-*/()<>=! phcromnaxidfels'\"")


@pytest.fixture(scope="module")
def tables() -> TableSet:
    return read_tables(tables_directory())


@pytest.fixture(scope="module")
def few(tables: TableSet) -> tuple[list[Entry], TableSet]:
    """A region with one table of each kind, and what all regions share."""
    found = entries_of(tables, REGION)
    own = [next(each for each in found if each.kind == kind) for kind in ("regions", "scales")]
    own += [each for each in found if each.kind == "rates" and "formula" in each.facts][:1]
    own += [entry_of("conversions", next(iter(tables.conversions.values())))]
    own += [entry_of("sources", next(iter(tables.sources.values())))]
    numbered = [each.model_copy(update={"number": number}) for number, each in enumerate(own, 1)]
    return numbered, replace(books_of(tables)[SHARED], sources=tables.sources)


def look(few: tuple[list[Entry], TableSet], changed: Entry) -> None:
    """Read an entry and check it among the others: every problem names a cell that the entry has."""
    entries, around = few
    reading = read_entry(changed, REGION)
    assert (reading.record is None) == bool(reading.problems)
    for problem in reading.problems:
        assert problem.message
        assert problem.cell.column in {
            "",
            *(column.name for column in columns(changed.kind, problem.cell.sheet)),
        }
    checked = check([changed if each.number == changed.number else each for each in entries], REGION, around)
    if reading.problems:
        assert checked.problems[changed.number]


def columns(kind: Kind, sheet: str) -> tuple[object, ...]:
    return ROWS[kind][sheet] if sheet else FACTS[kind]


@settings(max_examples=EXAMPLES)
@given(st.data(), st.lists(typed, min_size=1, max_size=4))
def test_whatever_is_typed_where_a_formula_stands(
    few: tuple[list[Entry], TableSet], data: st.DataObject, texts: list[str]
) -> None:
    like = data.draw(st.sampled_from([each for each in few[0] if each.kind in FORMULAS]))
    facts, rows = dict(like.facts), {sheet: [dict(row) for row in each] for sheet, each in like.rows.items()}
    for text in texts:
        place = data.draw(st.sampled_from([*FORMULAS[like.kind], "credits", "amounts", "constants"]))
        if place in FORMULAS[like.kind]:
            facts[place] = text
        elif place == "credits":
            rows["credits"] = [{"key": "legume", "formula": text}, {"key": text, "previous_crop": text}]
        elif place == "amounts":
            facts.pop("formula", None)
            rows["amounts"] = [{"from": "0", "rate": text}, {"from": text, "rate": "1"}]
        else:
            rows["constants"] = [{"name": text, "value": "1"}, {"name": "price", "value": text}]
    look(few, entry(like.kind, facts, rows, like.number))


@settings(max_examples=EXAMPLES)
@given(st.data())
def test_whatever_is_typed_into_any_cells(few: tuple[list[Entry], TableSet], data: st.DataObject) -> None:
    like = data.draw(st.sampled_from(few[0]))
    facts, rows = dict(like.facts), {sheet: [dict(row) for row in each] for sheet, each in like.rows.items()}
    for _ in range(data.draw(st.integers(1, 5))):
        sheet = data.draw(st.sampled_from(["", *ROWS[like.kind]]))
        column = data.draw(st.sampled_from([each.name for each in columns(like.kind, sheet)]))
        text = data.draw(typed | st.sampled_from(["", *column_choices(like.kind, sheet, column)]))
        if not sheet:
            facts[column] = text
        else:
            grid = rows.setdefault(sheet, [])
            at = data.draw(st.integers(0, len(grid)))
            grid[at:at] = [{}] if at == len(grid) or data.draw(st.booleans()) else []
            grid[at][column] = text
    look(few, entry(like.kind, facts, rows, like.number))


def column_choices(kind: Kind, sheet: str, name: str) -> tuple[str, ...]:
    return next(each.choices for each in columns(kind, sheet) if each.name == name)


def test_every_kind_is_among_the_few(few: tuple[list[Entry], TableSet]) -> None:
    assert {each.kind for each in few[0]} == set(KINDS)
