"""What was typed about one record, and the cells that it was typed into."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from service.entries.columns import FACTS, ROWS, Kind

Row = Mapping[str, str]
_PLACE = re.compile(r"(?P<sheet>[a-z_]+)\.[0-9]{1,3}\.(?P<column>[a-z_]+)")


class Entry(BaseModel):
    """One record in cells. What is not typed is not there: an empty cell and none are the same.

    Attributes
    ----------
    number
        Names the entry inside its draft for good, whatever id is typed.
    facts
        Column -> text, what is said once.
    rows
        Sheet -> rows of column -> text.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    number: int = 0
    kind: Kind
    facts: dict[str, str] = {}
    rows: dict[str, tuple[dict[str, str], ...]] = {}

    @property
    def id(self) -> str:
        """The id as it was typed."""
        return self.facts.get("id", "")

    def said(self) -> dict[str, Any]:
        """What it says, whatever its number."""
        return {"kind": self.kind, "facts": self.facts, "rows": self.rows}


def entry(kind: Kind, facts: Mapping[str, str], rows: Mapping[str, Iterable[Row]], number: int = 0) -> Entry:
    """Make an entry of cells: known columns alone, ends of lines in one way, nothing that is empty."""
    kept = {
        sheet: tuple(cells for row in rows.get(sheet, ()) if (cells := _cells(row, columns)))
        for sheet, columns in ROWS[kind].items()
    }
    return Entry(
        number=number, kind=kind, facts=_cells(facts, FACTS[kind]),
        rows={sheet: cells for sheet, cells in kept.items() if cells},
    )  # fmt: skip


def _cells(given: Mapping[str, str], columns: Iterable[Any]) -> dict[str, str]:
    texts = ((column.name, given.get(column.name, "")) for column in columns)
    tidy = ((name, text.replace("\r\n", "\n").replace("\r", "\n").strip()) for name, text in texts)
    return {name: text for name, text in tidy if text}


@dataclass(frozen=True)
class Cell:
    """Where something was typed; ``sheet`` is "" for what is said once, ``column`` for all of it."""

    column: str = ""
    sheet: str = ""
    row: int = 0

    @property
    def name(self) -> str:
        """Name of the input on a page, and of the place of a comment: ``classes.2.from``, ``unit``."""
        return f"{self.sheet}.{self.row}.{self.column}" if self.sheet else self.column


def is_place(kind: Kind, place: str) -> bool:
    """Whether a text is the name of a cell that a record of a kind has, or could have.

    Examples
    --------
    >>> [is_place("scales", each) for each in ("unit", "classes.2.from", "classes.from", "amounts.2.rate")]
    [True, True, False, False]
    """
    parts = _PLACE.fullmatch(place)
    columns = ROWS[kind].get(parts["sheet"], ()) if parts else FACTS[kind]
    return (parts["column"] if parts else place) in {column.name for column in columns}


@dataclass(frozen=True)
class CellProblem:
    """What is wrong, or odd, with a cell."""

    cell: Cell
    message: str
    expected: str = ""
    fix: str = ""
    severity: Literal["error", "warning"] = field(default="error")
