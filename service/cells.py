"""Strict parsers: one column of text in, one array or list of typed values out.

A number is ``-?digits`` with at most one decimal mark, the declared one. No thousands marks, no digits of
other scripts, no underscores, no ``nan`` or ``inf``, no exponent unless declared: ``float`` would take
most of these in silence. Whatever does not fit is refused with file, row, column and what was seen.

A workbook's typed number comes here as the text of exactly the number that is stored. In a column of
identifiers a whole number is taken as its digits; leading zeros that were never stored cannot come back,
and a number shown through a number format (``0012`` stored as 12), a number with decimals or a date is
refused: such a column has to be formatted as text before it is typed.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from datetime import date
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from interpretation.errors import FurrowsliceError
from service.grids import Column, fold
from service.layout import MARKS, Dialect, Layout

MAX_ID = 64
ID_SHAPE = (
    f"a letter or digit, then letters, digits, spaces and . _ - / # (no accents), at most {MAX_ID} characters"
)
METHOD_ID = re.compile(r"[a-z0-9][a-z0-9.:-]*")
_ID = re.compile(rf"[A-Za-z0-9][A-Za-z0-9._/# -]{{0,{MAX_ID - 1}}}")


# Compiled once per declaration; ``re`` keeps only so many patterns itself.
@lru_cache
def _number(decimal: str, exponent: bool) -> re.Pattern[str]:
    tail = "(?:[eE][+-]?[0-9]{1,3})?" if exponent else ""
    return re.compile(rf"-?[0-9]+(?:{re.escape(MARKS[decimal])}[0-9]+)?{tail}")


@lru_cache
def _date(dates: str) -> re.Pattern[str]:
    pattern = re.escape(dates).replace("YYYY", "(?P<year>[0-9]{4})")
    return re.compile(pattern.replace("MM", "(?P<month>[0-9]{2})").replace("DD", "(?P<day>[0-9]{2})"))


@lru_cache
def _blank(blank_cells: tuple[str, ...]) -> frozenset[str]:
    return frozenset(map(fold, ("", *blank_cells)))


def _number_pattern(dialect: Dialect) -> re.Pattern[str]:
    return _number(dialect.decimal, dialect.exponent)


def is_blank(cell: str, dialect: Dialect) -> bool:
    """Whether a cell says that there is no value."""
    return not cell or fold(cell) in _blank(dialect.blank_cells)


def numbers(column: Column, dialect: Dialect, *, required: bool = False) -> NDArray[np.float64]:
    """Read a column of numbers; blank cells are NaN.

    Parameters
    ----------
    column
        Cells as text, shape (rows,).
    dialect
        Declares decimal mark, exponent and blank words.
    required
        Refuse blank cells.

    Returns
    -------
    numpy.ndarray
        float64, shape (rows,).

    Raises
    ------
    FurrowsliceError
        The file's own error, with row and column.
    """
    match, mark = _number_pattern(dialect).fullmatch, MARKS[dialect.decimal]
    cells = column.cells
    written = set(cells)  # most columns repeat a few texts
    if column.grid.stored or not all(map(match, filter(None, written))) or (required and "" in written):
        cells = ["" if is_blank(cell, dialect) else cell for cell in cells]
        for index, cell in enumerate(cells):
            _check_number(column, index, cell, dialect, required)
    if mark != ".":
        cells = [cell.replace(mark, ".") for cell in cells]
    known = {cell: float(cell) if cell else np.nan for cell in set(cells)}
    values = np.array([known[cell] for cell in cells])
    if np.isinf(values).any():
        index = int(np.isinf(values).argmax())
        raise column.refuse(
            index, f"{_seen(cells[index])} is too large", expected="a number", fix="correct the cell"
        )
    return values


def _check_number(column: Column, index: int, cell: str, dialect: Dialect, required: bool) -> None:
    if not cell:
        if required:
            raise column.refuse(index, "the cell is empty", expected="a number", fix="fill the cell in")
        return
    stored = column.stored(index)
    if stored in ("date", "date and time", "yes/no"):
        raise column.refuse(
            index, f"the workbook holds a {stored}, {_seen(cell)}, not a number", expected="a number",
            fix="format the column as number and type the value again",
        )  # fmt: skip
    if _number_pattern(dialect).fullmatch(cell):
        return
    raise column.refuse(
        index, f"{_seen(cell)} is not a number",
        expected=f"a number such as 12{MARKS[dialect.decimal]}5, decimal mark '{MARKS[dialect.decimal]}', "
        "no thousands mark",
        fix=_advice(cell, dialect),
    )  # fmt: skip


def _advice(cell: str, dialect: Dialect) -> str:
    """What most likely has to change for this cell, in the file or in the layout."""
    plain = r"-?[0-9]+(?:{}[0-9]+)?"
    if cell[:1] in "<>":
        return _or_declare("write a number, or exclude the cup", "less_than (for concentrations)", dialect)
    if dialect.decimal == "point" and re.fullmatch(plain.format(","), cell):
        return _or_declare("write a decimal point", "'decimal: comma'", dialect)
    if dialect.decimal == "comma" and re.fullmatch(plain.format(r"\."), cell):
        return _or_declare("write a decimal comma", "'decimal: point'", dialect)
    if re.fullmatch(r"-?[0-9]+(?:[.,][0-9]+)?[eE][+-]?[0-9]+", cell):
        return _or_declare("write the number without an exponent", "'exponent: yes'", dialect)
    if re.fullmatch(r"[A-Za-z/.-]+", cell):
        return _or_declare("leave the cell empty", "the word in blank_cells", dialect)
    return "write the number in plain digits 0-9"


def _or_declare(fix: str, declaration: str, dialect: Dialect) -> str:
    """A layout can be changed; the format of our own lists cannot."""
    return f"{fix}, or declare {declaration} in the layout" if isinstance(dialect, Layout) else fix


def limits(column: Column, dialect: Dialect) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Read a column that may hold limits such as ``<0.05``, when the dialect declares the sign.

    Returns
    -------
    values, below
        float64, shape (rows,): the numbers, and the limits; each NaN where the other is given.
    """
    sign = dialect.less_than
    censored = [bool(sign) and cell.startswith(sign) for cell in column.cells]
    if not any(censored):
        return numbers(column, dialect), np.full(len(column.cells), np.nan)
    bare = [cell[len(sign) :].lstrip() if c else cell for cell, c in zip(column.cells, censored, strict=True)]
    for index, is_limit in enumerate(censored):
        if is_limit and not _number_pattern(dialect).fullmatch(bare[index]):
            raise column.refuse(
                index, f"{_seen(column.cells[index])} is not a limit", expected=f"such as {sign}0"
                f"{MARKS[dialect.decimal]}05", fix=f"write a number behind {sign}",
            )  # fmt: skip
    found = numbers(Column(column.grid, column.indices, column.number, column.title, bare), dialect)
    is_limit_ = np.array(censored)
    return np.where(is_limit_, np.nan, found), np.where(is_limit_, found, np.nan)


