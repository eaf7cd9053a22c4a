"""What a file holds, and what keeps entries from being written into one."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from interpretation.errors import TableError
from service.characters import UNSEEN
from service.entries.columns import KINDS
from service.entries.entry import Cell, Entry

Form = Literal["xlsx", "csv", "yaml"]
# Beside what cannot be seen, what XML has no way to write.
_UNWRITTEN = re.compile(f"{UNSEEN.pattern}|[\ufffe\uffff]")
LONGEST_TEXT = 32_000  # of one cell; a worksheet takes no more than 32,767 characters


@dataclass(frozen=True)
class Book:
    """What a file says.

    Attributes
    ----------
    region
        Whose tables they are; empty where the file does not say.
    entries
        Without numbers, by kind and id.
    """

    region: str
    entries: tuple[Entry, ...]


def called(entry: Entry) -> str:
    """An entry as a message names it."""
    return f"{entry.kind} {entry.id or '(without an id)'}"


def in_order(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Entries by kind and id, and without numbers: the order in which every form has them."""
    plain = (each.model_copy(update={"number": 0}) for each in entries)
    return tuple(sorted(plain, key=lambda each: (KINDS.index(each.kind), each.id)))


def check_writable(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Put entries in order, and refuse what no file can hold so that it is read as the same again.

    Raises
    ------
    TableError
        If an entry has no id or one that another of its kind has, or a cell holds what cannot be seen, or is
        longer than a cell can be.
    """
    ordered = in_order(entries)
    told: set[tuple[str, str]] = set()
    for each in ordered:
        if not each.id or (each.kind, each.id) in told:
            what = (
                f"two of the {each.kind} have the id {each.id!r}"
                if each.id
                else f"one of the {each.kind} has no id"
            )
            raise TableError(
                what, where=called(each), expected="an id of its own for each",
                fix="give it one, then take the file again",
            )  # fmt: skip
        told.add((each.kind, each.id))
        for cell, text in cells_of(each):
            _check_text(text, f"{called(each)}, {cell.name}")
    return ordered


def cells_of(entry: Entry) -> Iterable[tuple[Cell, str]]:
    """Every cell of an entry that holds something."""
    yield from ((Cell(name), text) for name, text in entry.facts.items())
    for sheet, rows in entry.rows.items():
        for number, row in enumerate(rows):
            yield from ((Cell(name, sheet, number), text) for name, text in row.items())


def _check_text(text: str, where: str) -> None:
    if len(text) > LONGEST_TEXT:
        raise TableError(
            f"a cell of {len(text)} characters", where=where, expected=f"at most {LONGEST_TEXT}",
            fix="shorten it",
        )  # fmt: skip
    if found := _UNWRITTEN.search(text):
        raise TableError(
            f"the invisible character U+{ord(found[0]):04X}", where=where,
            expected="letters, digits, signs and spaces that can be seen",
            fix="delete the text and type it again",
        )  # fmt: skip
