"""Drafts of a region's tables: every change adds a revision, and none is ever lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, Literal

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.entries.entry import Entry
from service.store.database import Change, Look
from service.store.land import absent
from service.store.schema import table_draft, table_release, table_revision, table_upload

State = Literal["open", "submitted", "approved", "published", "discarded"]
What = Literal["start", "edit", "add", "remove", "upload", "back"]
ENDED: tuple[State, ...] = ("published", "discarded")


class Row(BaseModel):
    """Base of what this store returns."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class DraftRow(Row):
    """One draft, without what is typed in it."""

    id: int
    book: str
    base_id: int | None
    base_number: int | None  # number of the release it began from
    why: str
    effective_on: date | None
    last_entry: int  # the highest number that any of its entries ever had
    state: State
    started_at: datetime
    started_by: str
    submitted_at: datetime | None
    submitted_by_id: int | None
    submitted_by: str
    submitted_sha256: str
    approved_at: datetime | None
    approved_by: str
    returned_because: str
    release_id: int | None

    @property
    def ended(self) -> bool:
        """Whether nothing can become of it any more."""
        return self.state in ENDED


class RevisionRow(Row):
    """One change of a draft, without what was typed."""

    number: int
    as_of: int
    what: What
    about: str
    at: datetime
    by_id: int | None
    by: str
    reason: str


class FileRow(Row):
    """A file that waits until somebody has looked at the difference, without what is in it."""

    id: int
    draft_id: int
    revision: int
    file_name: str
    at: datetime
    by_id: int | None
    by: str


class UploadRow(FileRow):
    """Such a file with its entries."""

    entries: tuple[Entry, ...]


_DRAFT = sa.select(
    *(table_draft.c[name] for name in DraftRow.model_fields if name != "base_number"),
    table_release.c.number.label("base_number"),
).outerjoin(table_release, table_draft.c.base_id == table_release.c.id)


def find(look: Look, *, ended: bool = False, most: int = 200) -> tuple[DraftRow, ...]:
    """Drafts of the caller's region, newest first: those that are alive, or those that have ended."""
    chosen = table_draft.c.state.in_(ENDED) if ended else table_draft.c.state.not_in(ENDED)
    found = _DRAFT.where(chosen, _own(look)).order_by(table_draft.c.id.desc()).limit(most)
    return tuple(DraftRow(**row) for row in look.connection.execute(found).mappings())


def later(look: Look, after: int, most: int, *, ended: bool) -> tuple[DraftRow, ...]:
    """As :func:`find`, by rising id, from the one after an id on."""
    chosen = table_draft.c.state.in_(ENDED) if ended else table_draft.c.state.not_in(ENDED)
    found = _DRAFT.where(chosen, _own(look), table_draft.c.id > after).order_by(table_draft.c.id).limit(most)
    return tuple(DraftRow(**row) for row in look.connection.execute(found).mappings())


def the_draft(look: Look, draft_id: int) -> DraftRow:
    """One draft.

    Raises
    ------
    NotFound
        If there is none of the caller's region.
    """
    row = (
        look.connection.execute(_DRAFT.where(table_draft.c.id == draft_id, _own(look)))
        .mappings()
        .one_or_none()
    )
    if row is None:
        raise absent("draft")
    return DraftRow(**row)


def begin(change: Change, book: str, base_id: int | None, why: str) -> int:
    """Add a draft; returns its id."""
    added: int = change.connection.execute(
        table_draft.insert()
        .values(
            book=book, base_id=base_id, why=why, state="open", started_at=change.now,
            started_by=change.caller.name,
        )
        .returning(table_draft.c.id)
    ).scalar_one()  # fmt: skip
    return added


def hold(change: Change, draft_id: int) -> DraftRow:
    """Wait until nobody else changes a draft, and keep everybody else waiting until this change ends.

    Raises
    ------
    NotFound
        If there is none of the caller's region.
    """
    change.connection.execute(
        sa.select(table_draft.c.id).where(table_draft.c.id == draft_id).with_for_update()
    )
    return the_draft(change, draft_id)


def alter(change: Change, draft_id: int, **values: Any) -> None:
    """Change a draft that is held."""
    change.connection.execute(table_draft.update().where(table_draft.c.id == draft_id).values(**values))


