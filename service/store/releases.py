"""Releases of the tables: added, and never changed. Every book has a chain of its own."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.books import SHARED, digest
from service.releases import Content, Link
from service.store.database import Change, Look
from service.store.land import absent
from service.store.schema import table_release


class ReleaseRow(BaseModel):
    """One release without its content."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    book: str
    number: int
    effective_on: date
    published_at: datetime
    sha256: str
    previous_sha256: str


_ROW = sa.select(*(table_release.c[name] for name in ReleaseRow.model_fields))


def in_force(look: Look, on: date) -> tuple[ReleaseRow, ...]:
    """The release of each book that is used on a day: of those whose day has come, the last published."""
    begun = (
        sa.select(table_release.c.book, sa.func.max(table_release.c.number).label("number"))
        .where(table_release.c.effective_on <= on)
        .group_by(table_release.c.book)
        .subquery()
    )
    chosen = _ROW.join(
        begun, (table_release.c.book == begun.c.book) & (table_release.c.number == begun.c.number)
    )
    return _rows(look, chosen.order_by(table_release.c.book))


def newest(look: Look) -> tuple[int, str]:
    """Id and SHA-256 of the release that was added last, of whichever book: what tells whether one came."""
    row = look.connection.execute(
        sa.select(table_release.c.id, table_release.c.sha256).order_by(table_release.c.id.desc()).limit(1)
    ).one_or_none()
    return (row.id, row.sha256) if row else (0, "")


def latest(look: Look) -> dict[str, ReleaseRow]:
    """The last release of each book, whether its day has come or not."""
    last = sa.select(table_release.c.book, sa.func.max(table_release.c.number).label("number"))
    last_ones = last.group_by(table_release.c.book).subquery()
    chosen = _ROW.join(
        last_ones,
        (table_release.c.book == last_ones.c.book) & (table_release.c.number == last_ones.c.number),
    )
    return {row.book: row for row in _rows(look, chosen)}


def of_book(look: Look, book: str) -> tuple[ReleaseRow, ...]:
    """Every release of a book, newest first."""
    return _rows(look, _ROW.where(table_release.c.book == book).order_by(table_release.c.number.desc()))


def later(look: Look, after: int, most: int, books: Collection[str]) -> tuple[ReleaseRow, ...]:
    """Releases of some books by rising id, from the one after an id on."""
    chosen = _ROW.where(table_release.c.book.in_(books), table_release.c.id > after)
    return _rows(look, chosen.order_by(table_release.c.id).limit(most))


def every(look: Look) -> tuple[ReleaseRow, ...]:
    """Every release of every book, without content, oldest first: there are few."""
    return _rows(look, _ROW.order_by(table_release.c.book, table_release.c.number))


def the_release(look: Look, release_id: int) -> ReleaseRow:
    """One release.

    Raises
    ------
    NotFound
        If there is none. Whose book it is, is for the caller to look at.
    """
    found = _rows(look, _ROW.where(table_release.c.id == release_id))
    if not found:
        raise absent("release")
    return found[0]


def contents(look: Look, digests: Collection[str]) -> dict[str, str]:
    """Content of releases by their SHA-256."""
    rows = look.connection.execute(
        sa.select(table_release.c.sha256, table_release.c.content).where(table_release.c.sha256.in_(digests))
    )
    return {row.sha256: row.content for row in rows}


def chain(look: Look, book: str) -> tuple[Link, ...]:
    """All releases of a book with their content, first to last."""
    rows = look.connection.execute(
        sa.select(*(table_release.c[name] for name in Link.__dataclass_fields__))
        .where(table_release.c.book == book)
        .order_by(table_release.c.number)
    )
    return tuple(Link(**row._asdict()) for row in rows)


def in_turn(change: Change, book: str) -> None:
    """Wait until nobody else publishes a release; nobody does until this change ends.

    The rows of what all regions share are waited for as well: two regions could get a source of one id, and a
    start could change what a release was just checked with.

    Who comes second then reads the release of who was first, and is told so. A book without a release has no
    row to wait for: there the second is refused by the numbers, which are unique.
    """
    books = table_release.c.book.in_({book, SHARED})
    rows = sa.select(table_release.c.id).where(books).order_by(table_release.c.id)
    # Not for their keys: reports and drafts that name a release are not kept waiting.
    change.connection.execute(rows.with_for_update(key_share=True))


def add(change: Change, written: Sequence[Content]) -> dict[str, int]:
    """Write releases; returns the id of each by its book.

    Raises
    ------
    Conflict
        When the transaction finds that the book has a release of that number already.
    """
    ids = {}
    for each in written:
        text = each.text()
        ids[each.book] = change.connection.execute(
            table_release.insert()
            .values(
                book=each.book, number=each.number, effective_on=each.effective_on,
                published_at=each.published_at, content=text, sha256=digest(text),
                previous_sha256=each.previous,
            )
            .returning(table_release.c.id)
        ).scalar_one()  # fmt: skip
    return ids


def _rows(look: Look, chosen: sa.Select[tuple[object, ...]]) -> tuple[ReleaseRow, ...]:
    return tuple(ReleaseRow(**row) for row in look.connection.execute(chosen).mappings())
