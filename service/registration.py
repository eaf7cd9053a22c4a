"""What a list of samples may say for registering alone: whose the field is, where, and what is wanted.

Every column is optional. What stands in :data:`OF_THE_SAMPLING` holds for all samples of a field, what
stands in :data:`OF_THE_GROWER` for all rows of a grower; a list in which they differ is not registered.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from reports.format import UNITS
from service import cells
from service.grids import Column, Table, fold
from service.layout import Dialect

REGISTRATION: dict[str, str] = {
    "row": "int64",  # in the file, for messages; no column of it
    "grower_id": "str",  # the laboratory's number of the client, or ""
    "grower_address": "str",
    "grower_telephone": "str",
    "grower_email": "str",
    "language": "str",  # of the reports: a language of the wording, or ""
    "units": "str",  # of the amounts, a word of reports.format.UNITS, or ""
    "mail_consent": "bool",  # blank is no
    "copy_to": "str",  # e-mail address of a dealer or adviser, or ""
    "copy_consent": "bool",
    "county": "str",  # id of a county of this server, or ""
    "other_crops": "str",  # ids of further crops a report is wanted for, separated by ';'
    "tillage": "str",
    "irrigated": "float64",  # 1 yes, 0 no, NaN not known
    "limed_in_two_years": "float64",
    "tests_wanted": "str",
    "longitude": "float64",  # of the sample, degrees, WGS 84; NaN when not known
    "latitude": "float64",
}
COLUMNS = tuple(name for name in REGISTRATION if name != "row")
OF_THE_GROWER = (
    "grower_address", "grower_telephone", "grower_email", "language", "units", "mail_consent", "copy_to",
    "copy_consent",
)  # fmt: skip
OF_THE_SAMPLING = ("county", "other_crops", "tillage", "irrigated", "limed_in_two_years", "tests_wanted")
MOST_OTHER_CROPS = 2
LONGEST = {"grower_telephone": 40, "grower_email": 254, "copy_to": 254, "tests_wanted": 500}
_WORDS = {"language": ("en", "es"), "units": UNITS}
_EMAIL = re.compile(r"[^@\s,;<>\"]+@[^@\s,;<>\".]+(?:\.[^@\s,;<>\".]+)+")
_PLACES = {"longitude": 180.0, "latitude": 90.0}


def registration_columns(table: Table, dialect: Dialect) -> dict[str, Any]:
    """Read the columns of :data:`REGISTRATION`; what is not there is blank.

    Raises
    ------
    FurrowsliceError
        The file's own error, with row and column.
    """
    columns: dict[str, Any] = {"row": np.array(table.rows, np.int64)}
    for name in COLUMNS:
        columns[name] = _column(table, name, dialect)
    _check_places(table, columns)
    return columns


def is_email(text: str) -> bool:
    """Whether a text has the shape of an e-mail address.

    Examples
    --------
    >>> [is_email(text) for text in ("e.rowe@soil.example", "e.rowe", "a@b", "a@b.example, c@d.example")]
    [True, False, False, False]
    """
    return bool(_EMAIL.fullmatch(text))


def _column(table: Table, name: str, dialect: Dialect) -> Any:
    kind = REGISTRATION[name]
    if not table.has(name):
        missing = {"str": "", "float64": np.nan, "bool": False}[kind]
        return np.full(len(table.indices), missing)
    column = table.column(name)
    if name in ("grower_id", "county"):
        return cells.ids(column)
    if name in _WORDS:
        return cells.words(column, {"": "", **{fold(word): word for word in _WORDS[name]}}, name)
    if name in _PLACES:
        values = cells.numbers(column, dialect)
        cells.check_range(column, values, -_PLACES[name], _PLACES[name])
        return values
    if kind == "bool":
        return cells.yes_no(column, dialect)
    if kind == "float64":
        return cells.yes_no_unknown(column, dialect)
    texts = cells.names(column, longest=LONGEST.get(name, 200))
    if name in ("grower_email", "copy_to"):
        _check_emails(column, texts)
    if name == "other_crops":
        return _other_crops(column, texts)
    return texts


def _check_emails(column: Column, texts: list[str]) -> None:
    wrong = {text for text in set(texts) if text and not is_email(text)}
    if wrong:
        index = next(i for i, text in enumerate(texts) if text in wrong)
        raise column.refuse(
            index, f"{texts[index]!r} is not an e-mail address",
            expected="one address such as name@farm.example",
            fix="correct the address, or leave the cell empty",
        )  # fmt: skip


def _other_crops(column: Column, texts: list[str]) -> list[str]:
    """Crop ids as they are kept: separated by ';', without blanks, each once."""
    known: dict[str, str] = {}
    for index, text in enumerate(texts):
        if text not in known:
            crops = [part.strip() for part in text.split(";")] if text else []
            if len(crops) > MOST_OTHER_CROPS or "" in crops or len(set(crops)) < len(crops):
                raise column.refuse(
                    index, f"{text!r} is no list of further crops",
                    expected=f"at most {MOST_OTHER_CROPS} different crop ids, separated by ';'",
                    fix="correct the cell, or leave it empty",
                )  # fmt: skip
            known[text] = ";".join(crops)
    return [known[text] for text in texts]


def _check_places(table: Table, columns: dict[str, Any]) -> None:
    half = np.isnan(columns["longitude"]) != np.isnan(columns["latitude"])
    if half.any():
        name = "longitude" if table.has("longitude") else "latitude"
        raise table.column(name).refuse(
            int(half.argmax()), "a place has both a longitude and a latitude, or neither",
            expected="degrees, as -93.62 and 42.03", fix="fill in the other, or empty both",
        )  # fmt: skip
