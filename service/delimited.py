"""Delimited text into a grid: strict encoding, strict quotation marks, no guess about anything."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from contextlib import suppress

from interpretation.errors import FurrowsliceError
from service.grids import Grid
from service.layout import DELIMITERS, Dialect

_BOM = b"\xef\xbb\xbf"


def read_text(data: bytes, source: str, dialect: Dialect, refuse_with: type[FurrowsliceError]) -> Grid:
    """Split delimited text into cells.

    Parameters
    ----------
    data
        The whole file.
    source
        Its name, for messages.
    dialect
        Declares encoding, delimiter and lines to skip.
    refuse_with
        Error class.

    Returns
    -------
    Grid
        Every cell as text; lines may end in CR, LF or both, mixed.

    Raises
    ------
    FurrowsliceError
        ``refuse_with``, with file and row, for bytes that are not text in the declared encoding, open
        quotation marks, and more rows, columns or letters than a run has.
    """
    text = _decode(data, source, dialect, refuse_with)
    if dialect.skip_lines:
        text = "".join(list(io.StringIO(text, newline=""))[dialect.skip_lines :])
    rows, numbers = _split(text, source, dialect, refuse_with)
    grid = Grid(source, rows, numbers, refuse_with, separator=dialect.delimiter)
    grid.check_size()
    grid.check_characters(text)
    return grid


def _decode(data: bytes, source: str, dialect: Dialect, refuse_with: type[FurrowsliceError]) -> str:
    def refuse(what: str, at: int, expected: str, fix: str) -> FurrowsliceError:
        line = data.count(b"\n", 0, at) + 1
        place = at - (data.rfind(b"\n", 0, at) + 1)
        return refuse_with(
            what, where=f"{source}, row {line}, byte {place + 1} of the row", expected=expected, fix=fix
        )

    encoding = dialect.encoding
    if data.startswith(_BOM) and encoding != "utf-8-sig":
        raise refuse(
            "the file starts with the byte order mark of UTF-8", 0, f"text in {encoding}, as declared",
            "declare 'encoding: utf-8-sig' in the layout",
        )  # fmt: skip
    if (nul := data.find(b"\0")) >= 0:
        raise refuse(
            "a zero byte: the file is not text", nul, f"text in {encoding}", "export the file as CSV in UTF-8"
        )
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        raise refuse(
            f"the byte 0x{data[error.start]:02X} is not {encoding}", error.start,
            f"text in {encoding}, as declared",
            "declare the file's own encoding in the layout (often cp1252 where UTF-8 was expected), "
            "or export it in UTF-8",
        ) from None  # fmt: skip
    if not encoding.startswith("utf-8") and not data.isascii() and (at := _utf8(data)) is not None:
        raise refuse(
            "the file is UTF-8 text", at, f"text in {encoding}, as declared",
            "declare 'encoding: utf-8' in the layout",
        )  # fmt: skip
    return text


def _utf8(data: bytes) -> int | None:
    """Where the first non-ASCII character starts, when the bytes are UTF-8: rarely so by accident."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return None
    first = next(i for i, character in enumerate(text) if not character.isascii())
    return len(text[:first].encode())


def _split(
    text: str, source: str, dialect: Dialect, refuse_with: type[FurrowsliceError]
) -> tuple[list[list[str]], Sequence[int]]:
    """Rows of cells, and the line on which each begins."""
    if '"' not in text:  # then every line is one row
        lines = io.StringIO(text, newline="")
        with suppress(csv.Error):  # said in words below
            rows = list(csv.reader(lines, delimiter=DELIMITERS[dialect.delimiter], strict=True))
            return rows, range(dialect.skip_lines + 1, dialect.skip_lines + 1 + len(rows))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=DELIMITERS[dialect.delimiter], strict=True)
    rows, numbers = [], []
    begins = dialect.skip_lines + 1
    try:
        for row in reader:
            rows.append(row)
            numbers.append(begins)
            begins = dialect.skip_lines + reader.line_num + 1
    except csv.Error as error:
        raise refuse_with(
            f"the row cannot be split into cells: {error}", where=f"{source}, row {begins}",
            expected="a quotation mark at both ends of a cell, doubled inside it",
            fix="close or remove the quotation mark",
        ) from None  # fmt: skip
    return rows, numbers
