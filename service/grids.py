"""The cells of a file as text, and where each of them stands.

``reading.read_grid`` makes a :class:`Grid` from a text file or a workbook; :func:`table_at` takes its column
titles; the parsers of ``service.cells`` turn one :class:`Column` into typed values. Every error is made
here, so that every error names file, row and column the same way.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from interpretation.errors import FurrowsliceError
from service.characters import UNSEEN

MAX_ROWS, MAX_COLUMNS, MAX_CELL = 20_000, 60, 1_000
MAX_BYTES = 10 * 1024 * 1024

# How a spreadsheet stores a cell that is not text. A text file has none of these.
Stored = Literal["whole number", "formatted number", "number", "date", "date and time", "yes/no"]


@lru_cache(maxsize=1024)  # the same few titles and words come back with every file
def fold(title: str) -> str:
    """A title as it is compared: without regard to case and to runs of spaces."""
    return " ".join(title.split()).casefold()


def letters(column: int) -> str:
    """Name of a spreadsheet column: 0 is A, 26 is AA."""
    name = ""
    column += 1
    while column:
        column, digit = divmod(column - 1, 26)
        name = chr(65 + digit) + name
    return name


@dataclass(frozen=True)
class Grid:
    """Cells of one file as text, before anybody knows what they mean.

    Attributes
    ----------
    source
        Name of the file, for messages.
    rows
        Text of the cells; rows may differ in length, an empty line is an empty row.
    numbers
        Row (line) in the file of each of ``rows``, counted from 1.
    refuse_with
        The error a broken cell is reported as.
    separator
        Word for the delimiter the rows were split at; empty for a workbook.
    sheet
        Name of the sheet; empty for a text file.
    stored
        By (index in ``rows``, column), how a workbook stores a cell that is not text.
    """

    source: str
    rows: Sequence[Sequence[str]]
    numbers: Sequence[int]
    refuse_with: type[FurrowsliceError]
    separator: str = ""
    sheet: str = ""
    stored: Mapping[tuple[int, int], Stored] = field(default_factory=dict)

    def is_empty(self, row: int) -> bool:
        """Whether a row has no content."""
        return not "".join(self.rows[row]).strip()

    def where(self, row: int, column: int | None = None, title: str = "") -> str:
        """Place of a cell in words; ``row`` is an index into ``rows``."""
        parts = [self.source, *([f"sheet {self.sheet!r}"] if self.sheet else [])]
        parts.append(f"row {self.numbers[row] if row < len(self.numbers) else row + 1}")
        if column is not None:
            name = letters(column) if self.sheet else str(column + 1)
            parts.append(f"column {name} ({title!r})" if title else f"column {name}")
        return ", ".join(parts)

    def refuse(
        self, what: str, row: int, column: int | None = None, *, title: str = "", expected: str, fix: str
    ) -> FurrowsliceError:
        """Make the error of one cell."""
        return self.refuse_with(what, where=self.where(row, column, title), expected=expected, fix=fix)

    def check_size(self) -> None:
        """Refuse a grid of more rows, columns or letters in a cell than any run or list has."""
        if len(self.rows) > MAX_ROWS:
            raise self.refuse(
                f"more than {MAX_ROWS} rows", MAX_ROWS, expected=f"at most {MAX_ROWS} rows",
                fix="split the file",
            )  # fmt: skip
        for index, row in enumerate(self.rows):
            if len(row) > MAX_COLUMNS:
                raise self.refuse(
                    f"{len(row)} columns", index, MAX_COLUMNS, expected=f"at most {MAX_COLUMNS} columns",
                    fix="remove the columns that are not needed",
                )  # fmt: skip
            if sum(map(len, row)) <= MAX_CELL:  # then no single cell is longer either
                continue
            for column, cell in enumerate(row):
                if len(cell) > MAX_CELL:
                    raise self.refuse(
                        f"a cell of {len(cell)} characters", index, column,
                        expected=f"at most {MAX_CELL} characters in a cell",
                        fix="shorten the cell, or close a quotation mark left open before it",
                    )  # fmt: skip

    def check_characters(self, text: str | None = None) -> None:
        """Refuse control characters and marks that hide or reorder text, wherever they stand.

        ``text`` is the whole file, when it is at hand: one search finds that there is nothing to find.
        """
        if text is not None and UNSEEN.search(text) is None:
            return
        for index, row in enumerate(self.rows):
            for column, cell in enumerate(row):
                if found := UNSEEN.search(cell):
                    raise self.refuse(
                        f"the cell holds the invisible character U+{ord(found[0]):04X}", index, column,
                        expected="letters, digits, signs and spaces that can be seen",
                        fix="delete the cell's content and type it again",
                    )  # fmt: skip


@dataclass(frozen=True)
class Column:
    """One column of a table: its cells without outer spaces, in file order."""

    grid: Grid
    indices: Sequence[int]  # index in grid.rows of each cell
    number: int
    title: str
    cells: list[str]

    def refuse(self, index: int, what: str, *, expected: str, fix: str) -> FurrowsliceError:
        """Make the error of the cell at ``index``."""
        return self.grid.refuse(
            what, self.indices[index], self.number, title=self.title, expected=expected, fix=fix
        )

    def stored(self, index: int) -> Stored | None:
        """How the workbook stores the cell, ``None`` for text."""
        return self.grid.stored.get((self.indices[index], self.number))

    def row(self, index: int) -> int:
        """Row in the file of the cell at ``index``."""
        return self.grid.numbers[self.indices[index]]


@dataclass(frozen=True)
class Table:
    """A grid whose titles are known. Rows without any content are left out."""

    grid: Grid
    title_row: int
    titles: Mapping[str, int]  # folded title -> column
    indices: Sequence[int]
    columns: Sequence[Sequence[str]]

    def has(self, title: str) -> bool:
        """Whether a column of this title is there."""
        return fold(title) in self.titles

    def column(self, title: str) -> Column:
        """The column of this title, which must be there."""
        number = self.titles[fold(title)]
        cells = list(map(str.strip, self.columns[number]))
        return Column(self.grid, self.indices, number, title, cells)

    @property
    def rows(self) -> list[int]:
        """Row in the file of each entry."""
        return [self.grid.numbers[index] for index in self.indices]

    def check_columns(
        self, wanted: Sequence[str], *, optional: Sequence[str] = (), ignore: Sequence[str] | None = ()
    ) -> None:
        """Refuse missing columns, and columns nobody has declared.

        Parameters
        ----------
        wanted
            Titles of all columns the file may have.
        optional
            Those of ``wanted`` that may be missing.
        ignore
            Titles that are known and not needed; ``None`` to ignore whatever else there is.
        """
        there = [" ".join(title.split())[:40] for title in self.grid.rows[self.title_row] if title.strip()]
        free = {fold(title) for title in optional}
        for title in wanted:
            if not self.has(title) and fold(title) not in free:
                raise self.grid.refuse(
                    f"there is no column {title!r}", self.title_row,
                    expected=f"the columns {', '.join(t for t in wanted if fold(t) not in free)}; "
                    f"the file has {', '.join(there)}",
                    fix="correct the title in the file, or the column's name in the layout",
                )  # fmt: skip
        if ignore is None:
            return
        known = {fold(title) for title in (*wanted, *ignore)}
        for title, column in self.titles.items():
            if title not in known:
                raise self.grid.refuse(
                    f"the column {title[:60]!r} is not known", self.title_row, column,
                    expected=f"the columns {', '.join(wanted)}",
                    fix="correct a misspelt title, or declare that the column is to be ignored",
                )  # fmt: skip


def table_at(grid: Grid, title_row: int) -> Table:
    """Take the row at index ``title_row`` as titles and the rows below it as the table.

    Raises
    ------
    FurrowsliceError
        The grid's own error when titles are missing or repeated, a row is longer or shorter than the
        titles, or there is nothing below them.
    """
    if title_row >= len(grid.rows):
        raise grid.refuse_with(
            "the file ends before the column titles", where=grid.source,
            expected="a row of column titles, then one row a cup or sample",
            fix="export the file again; check how many lines the layout skips",
        )  # fmt: skip
    titles = _titles(grid, title_row)
    width = len(grid.rows[title_row])
    indices = [i for i in range(title_row + 1, len(grid.rows)) if not grid.is_empty(i)]
    if not indices:
        raise grid.refuse(
            "there are column titles and no rows below them", title_row,
            expected="one row a cup or sample", fix="export the file again",
        )  # fmt: skip
    rows = [grid.rows[i] for i in indices]
    for index, row in zip(indices, rows, strict=True):
        if len(row) != width:
            raise grid.refuse(
                f"{len(row)} cells under {width} column titles", index, min(len(row), width),
                expected=f"{width} cells in every row",
                fix="put a cell that holds the delimiter in quotation marks, or add the missing cells",
            )  # fmt: skip
    columns = list(zip(*rows, strict=True))
    for number, title in enumerate(grid.rows[title_row]):
        if not title.strip() and any(map(str.strip, columns[number])):
            raise grid.refuse(
                "a column with content has no title", title_row, number, expected="a title on every column",
                fix="give the column a title, or empty it",
            )  # fmt: skip
    return Table(grid, title_row, titles, indices, columns)


def _titles(grid: Grid, title_row: int) -> dict[str, int]:
    row = grid.rows[title_row]
    named = [fold(title) for title in row]
    if len(row) == 1 and (found := re.search(r"[,;\t|]", row[0])):
        word = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}[found[0]]
        raise grid.refuse(
            f"the titles are one single column, {row[0][:60]!r}", title_row, 0,
            expected=f"columns separated by {grid.separator}" if grid.separator else "one column a cell",
            fix=f"declare 'delimiter: {word}' in the layout if that is what the file uses",
        )  # fmt: skip
    titles: dict[str, int] = {}
    for column, title in enumerate(named):
        if title in titles:
            raise grid.refuse(
                f"the column {title!r} is there twice, in columns {titles[title] + 1} and {column + 1}",
                title_row, column, expected="every title once", fix="rename or remove one of the two",
            )  # fmt: skip
        if title:
            titles[title] = column
    return titles
