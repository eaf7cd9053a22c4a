"""Reads one workbook from standard input and writes its cells as JSON; run only as its own process.

A workbook is an archive of XML that somebody else has made: it may ask for more memory than there is or
never end. So it is opened in a process that has nothing to lose, with limits on memory and time that the
operating system enforces. This module imports nothing of the project.

Output: ``{"sheet": name, "rows": [[number, [[kind, value], ...]], ...]}`` or ``{"refused": {...}}``. The
arguments are ``one`` and a sheet's name, or ``every``: then it is ``{"sheets": [...]}`` with such an object
for each sheet, and a formula is refused whether its result is stored or not.
"""

from __future__ import annotations

import io
import json
import resource
import sys
import warnings
import zipfile
from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from xml.parsers import expat

from openpyxl import load_workbook

MEMORY_BYTES, CPU_SECONDS = 1024**3, 20
_LIMITS = {"rows": 20_000, "columns": 60, "letters": 20_000_000}
_MOST_SHEETS = 30
_PLAIN_FORMATS = ("General", "0", "@")


class Refused(Exception):  # noqa: N818 - reads as the sentence it is
    """The workbook is refused: what, at which place in it, and what to do."""

    def __init__(self, what: str, place: str = "", fix: str = "save the workbook anew, or export it as CSV"):
        super().__init__(what)
        self.answer = {"what": what, "place": place, "fix": fix}


def check_parts(data: bytes) -> None:
    """Refuse XML that defines entities, and sheets whose rows or cells are out of order.

    Entities are how a few bytes become gigabytes. Rows out of order would be passed over in silence.
    """
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for name in archive.namelist():
            if name.lower().endswith((".xml", ".rels")):
                _check_part(name, archive.read(name))


def _check_part(name: str, xml: bytes) -> None:
    last = {"row": 0, "cell": 0}

    def on_doctype(*_: object) -> None:
        raise Refused("the workbook's XML defines its own entities", name)

    def on_element(tag: str, attributes: dict[str, str]) -> None:
        kind = tag.rpartition(" ")[2]
        if kind == "row":
            last["row"], last["cell"] = _next(last["row"], attributes.get("r"), name), 0
        elif kind == "c":
            column = (attributes.get("r") or "").rstrip("0123456789")
            last["cell"] = _next(last["cell"], str(_number(column)) if column else None, name)

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartDoctypeDeclHandler = on_doctype
    if name.startswith("xl/worksheets/"):
        parser.StartElementHandler = on_element
    try:
        parser.Parse(xml, True)
    except expat.ExpatError as error:
        raise Refused(f"the workbook is damaged: {error}", name) from None


def _next(last: int, given: str | None, name: str) -> int:
    number = int(given) if given else last + 1
    if number <= last:
        raise Refused("rows or cells of the sheet are repeated or out of order", name)
    return number


def _number(letters: str) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + ord(letter) - 64
    return number


def read(data: bytes, wanted: str) -> dict[str, Any]:
    """Read one sheet: the one named, or the only one there is."""
    book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    titles = [sheet.title for sheet in book.worksheets]
    if wanted not in titles and (wanted or len(titles) != 1):
        what = f"there is no sheet {wanted!r}" if wanted else f"the workbook has {len(titles)} sheets"
        raise Refused(f"{what}: {', '.join(map(repr, titles))}", fix="declare 'sheet: NAME' in the layout")
    title = wanted or titles[0]
    formulas = load_workbook(io.BytesIO(data), read_only=True, data_only=False)
    rows = list(_rows(book[title], formulas[title]))
    return {"sheet": title, "rows": rows}


def read_every(data: bytes) -> dict[str, Any]:
    """Read all sheets, where cells hold what was typed and nothing that is worked out."""
    book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    if len(book.worksheets) > _MOST_SHEETS:
        raise Refused(
            f"the workbook has more than {_MOST_SHEETS} sheets", fix="delete those that are not needed"
        )
    formulas = load_workbook(io.BytesIO(data), read_only=True, data_only=False)
    sheets = [
        {"sheet": sheet.title, "rows": list(_rows(sheet, formulas[sheet.title], typed=True))}
        for sheet in book.worksheets
    ]
    return {"sheets": sheets}


