"""A workbook (.xlsx) into a grid, opened by a process of its own that cannot do harm.

Before anything is unpacked the archive's table of contents is checked: how much it says it unpacks to,
how many parts it has, whether it carries macros or a password. ``service.sheet_worker`` then reads it under
limits on memory and time.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile
from typing import Any

from interpretation.errors import FurrowsliceError
from service.grids import Grid, Stored
from service.layout import MARKS, Dialect

MAX_UNPACKED, MAX_RATIO, MAX_MEMBERS = 100 * 1024 * 1024, 100, 200
_WALL_SECONDS = 60
_EXPECTED = "a plain workbook (.xlsx) with one table"
_EXPORT = "save it as a plain .xlsx workbook, or export it as CSV"
# Number of a row; of each of its cells how it is stored, and its text.
Cells = list[tuple[int, list[tuple[str, str]]]]


def read_workbook(data: bytes, source: str, dialect: Dialect, refuse_with: type[FurrowsliceError]) -> Grid:
    """Read one sheet of a workbook.

    Parameters
    ----------
    data
        The whole file.
    source
        Its name, for messages.
    dialect
        Names the sheet, and the marks that numbers and days are written with as text.
    refuse_with
        Error class.

    Returns
    -------
    Grid
        Every cell as text. A typed number is the text of exactly the number stored, a typed day is
        written in the dialect's own format; ``stored`` says which cells they were.
    """

    answer = _answer(data, dialect.sheet, source, refuse_with)
    grid = _grid(answer, source, dialect, refuse_with)
    grid.check_size()
    grid.check_characters()
    return grid


def read_sheets(data: bytes, source: str, refuse_with: type[FurrowsliceError]) -> dict[str, Cells]:
    """Read every sheet of a workbook that holds what was typed and no formulas.

    Parameters
    ----------
    data, source, refuse_with
        As for :func:`read_workbook`.

    Returns
    -------
    dict
        Rows that are not empty, by the name of their sheet. A typed number is the text of exactly the number
        stored, a typed day is written as 2026-01-31.
    """
    answer = _answer(data, None, source, refuse_with)
    return {
        each["sheet"]: [(row, [(kind, text) for kind, text in cells]) for row, cells in each["rows"]]
        for each in answer["sheets"]
    }


def _answer(
    data: bytes, sheet: str | None, source: str, refuse_with: type[FurrowsliceError]
) -> dict[str, Any]:
    def refuse(what: str, place: str = "", fix: str = _EXPORT) -> FurrowsliceError:
        where = f"{source}, {place}" if place else source
        return refuse_with(what, where=where, expected=_EXPECTED, fix=fix)

    if problem := _problem(data):
        raise refuse(problem)
    answer = _ask_worker(data, sheet)
    if answer is None:
        raise refuse("the workbook is damaged, or needs more memory or time than any run does")
    if "refused" in answer:
        refused = answer["refused"]
        raise refuse(refused["what"], refused["place"], refused["fix"])
    return answer


def _problem(data: bytes) -> str:
    """What keeps the archive from being opened at all, or nothing."""
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        return "the workbook is of the old binary kind (.xls), or has a password"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return "the file is not a workbook"
    names = {member.filename.lower() for member in members}
    unpacked = sum(member.file_size for member in members)
    if len(members) > MAX_MEMBERS or len(names) != len(members):
        return f"the archive has more than {MAX_MEMBERS} parts, or two of one name"
    if unpacked > MAX_UNPACKED or unpacked > MAX_RATIO * len(data):
        return f"the archive unpacks to {unpacked} bytes from {len(data)}"
    if any(member.flag_bits & 0x1 for member in members):
        return "the archive has a password"
    if any(name.endswith(".bin") and "vba" in name for name in names):
        return "the workbook carries macros"
    if "xl/workbook.xml" not in names:
        return "the archive is not an .xlsx workbook"
    return ""


def _ask_worker(data: bytes, sheet: str | None) -> dict[str, Any] | None:
    command = [sys.executable, "-I", "-m", "service.sheet_worker"]
    command += ["every"] if sheet is None else ["one", sheet]
    # No environment: nothing to leak. One thread: each would reserve memory of the worker's allowance.
    environment = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    try:
        done = subprocess.run(  # noqa: S603 - our own module; the workbook goes to its standard input
            command, input=data, capture_output=True, timeout=_WALL_SECONDS, check=False, env=environment
        )
        answer = json.loads(done.stdout) if done.returncode == 0 else None
    except (subprocess.TimeoutExpired, json.JSONDecodeError):
        return None
    return answer if isinstance(answer, dict) else None


def _grid(answer: dict[str, Any], source: str, dialect: Dialect, refuse_with: type[FurrowsliceError]) -> Grid:
    answered = [row for row in answer["rows"] if row[0] > dialect.skip_lines]
    last = answered[-1][0] if answered else dialect.skip_lines
    numbers = range(dialect.skip_lines + 1, last + 1)
    width = max((len(cells) for _, cells in answered), default=0)
    rows: list[list[str]] = [[] for _ in numbers]  # a row without content is empty, as in a text file
    stored: dict[tuple[int, int], Stored] = {}
    for number, cells in answered:
        index = number - dialect.skip_lines - 1
        rows[index] = [_text(kind, text, dialect) for kind, text in cells] + [""] * (width - len(cells))
        stored |= {(index, column): kind for column, (kind, _) in enumerate(cells) if kind != "text"}
    return Grid(source, rows, numbers, refuse_with, sheet=answer["sheet"], stored=stored)


def _text(kind: str, text: str, dialect: Dialect) -> str:
    """A typed cell as the dialect would write it."""
    if kind == "number":
        return text.replace(".", MARKS[dialect.decimal])
    if kind == "yes/no":
        return (dialect.yes if text == "yes" else dialect.no)[0]
    if kind == "date":
        year, month, day = text.split("-")
        return dialect.dates.replace("YYYY", year).replace("MM", month).replace("DD", day)
    return text
