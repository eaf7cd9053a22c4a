"""Requests that carry an idempotency key, and what was answered to them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from service.store.database import Look
from service.store.schema import submission


@dataclass(frozen=True)
class Submission:
    """One request of an account under a key.

    Attributes
    ----------
    carried_out
        Whether it has stored something.
    status
        The status it was answered with; 0 while there is no answer.
    answer
        What it was answered; None where that is not kept.
    """

    id: int
    request_sha256: str
    carried_out: bool
    status: int
    content_type: str
    answer: bytes | None
    created_at: datetime


def find(look: Look, account_id: int, key: str) -> Submission | None:
    """What an account has submitted under a key."""
    row = look.connection.execute(
        sa.select(submission).where(submission.c.account_id == account_id, submission.c.key == key)
    ).one_or_none()
    if row is None:
        return None
    return Submission(
        row.id, row.request_sha256, row.carried_out, row.status, row.content_type, row.answer,
        row.created_at,
    )  # fmt: skip


def reserve(look: Look, account_id: int, key: str, request_sha256: str) -> int:
    """Take a key for a request that is about to be carried out; two at once collide here."""
    submission_id: int = look.connection.execute(
        submission.insert()
        .values(account_id=account_id, key=key, request_sha256=request_sha256, created_at=look.now)
        .returning(submission.c.id)
    ).scalar_one()
    return submission_id


def keep_answer(look: Look, submission_id: int, status: int, content_type: str, answer: bytes | None) -> None:
    """Keep what was answered, or that it was answered; nothing happens to a key that was freed."""
    look.connection.execute(
        submission.update()
        .where(submission.c.id == submission_id)
        .values(status=status, content_type=content_type, answer=answer)
    )


def free(look: Look, submission_id: int) -> None:
    """Forget a request that has stored nothing, so that its key can be used again."""
    look.connection.execute(
        submission.delete().where(submission.c.id == submission_id, submission.c.carried_out.is_(False))
    )


def sweep(look: Look, older_than: timedelta) -> None:
    """Forget what is older; rows that somebody else is sweeping are left to them."""
    old = (
        sa.select(submission.c.id)
        .where(submission.c.created_at <= look.now - older_than)
        .with_for_update(skip_locked=True)
    )
    look.connection.execute(submission.delete().where(submission.c.id.in_(old)))