def entries(look: Look, draft_id: int, number: int | None = None) -> tuple[Entry, ...]:
    """What is typed in a draft the caller has been shown to own, at its last revision or at another.

    Raises
    ------
    NotFound
        If the draft has no such revision.
    """
    chosen = sa.select(table_revision.c.content).where(table_revision.c.draft_id == draft_id)
    if number is not None:
        chosen = chosen.where(table_revision.c.number == number)
    content = look.connection.execute(chosen.order_by(table_revision.c.number.desc()).limit(1)).scalar()
    if content is None:
        raise absent("revision")
    return tuple(Entry.model_validate(each) for each in content)


def revisions(look: Look, draft_id: int) -> tuple[RevisionRow, ...]:
    """The changes of a draft, newest first."""
    rows = look.connection.execute(
        sa.select(*(table_revision.c[name] for name in RevisionRow.model_fields))
        .where(table_revision.c.draft_id == draft_id)
        .order_by(table_revision.c.number.desc())
    )
    return tuple(RevisionRow(**row) for row in rows.mappings())


def add_revision(
    change: Change, draft_id: int, typed: Sequence[Entry], what: What,
    *, about: str = "", reason: str = "", as_of: int | None = None,
) -> int:  # fmt: skip
    """Add a revision; returns its number.

    Raises
    ------
    Conflict
        When the transaction finds that somebody else has just added one.
    """
    last = sa.select(sa.func.coalesce(sa.func.max(table_revision.c.number), 0)).where(
        table_revision.c.draft_id == draft_id
    )
    number: int = change.connection.execute(last).scalar_one() + 1
    change.connection.execute(
        table_revision.insert().values(
            draft_id=draft_id, number=number, as_of=as_of or number, what=what, about=about, at=change.now,
            content=[each.model_dump(mode="json") for each in typed],
            by_id=change.caller.account_id, by=change.caller.name, reason=reason,
        )
    )  # fmt: skip
    highest = max((each.number for each in typed), default=0)
    change.connection.execute(
        table_draft.update()
        .where(table_draft.c.id == draft_id, table_draft.c.last_entry < highest)
        .values(last_entry=highest)
    )
    return number


def add_upload(change: Change, draft_id: int, revision: int, file_name: str, typed: Sequence[Entry]) -> int:
    """Keep a file's entries until somebody has looked at them; the draft's earlier ones are let go."""
    added: int = change.connection.execute(
        table_upload.insert()
        .values(
            draft_id=draft_id, revision=revision, file_name=file_name,
            content=[each.model_dump(mode="json") for each in typed], at=change.now,
            by_id=change.caller.account_id, by=change.caller.name,
        )
        .returning(table_upload.c.id)
    ).scalar_one()  # fmt: skip
    # Afterwards: SQLite gives the number of a row that is gone to the next one.
    earlier = (table_upload.c.draft_id == draft_id) & (table_upload.c.id != added)
    change.connection.execute(table_upload.delete().where(earlier))
    return added


def waiting_file(look: Look, draft_id: int) -> FileRow | None:
    """The file that waits beside a draft the caller has been shown to own."""
    chosen = sa.select(*(table_upload.c[name] for name in FileRow.model_fields))
    row = look.connection.execute(chosen.where(table_upload.c.draft_id == draft_id)).mappings().first()
    return FileRow(**row) if row is not None else None


def the_upload(look: Look, draft_id: int, upload_id: int) -> UploadRow:
    """One file that waits.

    Raises
    ------
    NotFound
        If the draft has none of this id.
    """
    names = [name for name in UploadRow.model_fields if name != "entries"]
    row = (
        look.connection.execute(
            sa.select(*(table_upload.c[name] for name in names), table_upload.c.content).where(
                table_upload.c.id == upload_id, table_upload.c.draft_id == draft_id
            )
        )
        .mappings()
        .one_or_none()
    )
    if row is None:
        raise absent("upload")
    typed = tuple(Entry.model_validate(each) for each in row["content"])
    return UploadRow(**{name: row[name] for name in names}, entries=typed)


def drop_uploads(change: Change, draft_id: int) -> None:
    """Let go of what waits: it was taken over, or is not wanted."""
    change.connection.execute(table_upload.delete().where(table_upload.c.draft_id == draft_id))


def authors(look: Look, draft_id: int) -> Mapping[int | None, str]:
    """Everybody who has changed what is typed in a draft, by account; None is the command line."""
    rows = look.connection.execute(
        sa.select(table_revision.c.by_id, table_revision.c.by)
        .where(table_revision.c.draft_id == draft_id)
        .distinct()
    )
    return {row.by_id: row.by for row in rows}


def _own(look: Look) -> sa.ColumnElement[bool]:
    region = look.scope.region
    return table_draft.c.book == region if region else sa.true()