def whole_numbers(column: Column) -> NDArray[np.int64]:
    """Read a column of whole numbers from 0 to 999 999 999; no cell may be blank."""
    for index, cell in enumerate(column.cells):
        if not (cell.isascii() and cell.isdigit() and len(cell) <= 9):
            raise column.refuse(
                index, f"{_seen(cell)} is not a whole number" if cell else "the cell is empty",
                expected="a whole number such as 12", fix="correct the cell",
            )  # fmt: skip
    return np.array([int(cell) for cell in column.cells], dtype=np.int64)


def ids(column: Column, *, required: bool = False) -> list[str]:
    """Read a column of identifiers as they are written: ``0012``, ``1E5`` and ``NA`` stay text.

    Only a cell without content is blank, whatever words the layout declares. A cell that a spreadsheet
    program would take for a formula (``=``, ``+``, ``-``, ``@`` in front) is no identifier.
    """
    cells = column.cells
    if not column.grid.stored and all(map(_ID.fullmatch, filter(None, set(cells)))):
        bad = None
    else:
        bad = next((i for i, cell in enumerate(cells) if _bad_id(column, i, cell)), None)
    if bad is not None:
        raise _refuse_id(column, bad)
    if required and "" in cells:
        raise column.refuse(
            cells.index(""), "the cell is empty", expected="an identifier", fix="fill the cell in"
        )
    return cells


def _bad_id(column: Column, index: int, cell: str) -> bool:
    return bool(cell) and (column.stored(index) not in (None, "whole number") or not _ID.fullmatch(cell))


def _refuse_id(column: Column, index: int) -> FurrowsliceError:
    cell, stored = column.cells[index], column.stored(index)
    if stored not in (None, "whole number"):
        return column.refuse(
            index, f"the workbook holds a {stored}, {_seen(cell)}, where an identifier belongs",
            expected="an identifier stored as text",
            fix="format the column as text, then type the identifiers again as they are on the sample",
        )  # fmt: skip
    return column.refuse(
        index, f"{_seen(cell)} is not an identifier", expected=ID_SHAPE, fix="rename the cup or sample"
    )


def names(column: Column, *, required: bool = False, longest: int = 200) -> list[str]:
    """Read a column of names and remarks: runs of spaces and line ends become one space, accents one form."""
    known = {cell: _clean(cell) for cell in set(column.cells)}
    cleaned = [known[cell] for cell in column.cells]
    if all(len(cell) <= longest and (cell or not required) for cell in known.values()):
        return cleaned
    for index, cell in enumerate(cleaned):
        if len(cell) > longest or (required and not cell):
            raise column.refuse(
                index, f"a text of {len(cell)} characters" if cell else "the cell is empty",
                expected=f"a text of at most {longest} characters", fix="shorten it or fill it in",
            )  # fmt: skip
    return cleaned


