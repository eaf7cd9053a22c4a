"""What people say about the cells of a draft."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.store.database import Change, Look
from service.store.land import absent
from service.store.schema import table_comment


class CommentRow(BaseModel):
    """One comment; ``place`` names the cell inside its entry, empty for the entry as a whole."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    entry: int
    place: str
    text: str
    at: datetime
    by: str
    settled_at: datetime | None
    settled_by: str


def of_draft(look: Look, draft_id: int) -> tuple[CommentRow, ...]:
    """Comments of a draft the caller has been shown to own, oldest first."""
    rows = look.connection.execute(
        sa.select(*(table_comment.c[name] for name in CommentRow.model_fields))
        .where(table_comment.c.draft_id == draft_id)
        .order_by(table_comment.c.id)
    )
    return tuple(CommentRow(**row) for row in rows.mappings())


def add(change: Change, draft_id: int, entry: int, place: str, text: str) -> int:
    """Write a comment; returns its id."""
    added: int = change.connection.execute(
        table_comment.insert()
        .values(draft_id=draft_id, entry=entry, place=place, text=text, at=change.now, by=change.caller.name)
        .returning(table_comment.c.id)
    ).scalar_one()
    return added


def settle(change: Change, draft_id: int, comment_id: int) -> None:
    """Mark a comment as settled.

    Raises
    ------
    NotFound
        If the draft has none of this id that is open.
    """
    changed = change.connection.execute(
        table_comment.update()
        .where(
            table_comment.c.id == comment_id,
            table_comment.c.draft_id == draft_id,
            table_comment.c.settled_at.is_(None),
        )
        .values(settled_at=change.now, settled_by=change.caller.name)
    ).rowcount
    if changed != 1:
        raise absent("comment")
