"""The history of a region's tables: its releases and their days, whether the chain is whole, what differs."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Literal

from interpretation.agronomy.tables import TableSet
from service.books import SHARED, Written, canonical
from service.callers import Caller, Right
from service.entries.comparing import CellChange, RecordChange, What, compare
from service.entries.writing import entries_of
from service.refusals import Invalid
from service.releases import Content, breaks, content_of
from service.site import Site
from service.store import releases
from service.store.database import Look
from service.store.land import absent
from service.store.releases import ReleaseRow

Standing = Literal["in-force", "later", "past", "never"]


@dataclass(frozen=True)
class Span:
    """When a release is used: from its day until the day on which a newer one takes over (None: no end)."""

    first: date
    until: date | None
    standing: Standing


@dataclass(frozen=True)
class Told:
    """One release with what it says of itself, and when it is used."""

    row: ReleaseRow
    content: Content
    span: Span


@dataclass(frozen=True)
class History:
    """Every release of a book, newest first, and what is wrong with its chain: nothing where it is whole."""

    book: str
    name: str  # of the region; empty for what all regions share
    releases: tuple[Told, ...]
    breaks: tuple[str, ...]


@dataclass(frozen=True)
class OneRelease:
    """One release in full.

    Attributes
    ----------
    tables
        Its records, with what all regions shared when it was published.
    before, after
        Its neighbours in the chain.
    """

    told: Told
    name: str  # of the region; empty for what all regions share
    tables: TableSet
    before: ReleaseRow | None
    after: ReleaseRow | None


@dataclass(frozen=True)
class SharedChange:
    """One record of what all regions share that differs; each key of it stands for a cell."""

    kind: str
    id: str
    title: str
    what: What
    cells: tuple[CellChange, ...]


Changes = tuple[RecordChange, ...] | tuple[SharedChange, ...]


@dataclass(frozen=True)
class Compared:
    """What differs between two releases of a book, and every release that can be chosen."""

    before: Told
    after: Told
    name: str
    releases: tuple[ReleaseRow, ...]
    changes: Changes


@dataclass(frozen=True)
class Used:
    """The release of a book that is used today, and those that will be."""

    now: ReleaseRow | None
    coming: tuple[ReleaseRow, ...]


def spans(rows: Iterable[ReleaseRow], today: date) -> dict[int, Span]:
    """When each release of a book is used, by its id.

    A release is used from the beginning of its day, or from the moment it is published if that is later,
    until any newer one is. One that a newer one overtook before that is never used; one that was published
    and overtaken on one day was used for a part of it.
    """
    found: dict[int, Span] = {}
    until: datetime | None = None
    for row in sorted(rows, key=lambda row: row.number, reverse=True):
        begins = max(row.published_at, datetime.combine(row.effective_on, time(), UTC))
        standing: Standing
        if until is not None and until <= begins:
            standing = "never"
        elif row.effective_on > today:
            standing = "later"
        else:
            standing = "in-force" if until is None or today < until.date() else "past"
        found[row.id] = Span(row.effective_on, until.date() if until else None, standing)
        until = begins if until is None else min(begins, until)
    return found


def used(site: Site, caller: Caller) -> Mapping[str, Used]:
    """Which release of each book the caller may see is used today, and which will be."""
    with site.database.look(caller, Right.READ_TABLES) as look:
        rows, today = releases.every(look), look.now.date()
    of_book: dict[str, list[ReleaseRow]] = {}
    for row in rows:
        if is_seen(look, row.book):
            of_book.setdefault(row.book, []).append(row)
    return {book: _used(found, today) for book, found in of_book.items()}


def history(site: Site, caller: Caller, book: str) -> History:
    """Every release of a region, or of what all regions share.

    Raises
    ------
    NotFound
        If there is none, or the region is not the caller's.
    """
    with site.database.look(caller, Right.READ_TABLES) as look:
        rows = releases.of_book(look, book) if is_seen(look, book) else ()
        if not rows:
            raise absent("region")
        chain = releases.chain(look, book)
        used_on = spans(rows, look.now.date())
    said = {link.number: content_of(link.content) for link in chain}
    told = tuple(Told(row, said[row.number], used_on[row.id]) for row in rows)
    return History(book, _name(told[0].content), told, breaks(chain))


def one(site: Site, caller: Caller, release_id: int) -> OneRelease:
    """One release in full.

    Raises
    ------
    NotFound
        If there is none, or it is another region's.
    """
    with site.database.look(caller, Right.READ_TABLES) as look:
        row = seen(look, release_id)
        rows = releases.of_book(look, row.book)
        told = _told(look, row, spans(rows, look.now.date()))
        shared = tuple(e for e in releases.of_book(look, SHARED) if e.sha256 == told.content.shared)
        by_number = {each.number: each for each in rows}
        return OneRelease(
            told, _name(told.content), site.of_releases(look, (*shared, row)),
            by_number.get(row.number - 1), by_number.get(row.number + 1),
        )  # fmt: skip


def text(site: Site, caller: Caller, release_id: int) -> tuple[ReleaseRow, str]:
    """One release and its canonical JSON, of which the SHA-256 is taken.

    Raises
    ------
    NotFound
        If there is none, or it is another region's.
    """
    with site.database.look(caller, Right.READ_TABLES) as look:
        row = seen(look, release_id)
        return row, releases.contents(look, [row.sha256])[row.sha256]


def compared(site: Site, caller: Caller, before: int, after: int) -> Compared:
    """What differs between two releases of one book.

    Raises
    ------
    NotFound
        If there is no such release, or it is another region's.
    Invalid
        If they are of two books.
    """
    with site.database.look(caller, Right.READ_TABLES) as look:
        one, other = seen(look, before), seen(look, after)
        if one.book != other.book:
            raise Invalid(
                f"release {one.number} of {one.book} and release {other.number} of {other.book} are of two "
                "regions", where="after", expected="two releases of one region",
                fix="choose both from the list of one region's releases",
                fields={"after": "choose a release of the same region"},
            )  # fmt: skip
        rows = releases.of_book(look, one.book)
        used_on = spans(rows, look.now.date())
        first, second = _told(look, one, used_on), _told(look, other, used_on)
        changes: Changes
        if one.book == SHARED:
            changes = changes_of_records(first.content.records, second.content.records)
        else:
            of_one, of_other = (site.of_releases(look, (row,)) for row in (one, other))
            changes = compare(entries_of(of_one, one.book), entries_of(of_other, one.book))
        return Compared(first, second, _name(second.content), rows, changes)


def changes_of_records(before: Written, after: Written) -> tuple[SharedChange, ...]:
    """What differs between two sets of written records, key by key.

    Examples
    --------
    >>> before, after = ({"crops": {"oat": {"yield_to": number}}} for number in (8, 9))
    >>> (change,) = changes_of_records(before, after)
    >>> change.what, [(cell.column, cell.before, cell.after) for cell in change.cells]
    ('changed', [('yield_to', '8', '9')])
    """
    changes = []
    for kind in before | after:
        old, new = before.get(kind, {}), after.get(kind, {})
        for name in sorted(old.keys() | new.keys()):
            one, other = old.get(name), new.get(name)
            if one == other:
                continue
            cells = tuple(
                CellChange("", "", key, _plain(one, key), _plain(other, key))
                for key in dict.fromkeys((*(one or {}), *(other or {})))
                if (one or {}).get(key) != (other or {}).get(key)
            )
            what: What = "changed" if one and other else "added" if other else "removed"
            said = other or one or {}
            changes.append(
                SharedChange(kind, name, str(said.get("title") or said.get("name") or ""), what, cells)
            )
    return tuple(changes)


def seen(look: Look, release_id: int) -> ReleaseRow:
    """One release that the caller may see.

    Raises
    ------
    NotFound
        If there is none, or it is another region's.
    """
    row = releases.the_release(look, release_id)
    if not is_seen(look, row.book):
        raise absent("release")
    return row


def is_seen(look: Look, book: str) -> bool:
    """Whether the caller may see a book: what all regions share, and the caller's own region or every one."""
    return book == SHARED or look.scope.region in ("", book)


def _told(look: Look, row: ReleaseRow, used_on: Mapping[int, Span]) -> Told:
    return Told(row, content_of(releases.contents(look, [row.sha256])[row.sha256]), used_on[row.id])


def _used(rows: Iterable[ReleaseRow], today: date) -> Used:
    rows = sorted(rows, key=lambda row: (row.effective_on, row.number))
    found = spans(rows, today)
    now = [row for row in rows if found[row.id].standing == "in-force"]
    return Used(
        now[0] if now else None, tuple(row for row in rows if found[row.id].standing == "later")
    )  # fmt: skip


def _name(content: Content) -> str:
    """Name of the region, as the release itself has it."""
    regions = content.records.get("regions", {}).values()
    return next((str(region["name"]) for region in regions), "")


def _plain(record: Mapping[str, object] | None, key: str) -> str:
    if record is None or key not in record:
        return ""
    value = record[key]
    return value if isinstance(value, str) else json.dumps(json.loads(canonical(value)), ensure_ascii=False)