def _clean(cell: str) -> str:
    return " ".join((cell if cell.isascii() else unicodedata.normalize("NFC", cell)).split())


def dates(column: Column, dialect: Dialect, *, required: bool = False) -> NDArray[np.datetime64]:
    """Read a column of days in the declared format; blank cells are NaT.

    Returns
    -------
    numpy.ndarray
        datetime64[us], shape (rows,).
    """
    first: dict[tuple[str, str | None], int] = {}
    places = [first.setdefault((cell, column.stored(i)), i) for i, cell in enumerate(column.cells)]
    days = {i: np.datetime64(_day(column, i, dialect, required) or "NaT", "us") for i in first.values()}
    return np.array([days[i] for i in places], "datetime64[us]")


def _day(column: Column, index: int, dialect: Dialect, required: bool) -> date | None:
    cell = column.cells[index]
    if is_blank(cell, dialect) and not required:
        return None
    stored = column.stored(index)
    day = parse_day(cell, dialect) if stored in (None, "date") else None
    if day is None:
        seen = f"{_seen(cell)} (stored as {stored})" if stored else _seen(cell)
        raise column.refuse(
            index, f"{seen} is not a day" if cell else "the cell is empty",
            expected=f"a day written {dialect.dates}, from 1950 to 2100",
            fix=_or_declare("correct the cell", "'dates'", dialect),
        )  # fmt: skip
    return day


def parse_day(text: str, dialect: Dialect) -> date | None:
    """The day a text says in the declared format, or ``None``."""
    found = _date(dialect.dates).fullmatch(text)
    if not found:
        return None
    year, month, day = (int(found[part]) for part in ("year", "month", "day"))
    try:
        return date(year, month, day) if 1950 <= year <= 2100 else None
    except ValueError:
        return None


def yes_no(column: Column, dialect: Dialect) -> NDArray[np.bool_]:
    """Read a column of the declared words for yes and no; a blank cell is no."""
    said: NDArray[np.bool_] = yes_no_unknown(column, dialect) == 1
    return said


def yes_no_unknown(column: Column, dialect: Dialect) -> NDArray[np.float64]:
    """Read a column of the declared words for yes and no as 1 and 0; a blank cell is NaN."""
    if not any(column.cells):
        return np.full(len(column.cells), np.nan)
    meanings = {fold(word): "1" for word in dialect.yes} | {fold(word): "0" for word in dialect.no}
    meanings |= dict.fromkeys(_blank(dialect.blank_cells), "nan")
    said = words(column, meanings, "yes or no", fix=_or_declare("correct the cell", "the word", dialect))
    return np.array(said, dtype=np.float64)


def words(
    column: Column, meanings: Mapping[str, str], what: str, *, fix: str = "correct the cell"
) -> list[str]:
    """Read a column of known words.

    Parameters
    ----------
    column
        Cells as text.
    meanings
        Folded word (see :func:`service.grids.fold`) to what it means.
    what, fix
        What the words are and how to mend one, for the message.
    """
    known = {cell: meanings.get(fold(cell)) for cell in set(column.cells)}
    if None in known.values():
        index = next(i for i, cell in enumerate(column.cells) if known[cell] is None)
        cell = column.cells[index]
        shown = (key if fold(key) == word else word for word, key in meanings.items())  # dS/m, not ds/m
        raise column.refuse(
            index, f"{_seen(cell)} is not a known word" if cell else "the cell is empty",
            expected=f"{what}: {', '.join(filter(None, shown))}",
            fix=fix,
        )  # fmt: skip
    return [str(known[cell]) for cell in column.cells]


def check_range(
    column: Column, values: NDArray[np.float64], low: float, high: float, *, open_low: bool = False
) -> None:
    """Refuse numbers outside ``[low, high]``, or ``(low, high]``; NaN passes."""
    wrong = (values <= low if open_low else values < low) | (values > high)
    if wrong.any():
        index = int(wrong.argmax())
        raise column.refuse(
            index, f"{column.cells[index]} is out of range",
            expected=f"a number {f'above {low:g}, up' if open_low else f'from {low:g}'} to {high:g}",
            fix="correct the cell; check the unit in the column's name",
        )  # fmt: skip


def refuse_repeated(column: Column, keys: Sequence[tuple[str, ...]], what: str) -> None:
    """Refuse the second of two rows with the same key, and name both rows."""
    first: dict[tuple[str, ...], int] = {}
    for index, key in enumerate(keys):
        if key in first:
            rows = f"rows {column.row(first[key])} and {column.row(index)}"
            raise column.refuse(
                index, f"{what} {', '.join(key)} is there twice, in {rows}", expected=f"every {what} once",
                fix="remove one of the two rows, or correct the one that is wrong",
            )  # fmt: skip
        first[key] = index


def _seen(cell: str) -> str:
    return repr(cell if len(cell) <= 60 else cell[:57] + "...")
