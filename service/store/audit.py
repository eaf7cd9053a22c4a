"""The list of changes, to read. Lines are written by :meth:`service.store.database.Change.note`."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.store.database import Look
from service.store.schema import audit

COMMAND_LINE = 0  # stands for the command line where an account is asked for


class Line(BaseModel):
    """One change: who, when, what, before and after."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    at: datetime
    account_id: int | None
    who: str
    door: str
    verb: str
    kind: str
    object_id: str
    before: Any
    after: Any
    reason: str
    request_id: str


class Filter(BaseModel):
    """Which changes: by account (0: the command line), by the kind of thing, on one day (UTC)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    account_id: int | None = None
    kind: str = ""
    day: date | None = None


def newest(look: Look, which: Filter, *, before: int | None, limit: int) -> tuple[Line, ...]:
    """Changes, the newest first, from below an id onwards: a long list is walked without counting it."""
    chosen = _chosen(which).order_by(audit.c.id.desc()).limit(limit)
    return _lines(look, chosen if before is None else chosen.where(audit.c.id < before))


def after(look: Look, which: Filter, last: int, limit: int) -> tuple[Line, ...]:
    """Changes by rising id, from the one after ``last``: what a program asks for again and again."""
    return _lines(look, _chosen(which).where(audit.c.id > last).order_by(audit.c.id).limit(limit))


def _lines(look: Look, chosen: sa.Select[*tuple[Any, ...]]) -> tuple[Line, ...]:
    return tuple(Line.model_validate(dict(row)) for row in look.connection.execute(chosen).mappings())


def _chosen(which: Filter) -> sa.Select[*tuple[Any, ...]]:
    chosen: sa.Select[*tuple[Any, ...]] = sa.select(audit)
    if which.account_id == COMMAND_LINE:
        chosen = chosen.where(audit.c.account_id.is_(None))
    elif which.account_id is not None:
        chosen = chosen.where(audit.c.account_id == which.account_id)
    if which.kind:
        chosen = chosen.where(audit.c.kind == which.kind)
    if which.day is not None:
        begin = datetime.combine(which.day, time(), UTC)
        chosen = chosen.where(audit.c.at >= begin, audit.c.at < begin + timedelta(days=1))
    return chosen


def kinds(look: Look) -> tuple[str, ...]:
    """The kinds of things that were ever changed.

    Walked from one to the next along the index: a plain DISTINCT would read every line.
    """
    found: list[str] = []
    while True:
        following = sa.select(sa.func.min(audit.c.kind)).where(audit.c.kind > (found[-1] if found else ""))
        kind = look.connection.execute(following).scalar_one()
        if kind is None:
            return tuple(found)
        found.append(kind)
