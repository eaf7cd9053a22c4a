"""The sheets that a workbook and CSV share: one for each kind of record, one for each kind of row in it.

A record is a row of its kind's sheet, under the names of its columns. What it has several of (classes,
amounts) stands in a sheet of its own, whose first column ``table`` holds the id of the record that a row
belongs to.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from interpretation.errors import TableError
from service.bookfiles.book import LONGEST_TEXT, in_order
from service.characters import UNSEEN
from service.entries.columns import FACTS, KINDS, MOST_ENTRIES, MOST_ROWS, ROWS, Column, Kind
from service.entries.entry import Entry, Row, entry

TABLE = "table"
Numbered = Sequence[tuple[int, Sequence[str]]]  # rows by the number that a spreadsheet shows beside them


@dataclass(frozen=True)
class Sheet:
    """One sheet of a workbook, or one file of CSV.

    Attributes
    ----------
    kind, part
        Which records; of which of their rows, or "" for what each says once.
    columns
        Without the column ``table``.
    """

    kind: Kind
    part: str
    columns: tuple[Column, ...]

    @property
    def name(self) -> str:
        """Its name in a workbook, and without its ending the name of its file."""
        return f"{self.kind}-{self.part}" if self.part else self.kind

    @property
    def headings(self) -> tuple[str, ...]:
        """Names of the columns as they stand in the first row."""
        names = tuple(column.name for column in self.columns)
        return (TABLE, *names) if self.part else names


SHEETS = tuple(
    sheet
    for kind in KINDS
    for sheet in (Sheet(kind, "", FACTS[kind]), *(Sheet(kind, part, ROWS[kind][part]) for part in ROWS[kind]))
)


def sheets_for(entries: Sequence[Entry]) -> tuple[Sheet, ...]:
    """The sheets that some entries need: one table alone has those of its kind, a region has all."""
    if len(entries) == 1 and entries[0].kind != "regions":
        return tuple(sheet for sheet in SHEETS if sheet.kind == entries[0].kind)
    return SHEETS


def rows_of(sheet: Sheet, entries: Iterable[Entry]) -> Iterator[list[str]]:
    """Rows of a sheet without its headings."""
    names = [column.name for column in sheet.columns]
    for each in entries:
        if each.kind != sheet.kind:
            continue
        if not sheet.part:
            yield [each.facts.get(name, "") for name in names]
        for row in each.rows.get(sheet.part, ()) if sheet.part else ():
            yield [each.id, *(row.get(name, "") for name in names)]


def entries_in(given: Mapping[str, Numbered], source: str) -> tuple[Entry, ...]:
    """Read the entries of a file's sheets, as they are typed.

    Parameters
    ----------
    given
        Rows by the name of their sheet, headings included; sheets that are missing have no rows.
    source
        Name of the file, for messages.

    Raises
    ------
    TableError
        With sheet, row and column, for the first thing of which it is not known what it belongs to.
    """
    known = {sheet.name: sheet for sheet in SHEETS}
    for name, rows in given.items():
        if name not in known and rows:
            raise TableError(
                f"there is no sheet {name!r} in these tables", where=source, expected=", ".join(known),
                fix="rename the sheet, or delete it",
            )  # fmt: skip
    facts: dict[tuple[Kind, str], Row] = {}
    rows_by: dict[tuple[Kind, str], dict[str, list[Row]]] = {}
    for sheet in SHEETS:
        reader = _Reader(sheet, source)
        for number, row in reader.rows(given.get(sheet.name, ())):
            if not sheet.part:
                key = sheet.kind, reader.id_of(row, "id", number)
                if key in facts:
                    raise reader.refusal(
                        number, "id", f"the id {key[1]!r} is here twice", "an id of its own in each row",
                        "rename one of the two, or remove one",
                    )  # fmt: skip
                if len(facts) == MOST_ENTRIES:
                    raise reader.refusal(
                        number, "id", f"more than {MOST_ENTRIES} tables",
                        f"at most {MOST_ENTRIES} in one file",
                        "remove those that have ended",
                    )  # fmt: skip
                facts[key], rows_by[key] = row, {}
                continue
            key = sheet.kind, reader.id_of(row, TABLE, number)
            if key not in facts:
                raise reader.refusal(
                    number, TABLE, f"no row of the sheet {sheet.kind} has the id {key[1]!r}",
                    f"an id of the sheet {sheet.kind}", "correct the id, or add the table there",
                )  # fmt: skip
            rows_by[key].setdefault(sheet.part, []).append(row)
            if len(rows_by[key][sheet.part]) > MOST_ROWS:
                raise reader.refusal(
                    number, TABLE, f"more than {MOST_ROWS} rows of {key[1]!r}",
                    f"at most {MOST_ROWS} for one table", "remove what is too much",
                )  # fmt: skip
    return in_order(entry(key[0], said, rows_by[key]) for key, said in facts.items())


@dataclass(frozen=True)
class _Reader:
    """Reads the rows of one sheet by their headings."""

    sheet: Sheet
    source: str

    def refusal(self, row: int, column: str, what: str, expected: str, fix: str) -> TableError:
        place = f"{self.source}, sheet {self.sheet.name}, row {row}" + (
            f", column {column}" if column else ""
        )
        return TableError(what, where=place, expected=expected, fix=fix)

    def rows(self, given: Numbered) -> Iterator[tuple[int, Row]]:
        filled = ((number, cells) for number, cells in given if any(text.strip() for text in cells))
        first = next(filled, None)
        if first is None:
            return
        headings = self._headings(*first)
        for number, cells in filled:
            row = {}
            for place, text in enumerate(cells):
                name = headings[place] if place < len(headings) else ""
                if tidy := text.replace("\r\n", "\n").replace("\r", "\n").strip():
                    row[name] = self._text(number, name, place, tidy)
            yield number, row

    def _headings(self, number: int, cells: Sequence[str]) -> list[str]:
        names = [text.strip() for text in cells]
        for place, name in enumerate(names):
            if name and name not in self.sheet.headings:
                raise self.refusal(
                    number, _letters(place), f"there is no column {name[:60]!r} in this sheet",
                    ", ".join(self.sheet.headings), "correct the heading, or delete the column",
                )  # fmt: skip
            if name and name in names[:place]:
                raise self.refusal(
                    number, _letters(place), f"the column {name!r} is here twice", "each column once",
                    "delete one of the two",
                )  # fmt: skip
        return names

    def _text(self, number: int, name: str, place: int, text: str) -> str:
        if not name:
            raise self.refusal(
                number, _letters(place), "a cell under no heading", "every column with its heading",
                "give the column its heading, or empty the cell",
            )  # fmt: skip
        if len(text) > LONGEST_TEXT:
            raise self.refusal(
                number, name, f"a cell of {len(text)} characters", f"at most {LONGEST_TEXT}", "shorten it"
            )
        if found := UNSEEN.search(text):
            raise self.refusal(
                number, name, f"the invisible character U+{ord(found[0]):04X}",
                "letters, digits, signs and spaces that can be seen", "delete the text and type it again",
            )  # fmt: skip
        return text

    def id_of(self, row: Row, column: str, number: int) -> str:
        if not (name := row.get(column, "")):
            raise self.refusal(
                number, column, "the id is missing", "the id of the table that the row is about",
                "fill it in, or delete the row",
            )  # fmt: skip
        return name


def _letters(place: int) -> str:
    """Letters by which a spreadsheet calls a column.

    Examples
    --------
    >>> _letters(0), _letters(27)
    ('A', 'AB')
    """
    text = ""
    while place >= 0:
        place, letter = divmod(place, 26)
        text = chr(65 + letter) + text
        place -= 1
    return text
