"""Counted tries, so that guessing is slow: how many in which time, by account and by address."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

import sqlalchemy as sa

from service.store.database import Look
from service.store.schema import attempt
from service.tokens import sha256


@dataclass(frozen=True)
class Limit:
    """At most so many tries within a time."""

    tries: int
    within: timedelta


def key_of(kind: str, subject: str | int) -> str:
    """Name of what is counted; a digest, so that the table holds neither addresses nor what was typed."""
    return f"{kind}:{sha256(str(subject))[:32]}"


def seconds_to_wait(look: Look, key: str, limits: Iterable[Limit]) -> int:
    """Seconds until the next try is heard; 0: now."""
    wait = 0
    for limit in limits:
        last_that_counts = (
            sa.select(attempt.c.at)
            .where(attempt.c.key == key, attempt.c.at > look.now - limit.within)
            .order_by(attempt.c.at.desc())
            .limit(1)
            .offset(limit.tries - 1)
        )
        at = look.connection.execute(last_that_counts).scalar_one_or_none()
        if at is not None:
            wait = max(wait, math.ceil((at + limit.within - look.now).total_seconds()))
    return wait


def record(look: Look, key: str) -> None:
    """Count one try, before it is judged: many at once cannot all pass before the first fails."""
    look.connection.execute(attempt.insert().values(key=key, at=look.now))


def queue(look: Look, key: str) -> None:
    """Let tries of one key wait for each other. SQLite has one writer at a time anyway."""
    if look.connection.dialect.name == "postgresql":
        number = zlib.crc32(key.encode())
        look.connection.execute(sa.select(sa.func.pg_advisory_xact_lock(number)))


def forget(look: Look, key: str) -> None:
    """Count no try of a key any more."""
    look.connection.execute(attempt.delete().where(attempt.c.key == key))


def forget_last(look: Look, key: str) -> None:
    """Count one try less of a key: one that turned out to be right."""
    newest = sa.select(sa.func.max(attempt.c.id)).where(attempt.c.key == key).scalar_subquery()
    look.connection.execute(attempt.delete().where(attempt.c.id == newest))


def sweep(look: Look, older_than: timedelta) -> None:
    """Remove what no limit looks at any more."""
    look.connection.execute(attempt.delete().where(attempt.c.at <= look.now - older_than))
