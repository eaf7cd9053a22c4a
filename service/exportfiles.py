"""Whole collections written as CSV, XLSX, GeoJSON or Parquet, some rows at a time.

A text is written as a text and never as a formula (ASVS v5.0.0-1.2.10): in XLSX by its cell's type, in CSV by
an apostrophe before a sign with which a spreadsheet begins to calculate. Numbers are numbers: -0.5 stays so.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from tempfile import TemporaryDirectory
from typing import IO, Any, Literal

import pyarrow as pa
import pyarrow.parquet as pq
import xlsxwriter

from service.refusals import Invalid

Kind = Literal["text", "number", "whole", "day", "moment", "flag"]
Rows = Sequence[Sequence[Any]]
Format = Literal["csv", "xlsx", "geojson", "parquet"]
MEDIA_TYPES: dict[Format, str] = {
    "csv": "text/csv; charset=utf-8; header=present",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "geojson": "application/geo+json",
    "parquet": "application/vnd.apache.parquet",
}
LONGEST_SHEET = 1_048_576  # rows of a worksheet, its titles among them
ROW_GROUP = 50_000
# Tab, line ends and NUL before a sign are skipped by some spreadsheets; the wide signs are read as the narrow
# ones where people type Japanese.
_CALCULATES = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠")
_ARROW: dict[Kind, pa.DataType] = {
    "text": pa.string(),
    "number": pa.float64(),
    "whole": pa.int64(),
    "day": pa.date32(),
    "moment": pa.timestamp("us", tz="UTC"),
    "flag": pa.bool_(),
}


@dataclass(frozen=True)
class Column:
    """One column: its name carries its unit, or says which other column does."""

    name: str
    kind: Kind
    help: str


def safe_text(text: str) -> str:
    """Write a text so that no spreadsheet that opens the CSV calculates it.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("004811"), safe_text("-12")
    ("'=1+1", '004811', "'-12")
    """
    return f"'{text}" if text.startswith(_CALCULATES) else text


def plain(value: Any, kind: Kind) -> str:
    """One value as text, ISO 8601 for days and instants; every double comes back as it was."""
    if value is None:
        return ""
    if kind == "number":
        return repr(float(value))
    if kind == "flag":
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else str(value)


def write_csv(file: IO[bytes], columns: Sequence[Column], batches: Iterable[Rows]) -> None:
    """Write CSV (RFC 4180) in UTF-8."""
    text = io.TextIOWrapper(file, "utf-8", newline="")
    writer = csv.writer(text)
    writer.writerow([column.name for column in columns])
    kinds = [column.kind for column in columns]
    for rows in batches:
        writer.writerows(
            [
                safe_text(value) if kind == "text" and value else plain(value, kind)
                for value, kind in zip(row, kinds, strict=True)
            ]
            for row in rows
        )
    text.flush()
    text.detach()


def write_xlsx(file: IO[bytes], columns: Sequence[Column], batches: Iterable[Rows], title: str) -> None:
    """Write a workbook: a sheet of the rows, and one that says what the columns are.

    Raises
    ------
    Invalid
        If there are more rows than a worksheet has, or a text is longer than a cell takes.
    """
    with TemporaryDirectory(prefix="furrowslice-") as folder:  # the rows wait here, not in memory
        options = {
            "constant_memory": True,
            "tmpdir": folder,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        }
        book = xlsxwriter.Workbook(file, options)
        try:
            _fill_book(book, columns, batches, title)
        except BaseException:
            with suppress(Exception):  # only to let go of its own files: what went wrong first is told
                book.close()
            raise
        book.close()


def _fill_book(book: Any, columns: Sequence[Column], batches: Iterable[Rows], title: str) -> None:
    bold = book.add_format({"bold": True})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    sheet = book.add_worksheet(title)
    sheet.freeze_panes(1, 0)
    for place, column in enumerate(columns):
        sheet.set_column(place, place, max(12, len(column.name) + 2))
        sheet.write_string(0, place, column.name, bold)
    line = 0
    for rows in batches:
        for row in rows:
            line += 1
            if line >= LONGEST_SHEET:
                raise too_long()
            for place, (value, column) in enumerate(zip(row, columns, strict=True)):
                _write_cell(sheet, line, place, value, column.kind, day, moment)
    about = book.add_worksheet("columns")
    about.set_column(0, 1, 30)
    for number, (name, means) in enumerate([("column", "means"), *((c.name, c.help) for c in columns)]):
        about.write_string(number, 0, name, None if number else bold)
        about.write_string(number, 1, means, None if number else bold)


def _write_cell(sheet: Any, line: int, place: int, value: Any, kind: Kind, day: Any, moment: Any) -> None:
    if value is None or value == "":
        return
    if kind in ("number", "whole"):
        sheet.write_number(line, place, value)
    elif kind in ("day", "moment") and value.year >= 1900:  # a worksheet's days begin there
        if isinstance(value, datetime):
            value = value.replace(tzinfo=None)
        sheet.write_datetime(line, place, value, moment if kind == "moment" else day)
    elif sheet.write_string(line, place, plain(value, kind)) != 0:
        raise Invalid(
            "a text is longer than a cell of a worksheet takes",
            where=f"row {line + 1}",
            expected="at most 32,767 characters",
            fix="take CSV or Parquet",
        )


def too_long() -> Invalid:
    """Say that a worksheet has too few rows."""
    return Invalid(
        "there are more rows than a worksheet has",
        where="xlsx",
        expected=f"at most {LONGEST_SHEET - 1:,} rows",
        fix="ask for one year or one county, or take CSV or Parquet",
    )


def write_parquet(file: IO[bytes], columns: Sequence[Column], batches: Iterable[Rows]) -> None:
    """Write Parquet with typed columns; each says in its metadata what it is."""
    schema = pa.schema([pa.field(c.name, _ARROW[c.kind], metadata={"description": c.help}) for c in columns])
    with pq.ParquetWriter(file, schema) as writer:
        for rows in _regrouped(batches):
            # Column by column: an empty collection has its types too.
            arrays = [
                pa.array([row[place] for row in rows], _ARROW[column.kind])
                for place, column in enumerate(columns)
            ]
            writer.write_table(pa.table(arrays, schema=schema))


def _regrouped(batches: Iterable[Rows]) -> Iterator[Rows]:
    """Larger batches: a row group of a few thousand rows costs more to read than it holds."""
    waiting: list[Sequence[Any]] = []
    for rows in batches:
        waiting.extend(rows)
        if len(waiting) >= ROW_GROUP:
            yield waiting
            waiting = []
    if waiting:
        yield waiting


def write_geojson(file: IO[bytes], columns: Sequence[Column], batches: Iterable[Rows]) -> None:
    """Write GeoJSON (RFC 7946): one feature a row, whose last part is its geometry, or None.

    A place that is not known is null: the row is not dropped.
    """
    file.write(b'{"type": "FeatureCollection", "features": [')
    between = b"\n"
    for rows in batches:
        for *values, shape in rows:
            told = {
                column.name: plain(value, column.kind)
                if column.kind in ("day", "moment") and value
                else value
                for column, value in zip(columns, values, strict=True)
            }
            feature = {"type": "Feature", "geometry": shape, "properties": told}
            file.write(between + json.dumps(feature, ensure_ascii=False, allow_nan=False).encode())
            between = b",\n"
    file.write(b"\n]}\n")
