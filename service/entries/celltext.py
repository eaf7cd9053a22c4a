"""The text of one cell, read by the type of its column."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import Any

from service.characters import UNSEEN
from service.entries.columns import LONGEST_CELL, Column, Type

NONE = "none"  # an amount that the source does not give
_NUMBER = re.compile(r"-?(0|[1-9][0-9]{0,14})(\.[0-9]{1,15})?")
_NEARLY = re.compile(r"[-+]?[.,]?[0-9][0-9.,_ ]*([eE][-+]?[0-9]+)?%?")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


class WrongCellError(ValueError):
    """A cell that cannot be read: what, expected, fix."""


def read_cell(text: str, column: Column) -> Any:
    """Read the text of one cell by its column's type."""
    if len(text) > LONGEST_CELL:
        raise WrongCellError(f"{len(text)} characters", f"at most {LONGEST_CELL}", "shorten it")
    if found := UNSEEN.search(text.replace("\n", " ") if column.long else text):
        raise WrongCellError(
            f"the invisible character U+{ord(found[0]):04X}",
            "letters, digits, signs and spaces that can be seen",
            "delete the text and type it again",
        )  # fmt: skip
    return _READERS[column.type](text)


def _number(text: str) -> float | int:
    if not _NUMBER.fullmatch(text):
        raise WrongCellError(
            f"{text!r} is no number", "a number such as 12, 1000 or 0.5",
            "write it plainly, with a decimal point",
        )  # fmt: skip
    return float(text) if "." in text else int(text)


def _whole(text: str) -> float | int:
    if "." in text:
        raise WrongCellError(
            f"{text!r} is no whole number", "a number such as 2026", "write it without a point"
        )
    return _number(text)


def _amount(text: str) -> float | int | str | None:
    if text == NONE:
        return None
    return _number(text) if _NEARLY.fullmatch(text) else text


def _yes_no(text: str) -> bool:
    if text not in ("yes", "no"):
        raise WrongCellError(f"{text!r} is neither yes nor no", "yes, no or nothing", "write one of them")
    return text == "yes"


def _day(text: str) -> date:
    try:
        if _DAY.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise WrongCellError(f"{text!r} is no day", "a day such as 2026-01-31", "write year-month-day")


def _list(text: str) -> tuple[str, ...]:
    return tuple(part for each in text.split(";") if (part := each.strip()))


def _crops(text: str) -> tuple[str, ...] | str:
    return "any" if text == "any" else _list(text)


_READERS: dict[Type, Callable[[str], Any]] = {
    "text": str, "number": _number, "whole": _whole, "day": _day, "yes-no": _yes_no, "list": _list,
    "crops": _crops, "amount": _amount,
}  # fmt: skip
