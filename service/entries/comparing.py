"""What differs between two sets of entries: record by record, cell by cell."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from service.entries.columns import FACTS, KINDS, ROWS, Kind
from service.entries.entry import Entry, Row

What = Literal["added", "removed", "changed"]
# By which cells a row is known again, sheet by sheet.
_KEYS = {
    "classes": ("name",), "amounts": ("class", "from"), "constants": ("name",),
    "credits": ("key", "previous_crop"), "soil_groups": ("word",),
}  # fmt: skip


@dataclass(frozen=True)
class CellChange:
    """One cell before and after. ``sheet`` is "" for what is said once; ``row`` is what the row is known by.

    A row that moved among its neighbours and says the same has the column ``order``.
    """

    sheet: str
    row: str
    column: str
    before: str
    after: str


@dataclass(frozen=True)
class RecordChange:
    """One record that differs."""

    kind: Kind
    id: str
    title: str
    what: What
    cells: tuple[CellChange, ...]


def compare(before: Iterable[Entry], after: Iterable[Entry]) -> tuple[RecordChange, ...]:
    """Find what differs, in the order of kinds and ids.

    A record is known again by its kind and id: one that was renamed is one removed and one added.
    """
    old = {(each.kind, each.id): each for each in before}
    new = {(each.kind, each.id): each for each in after}
    changes = []
    for key in sorted(old.keys() | new.keys(), key=lambda key: (KINDS.index(key[0]), key[1])):
        one, other = old.get(key), new.get(key)
        cells = tuple(_cells(one, other, key[0]))
        if not cells and one and other:
            continue
        what: What = "changed" if one and other else "added" if other else "removed"
        facts = (other or one or Entry(kind=key[0])).facts
        changes.append(RecordChange(key[0], key[1], facts.get("title") or facts.get("name", ""), what, cells))
    return tuple(changes)


def _cells(one: Entry | None, other: Entry | None, kind: Kind) -> Iterator[CellChange]:
    old, new = one.facts if one else {}, other.facts if other else {}
    for column in FACTS[kind]:
        was, now = old.get(column.name, ""), new.get(column.name, "")
        if was != now:
            yield CellChange("", "", column.name, was, now)
    for sheet, columns in ROWS[kind].items():
        names = [column.name for column in columns]
        yield from _rows(sheet, names, one.rows.get(sheet, ()) if one else (),
                         other.rows.get(sheet, ()) if other else ())  # fmt: skip


def _rows(sheet: str, names: Sequence[str], old: Sequence[Row], new: Sequence[Row]) -> Iterator[CellChange]:
    was, now = _by_key(sheet, old), _by_key(sheet, new)
    for key in (*was, *(each for each in now if each not in was)):
        for name in names:
            before, after = was.get(key, {}).get(name, ""), now.get(key, {}).get(name, "")
            if before != after:
                yield CellChange(sheet, key, name, before, after)
    kept = [key for key in was if key in now]
    if kept != [key for key in now if key in was]:
        yield CellChange(sheet, "", "order", "; ".join(was), "; ".join(now))


def _by_key(sheet: str, rows: Sequence[Row]) -> dict[str, Mapping[str, str]]:
    """Rows by what they are known by; of two that share it the second is told apart by its place."""
    found: dict[str, Mapping[str, str]] = {}
    for number, row in enumerate(rows, 1):
        key = ", ".join(text for name in _KEYS[sheet] if (text := row.get(name, ""))) or f"row {number}"
        found[key if key not in found else f"{key} (row {number})"] = row
    return found
