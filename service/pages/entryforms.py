"""A table as a form holds it: each row as it lies on the page, empty or not, and what buttons do to them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from service.entries.columns import FACTS, MOST_ROWS, ROWS, Kind
from service.entries.entry import Cell, Entry, entry

_CELL = re.compile(r"([a-z_]+)\.([0-9]{1,3})\.([a-z_]+)")
_OF_ROW = re.compile(r"(insert|drop)-([a-z_]+)-([0-9]{1,3})")
ROWS_TAKEN = 200  # of one sheet; more than MOST_ROWS are kept and told to be too many
SPARE = 2  # empty rows below those that hold something

Rows = list[dict[str, str]]


@dataclass(frozen=True)
class Grid:
    """The cells of one table on a page.

    Attributes
    ----------
    facts
        Column -> text.
    rows
        Sheet -> its rows as they lie on the page.
    """

    kind: Kind
    number: int
    facts: Mapping[str, str]
    rows: Mapping[str, Rows] = field(default_factory=dict)

    def entry(self) -> Entry:
        """What is typed, without what is empty."""
        return entry(self.kind, self.facts, self.rows, self.number)

    def places(self, sheet: str) -> list[int]:
        """Rows that hold something, as they count in the entry -> where they lie on the page."""
        columns = ROWS[self.kind][sheet]
        return [
            number for number, row in enumerate(self.rows.get(sheet, ()))
            if any(row.get(column.name, "").strip() for column in columns)
        ]  # fmt: skip

    def name(self, cell: Cell) -> str:
        """Name of the input of a cell of the entry; "" for what is about no single cell."""
        if not cell.column:
            return ""
        if not cell.sheet:
            return cell.name
        places = self.places(cell.sheet) if cell.sheet in ROWS[self.kind] else []
        row = places[cell.row] if cell.row < len(places) else len(places)
        return replace(cell, row=row).name

    def place(self, name: str) -> str:
        """Name of the input that a comment's place is beside; "" where there is none."""
        parts = _CELL.fullmatch(name)
        shown = self.name(Cell(parts[3], parts[1], int(parts[2]))) if parts else name
        return shown if shown in self.names() else ""

    def names(self) -> set[str]:
        """Names of all inputs."""
        found = {column.name for column in FACTS[self.kind]}
        for sheet, columns in ROWS[self.kind].items():
            lines = range(len(self.rows.get(sheet, ())))
            found |= {f"{sheet}.{number}.{column.name}" for number in lines for column in columns}
        return found


def grid_of(typed: Entry) -> Grid:
    """An entry as a page shows it, with empty rows to type into."""
    rows = {sheet: [dict(row) for row in typed.rows.get(sheet, ())] for sheet in ROWS[typed.kind]}
    return spared(Grid(typed.kind, typed.number, typed.facts, rows))


def grid_from(kind: Kind, number: int, given: Mapping[str, Any]) -> Grid:
    """What a form has sent: what is no cell of the kind is left out."""
    texts = {name: text for name, text in given.items() if isinstance(text, str)}
    facts = {column.name: texts.get(column.name, "") for column in FACTS[kind]}
    found: dict[str, dict[int, dict[str, str]]] = {sheet: {} for sheet in ROWS[kind]}
    known = {(sheet, column.name) for sheet, columns in ROWS[kind].items() for column in columns}
    for name, text in texts.items():
        if (parts := _CELL.fullmatch(name)) and (parts[1], parts[3]) in known and int(parts[2]) < ROWS_TAKEN:
            found[parts[1]].setdefault(int(parts[2]), {})[parts[3]] = text
    rows = {
        sheet: [lines.get(number, {}) for number in range(max(lines, default=-1) + 1)]
        for sheet, lines in found.items()
    }
    return Grid(kind, number, facts, rows)


def pressed(grid: Grid, button: str) -> Grid:
    """The grid after a button that adds, inserts or removes a row; any other button changes nothing.

    Buttons are ``more-classes``, ``insert-classes-2`` (below row 2) and ``drop-classes-2``.
    """
    rows = {sheet: list(lines) for sheet, lines in grid.rows.items()}
    if (sheet := button.removeprefix("more-")) in rows and sheet != button:
        rows[sheet].append({})
    elif (of_row := _OF_ROW.fullmatch(button)) and of_row[2] in rows:
        lines, number = rows[of_row[2]], int(of_row[3])
        if of_row[1] == "insert":
            lines.insert(number + 1, {})
        elif number < len(lines):
            del lines[number]
    return replace(grid, rows=rows)


def spared(grid: Grid) -> Grid:
    """The grid with a few empty rows below each sheet, as far as it may grow."""
    rows = {}
    for sheet, lines in grid.rows.items():
        held = max(grid.places(sheet), default=-1) + 1
        wanted = max(len(lines), min(held + SPARE, MOST_ROWS))
        rows[sheet] = [*lines, *({} for _ in range(wanted - len(lines)))]
    return replace(grid, rows=rows)
