"""Entries as CSV: an archive with one file for each sheet, and ``datapackage.json``, which describes them.

Files are UTF-8 with quotation marks and ends of lines as RFC 4180 has them. A text that a spreadsheet would
calculate gets an apostrophe before it, which is taken away again when it is read (ASVS v5.0.0-1.2.10). Such
texts cannot be refused, as the formula of an amount may begin with a minus sign; nor may they be changed for
good.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable

from interpretation.errors import TableError
from service.bookfiles.archives import pack
from service.bookfiles.book import Book, check_writable
from service.bookfiles.describing import FORM, package
from service.bookfiles.sheets import SHEETS, Numbered, entries_in, rows_of, sheets_for
from service.entries.entry import Entry

DESCRIPTOR = "datapackage.json"
# The wide signs are read as the narrow ones where people type Japanese.
_SIGNS = "=+\\-@＝＋－＠"
_CALCULATED = re.compile(f"'*[{_SIGNS}]")
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
_MOST_ROWS = 20_000  # of one file, as of a sheet of a workbook
_MARKS = ",;\t"  # some spreadsheets write a semicolon or a tab where they were given a comma


def guarded(text: str) -> str:
    """Write a text so that no spreadsheet calculates it; what is a number stays one.

    Examples
    --------
    >>> guarded("-5 * soil_test"), guarded("-0.5"), guarded("'=1"), guarded("maize")
    ("'-5 * soil_test", '-0.5', "''=1", 'maize')
    """
    return f"'{text}" if _CALCULATED.match(text) and not _NUMBER.fullmatch(text) else text


def unguarded(text: str) -> str:
    """Take the guard away again.

    Examples
    --------
    >>> unguarded("'-5 * soil_test"), unguarded("''=1"), unguarded("'tis")
    ('-5 * soil_test', "'=1", "'tis")
    """
    return text[1:] if text.startswith("'") and _CALCULATED.match(text) else text


def write_package(region: str, entries: Iterable[Entry]) -> bytes:
    """Write entries of a region as an archive.

    Raises
    ------
    TableError
        See :func:`service.bookfiles.book.check_writable`.
    """
    ordered = check_writable(entries)
    sheets = sheets_for(ordered)
    files = {DESCRIPTOR: _json(package(region, sheets))}
    for sheet in sheets:
        text = io.StringIO(newline="")
        writer = csv.writer(text)
        writer.writerow(sheet.headings)
        writer.writerows([guarded(cell) for cell in row] for row in rows_of(sheet, ordered))
        files[f"{sheet.name}.csv"] = text.getvalue().encode()
    return pack(files)


def _json(value: object) -> bytes:
    return (json.dumps(value, ensure_ascii=False, indent=2) + "\n").encode()


def read_package(files: dict[str, bytes], source: str) -> Book:
    """Read entries from the files of an archive, as they are typed.

    Parameters
    ----------
    files
        By name, the descriptor among them.
    source
        Name of the archive, for messages.

    Raises
    ------
    TableError
        If a file is none of these tables, is no CSV, or says nowhere what a cell belongs to.
    """
    region = _region(files[DESCRIPTOR], source)
    known = {f"{sheet.name}.csv": sheet.name for sheet in SHEETS}
    given = {}
    for name, content in files.items():
        if name == DESCRIPTOR:
            continue
        if name not in known:
            raise TableError(
                f"there is no file {name[:80]!r} in these tables", where=source, expected=", ".join(known),
                fix="rename the file, or leave it out",
            )  # fmt: skip
        given[known[name]] = _rows(content, f"{source}, {name}")
    return Book(region, entries_in(given, source))


def _region(content: bytes, source: str) -> str:
    try:
        said = json.loads(content)
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict) or said.get("form") != FORM or not isinstance(said.get("region"), str):
        raise TableError(
            f"{DESCRIPTOR} does not describe such tables", where=source, expected=f'"form": "{FORM}"',
            fix="take the archive anew from here, and leave this file as it is",
        )  # fmt: skip
    region: str = said["region"]
    return region


def _rows(content: bytes, where: str) -> Numbered:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise TableError(
            "this is not UTF-8 text", where=f"{where}, line {line}", expected="a CSV file in UTF-8",
            fix="save it as UTF-8",
        ) from None  # fmt: skip
    head = text.split("\n", 1)[0]
    mark = max(_MARKS, key=head.count) if any(each in head for each in _MARKS) else ","
    rows: list[tuple[int, list[str]]] = []
    try:
        for number, row in enumerate(
            csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True), 1
        ):
            if number > _MOST_ROWS:
                raise TableError(
                    f"more than {_MOST_ROWS} rows", where=where, expected="the tables of one region",
                    fix="delete everything below the table",
                )  # fmt: skip
            rows.append((number, [unguarded(cell.strip()) for cell in row]))
    except csv.Error as error:
        raise TableError(
            f"the text cannot be split into cells: {error}", where=f"{where}, row {len(rows) + 1}",
            expected="cells with commas between them; a cell that holds one, between quotation marks",
            fix="look for a quotation mark that is not closed, or save the sheet as CSV anew",
        ) from None  # fmt: skip
    return rows