def _rows(values: Any, formulas: Any, *, typed: bool = False) -> Iterator[tuple[int, list[list[str]]]]:
    values.reset_dimensions()  # what a file says about its own size is not believed
    formulas.reset_dimensions()
    letters = 0
    for number, (row, written) in enumerate(zip(values.iter_rows(), formulas.iter_rows(), strict=True), 1):
        if typed:
            _refuse_formulas(written, values.title)
        cells = [_cell(cell, origin, title=values.title) for cell, origin in zip(row, written, strict=True)]
        while cells and cells[-1][1] == "":
            cells.pop()
        if not cells:
            continue
        letters += sum(len(text) for _, text in cells)
        if len(cells) > _LIMITS["columns"] or number > _LIMITS["rows"]:
            raise Refused(
                f"more than {_LIMITS['columns']} columns or {_LIMITS['rows']} rows",
                f"sheet {values.title!r}, cell {row[len(cells) - 1].coordinate}",
                "delete everything around the table, also far to the right and far below",
            )
        if letters > _LIMITS["letters"]:
            raise Refused("the sheet holds more text than any run", f"sheet {values.title!r}, row {number}")
        yield number, cells


def _refuse_formulas(row: Any, title: str) -> None:
    for cell in row:
        if cell.data_type == "f":
            raise Refused(
                "a formula of the spreadsheet", f"sheet {title!r}, cell {cell.coordinate}",
                "paste its value over it; to type a text that begins with =, make the cell a text first",
            )  # fmt: skip


def _cell(cell: Any, origin: Any, title: str) -> list[str]:
    """How the cell is stored, and its content as text; numbers in full, without an exponent."""
    value = cell.value
    if value is None:
        if origin.value is not None and origin.data_type == "f":
            raise Refused(
                "a formula whose result is not stored in the workbook",
                f"sheet {title!r}, cell {cell.coordinate}",
                "open the workbook, let it calculate and save it, or paste the values over the formulas",
            )
        return ["text", ""]
    if cell.data_type == "e":
        raise Refused(
            f"the cell shows the error {value}", f"sheet {title!r}, cell {cell.coordinate}",
            "correct the formula, or empty the cell",
        )  # fmt: skip
    if isinstance(value, bool):
        return ["yes/no", "yes" if value else "no"]
    if isinstance(value, (int, float)):
        return _number_cell(cell, value)
    if (
        isinstance(value, datetime)
        and (value.hour, value.minute, value.second, value.microsecond) == (0,) * 4
    ):
        return ["date", value.date().isoformat()]
    if isinstance(value, str):
        return ["text", value]
    return ["date" if type(value) is date else "date and time", str(value)]


def _number_cell(cell: Any, value: float) -> list[str]:
    text = format(Decimal(repr(value)), "f")
    # Spreadsheet programs keep 15 digits of a number (common practice); a longer one has lost some.
    if not float(value).is_integer() or abs(value) >= 1e15:
        return ["number", text]
    kind = "whole number" if cell.number_format in _PLAIN_FORMATS else "formatted number"
    return [kind, text.partition(".")[0]]


def main() -> int:
    """Read standard input, write the answer; 0 also for a refusal."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    warnings.simplefilter("ignore")  # about styles and extensions, which are not read
    data = sys.stdin.buffer.read()
    try:
        check_parts(data)
        every = sys.argv[1:] == ["every"]
        answer: dict[str, Any] = read_every(data) if every else read(data, "".join(sys.argv[2:]))
    except Refused as refusal:
        answer = {"refused": refusal.answer}
    except MemoryError:
        return 3
    json.dump(answer, sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main())
