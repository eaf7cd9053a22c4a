"""Entries as a workbook (.xlsx): every cell is a text, so that nothing typed turns into something else."""

from __future__ import annotations

import io
from collections.abc import Iterable
from datetime import datetime
from typing import Any

import xlsxwriter

from interpretation.errors import TableError
from service.bookfiles.book import Book, check_writable
from service.bookfiles.describing import told
from service.bookfiles.sheets import SHEETS, Numbered, entries_in, rows_of, sheets_for
from service.entries.entry import Entry
from service.spreadsheet import Cells, read_sheets

ABOUT = "about"
FORM = "furrowslice-sheets-1"
_MADE = datetime(2000, 1, 1)  # noqa: DTZ001 - a workbook knows no time zones; always the same, not the clock's
_ROWS_TO_TYPE_IN = 500  # cells beyond what is there that take what is typed as a text, too


def write_workbook(region: str, entries: Iterable[Entry]) -> bytes:
    """Write entries of a region.

    Raises
    ------
    TableError
        If they cannot be written so that the same is read again: see
        :func:`service.bookfiles.book.check_writable`.
    """
    ordered = check_writable(entries)
    made = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
               "strings_to_numbers": False}  # fmt: skip
    book = xlsxwriter.Workbook(made, options)
    book.set_properties({"title": f"Tables of {region}", "created": _MADE})
    as_text = book.add_format({"num_format": "@", "valign": "top"})
    bold = book.add_format({"num_format": "@", "bold": True, "bottom": 1})
    _about(book, region, bold, as_text)
    for sheet in sheets_for(ordered):
        page = book.add_worksheet(sheet.name)
        page.freeze_panes(1, 1)
        _row(page, 0, sheet.headings, bold)
        for place, name in enumerate(sheet.headings):
            page.set_column(place, place, max(10, len(name) + 2), as_text)
        for number, row in enumerate(rows_of(sheet, ordered), 1):
            _row(page, number, row, as_text)
    book.close()
    return made.getvalue()


def _about(book: Any, region: str, bold: Any, as_text: Any) -> None:
    """The first sheet: whose tables these are, and how each column is filled in."""
    page = book.add_worksheet(ABOUT)
    page.set_column(0, 1, 18, as_text)
    page.set_column(2, 2, 90, as_text)
    lines = [["form", FORM], ["region", region], [], ["sheet", "column", "how to fill it in"]]
    lines += [[sheet.name, name, said] for sheet in SHEETS for name, said in told(sheet)]
    for number, line in enumerate(lines):
        _row(page, number, line, bold if number == 3 else as_text)


def _row(page: Any, number: int, texts: Iterable[str], style: Any) -> None:
    for place, text in enumerate(texts):
        if not text:
            continue
        if (
            "x005F_" in text
        ):  # how a workbook escapes what looks like its own escapes: not read the same everywhere
            raise TableError(
                "a text with the signs x005F_, which workbooks use for themselves",
                where=f"sheet {page.get_name()}, row {number + 1}", expected="any other text",
                fix="write it otherwise, or take CSV or YAML",
            )  # fmt: skip
        page.write_string(number, place, text, style)


def read_workbook(data: bytes, source: str) -> Book:
    """Read entries from a workbook, as they are typed.

    Raises
    ------
    TableError
        If it is not a workbook of such sheets, holds a formula, or says nowhere what a cell belongs to.
    """
    sheets = read_sheets(data, source, TableError)
    region = _region(sheets.pop(ABOUT, []), source)
    if not any(sheet.name in sheets for sheet in SHEETS):
        raise TableError(
            "the workbook has none of the sheets of these tables", where=source,
            expected=", ".join(sheet.name for sheet in SHEETS),
            fix="take the workbook of the tables from here, and fill that in",
        )  # fmt: skip
    return Book(region, entries_in({name: _texts(rows) for name, rows in sheets.items()}, source))


def _texts(rows: Cells) -> Numbered:
    return [(number, [text for _, text in cells]) for number, cells in rows]


def _region(rows: Cells, source: str) -> str:
    said = {cells[0][1].strip(): cells[1][1].strip() for _, cells in rows[:3] if len(cells) > 1}
    if (form := said.get("form", FORM)) != FORM:
        raise TableError(
            f"the workbook is of the form {form[:60]!r}", where=f"{source}, sheet {ABOUT}", expected=FORM,
            fix="take the workbook anew from here, or install the version that wrote it",
        )  # fmt: skip
    return said.get("region", "")
