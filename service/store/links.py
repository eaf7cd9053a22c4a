"""Links that carry a secret: to set a password, or to open one report. They expire, and serve one purpose."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import sqlalchemy as sa

from service.store.database import Look
from service.store.schema import link
from service.tokens import new_token, sha256

Purpose = Literal["set-password", "report"]


@dataclass(frozen=True)
class Link:
    """One link that still works."""

    id: int
    account_id: int | None
    report_id: int | None
    expires_at: datetime


def make(
    look: Look,
    purpose: Purpose,
    lasts: timedelta,
    *,
    account_id: int | None = None,
    report_id: int | None = None,
) -> str:
    """Make a link; returns its secret, which is kept nowhere."""
    token = new_token()
    look.connection.execute(
        link.insert().values(
            token_sha256=sha256(token), purpose=purpose, account_id=account_id, report_id=report_id,
            created_at=look.now, expires_at=look.now + lasts,
        )
    )  # fmt: skip
    return token


def sweep(look: Look, kept: timedelta) -> None:
    """Remove the links that expired so long ago."""
    look.connection.execute(link.delete().where(link.c.expires_at <= look.now - kept))


def find(look: Look, purpose: Purpose, token: str) -> Link | None:
    """The link of a secret; None when there is none for this purpose, or it has expired or was used up."""
    row = look.connection.execute(
        sa.select(link.c.id, link.c.account_id, link.c.report_id, link.c.expires_at).where(
            link.c.token_sha256 == sha256(token), link.c.purpose == purpose, link.c.expires_at > look.now,
            link.c.used_at.is_(None),
        )
    ).one_or_none()  # fmt: skip
    return None if row is None else Link(row.id, row.account_id, row.report_id, row.expires_at)


def use_up(look: Look, link_id: int) -> bool:
    """Let a link work no more; False when somebody else was faster."""
    done = look.connection.execute(
        link.update().where(link.c.id == link_id, link.c.used_at.is_(None)).values(used_at=look.now)
    )
    return done.rowcount == 1


def discard(look: Look, token: str) -> None:
    """Remove a link that was never given to anybody."""
    look.connection.execute(link.delete().where(link.c.token_sha256 == sha256(token)))


def end_all(
    look: Look, purpose: Purpose, *, account_id: int | None = None, report_id: int | None = None
) -> None:
    """Let every unused link of an account or a report work no more."""
    which = link.c.account_id == account_id if account_id is not None else link.c.report_id == report_id
    look.connection.execute(
        link.update()
        .where(link.c.purpose == purpose, which, link.c.used_at.is_(None))
        .values(used_at=look.now)
    )
