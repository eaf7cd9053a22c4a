"""One door for every file of cells: text or workbook, by its name, never by a guess."""

from __future__ import annotations

import errno
from pathlib import Path

from interpretation.errors import FurrowsliceError, RunFileError
from service.delimited import read_text
from service.grids import MAX_BYTES, Grid
from service.layout import Dialect
from service.spreadsheet import read_workbook

# First bytes of what people send by mistake.
_SIGNATURES = {
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"%PDF": "a PDF page",
    b"PK\x03\x04": "a workbook or another zip archive",
    b"\xd0\xcf\x11\xe0": "a workbook of the old binary kind, or one with a password",
    b"\x1f\x8b": "a compressed archive",
    b"\xff\xfe": "UTF-16 text",
    b"\xfe\xff": "UTF-16 text",
}
_WORKBOOKS = (".xlsx", ".xlsm", ".xltx", ".xltm", ".xls", ".xlsb", ".ods")


def read_grid(path: Path, dialect: Dialect, refuse_with: type[FurrowsliceError] = RunFileError) -> Grid:
    """Read the cells of a file as text.

    A name that ends like a workbook's is read as one, every other name as delimited text.

    Parameters
    ----------
    path
        The file, at most 10 MiB.
    dialect
        How it writes its cells.
    refuse_with
        Error class of whatever is wrong with the file.
    """
    data = _read_bytes(path, refuse_with)
    if path.suffix.lower() in _WORKBOOKS:
        return read_workbook(data, path.name, dialect, refuse_with)
    for signature, kind in _SIGNATURES.items():
        if data.startswith(signature):
            raise refuse_with(
                f"the file is {kind}, not delimited text", where=f"{path.name}, row 1",
                expected="text with one row a line, or a workbook whose name ends in .xlsx",
                fix="export it as CSV in UTF-8, or give a workbook its own ending",
            )  # fmt: skip
    return read_text(data, path.name, dialect, refuse_with)


def _read_bytes(path: Path, refuse_with: type[FurrowsliceError]) -> bytes:
    try:
        if not path.is_file():  # also keeps out folders, and pipes that never end
            raise OSError(errno.EINVAL, "it is no file" if path.exists() else "there is no such file")
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise refuse_with(
            f"the file cannot be read: {error.strerror}", where=str(path), expected="a file of cells",
            fix="check the path and the right to read it",
        ) from None  # fmt: skip
    if len(data) > MAX_BYTES:
        raise refuse_with(
            f"the file is larger than {MAX_BYTES // 1024**2} MiB", where=path.name,
            expected="one run or one list of samples", fix="check that it is the right file, or split it",
        )  # fmt: skip
    if not data:
        raise refuse_with(
            "the file is empty", where=f"{path.name}, row 1",
            expected="a row of column titles, then one row a cup or sample", fix="export the file again",
        )  # fmt: skip
    return data
