"""What differs between two states of the tables, in words: record by record, cell by cell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from service.actions.releasehistory import SharedChange
from service.books import SHARED, kinds_of
from service.entries.columns import FACTS, ROWS
from service.entries.comparing import CellChange, RecordChange
from service.entries.entry import Cell
from service.pages.cellwords import choice_name, column_name, one_name, sheet_name
from service.web.templates import Words

_SHEETS = [*FACTS.items(), *(pair for sheets in ROWS.values() for pair in sheets.items())]
_KNOWN = {sheet for sheet, _ in _SHEETS}
_CHOSEN = {
    (sheet, column.name) for sheet, columns in _SHEETS for column in columns
    if column.choices or column.type == "yes-no"
}  # fmt: skip


@dataclass(frozen=True)
class CellLine:
    """One cell: where it stands, and what it said before and says after."""

    place: str
    before: str
    after: str


@dataclass(frozen=True)
class ChangeLines:
    """One record: what kind it is, what it is called, what became of it."""

    kind: str
    title: str
    id: str
    what: str  # added | changed | removed
    cells: tuple[CellLine, ...]


@dataclass(frozen=True)
class ChangesInWords:
    """All that differs, and how much that is."""

    records: tuple[ChangeLines, ...]
    added: int
    changed: int
    removed: int
    cells: int  # of the records that changed


def in_words(w: Words, changes: Sequence[RecordChange | SharedChange]) -> ChangesInWords:
    """Word what differs."""
    records = tuple(
        ChangeLines(
            kind_name(w, each.kind), each.title, each.id, each.what,
            tuple(_cell(w, each.kind, cell) for cell in each.cells),
        )
        for each in changes
    )  # fmt: skip
    counted = Counter(each.what for each in records)
    return ChangesInWords(
        records, counted["added"], counted["changed"], counted["removed"],
        sum(len(each.cells) for each in records if each.what == "changed"),
    )  # fmt: skip


def kind_name(w: Words, kind: str) -> str:
    """What one record of a region's book, or of the shared one, is called."""
    return w(f"releases.one-{kind}") if kind in kinds_of(SHARED) else one_name(w, kind)


def cell_name(w: Words, kind: str, cell: Cell) -> str:
    """Where a cell stands, by the number of its row; nothing for a record as a whole."""
    if not cell.sheet:
        return column_name(w, kind, cell.column) if cell.column else ""
    if cell.sheet not in _KNOWN:  # a comment's place is a text that somebody sent
        return cell.name
    column = column_name(w, cell.sheet, cell.column)
    return w("releases.cell-of-row", sheet=sheet_name(w, cell.sheet), row=str(cell.row + 1), column=column)


def cell_at_place(place: str) -> Cell:
    """The cell that a place names: ``classes.2.from``, ``unit``.

    Examples
    --------
    >>> cell_at_place("classes.2.from"), cell_at_place("unit")
    (Cell(column='from', sheet='classes', row=2), Cell(column='unit', sheet='', row=0))
    """
    match place.split("."):
        case [sheet, row, column] if row.isdecimal():
            return Cell(column, sheet, int(row))
    return Cell(place)


def _cell(w: Words, kind: str, cell: CellChange) -> CellLine:
    column = column_name(w, cell.sheet or kind, cell.column)
    if not cell.sheet:
        place = column
    elif not cell.row:
        place = w("releases.cell-of-sheet", sheet=sheet_name(w, cell.sheet), column=column)
    else:
        place = w("releases.cell-of-row", sheet=sheet_name(w, cell.sheet), row=cell.row, column=column)
    return CellLine(place, _said(w, kind, cell, cell.before), _said(w, kind, cell, cell.after))


def _said(w: Words, kind: str, cell: CellChange, text: str) -> str:
    """A cell's text; where only a few can be typed, what it is called."""
    return (
        choice_name(w, cell.column, text) if text and (cell.sheet or kind, cell.column) in _CHOSEN else text
    )
