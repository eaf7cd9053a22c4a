"""Access tokens: what a program carries to use the API for a person."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.callers import Right
from service.store.database import Look
from service.store.schema import access_token
from service.tokens import new_token, sha256


class AccessToken(BaseModel):
    """One access token, without its secret."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    name: str
    rights: tuple[Right, ...]
    created_at: datetime
    expires_at: datetime


def make(
    look: Look, account_id: int, name: str, rights: frozenset[Right], lasts: timedelta
) -> tuple[int, str]:
    """Make a token; returns its id and its secret, which is kept nowhere."""
    token = new_token()
    token_id: int = look.connection.execute(
        access_token.insert()
        .values(
            token_sha256=sha256(token), account_id=account_id, name=name,
            rights=sorted(right.value for right in rights), created_at=look.now, expires_at=look.now + lasts,
        )
        .returning(access_token.c.id)
    ).scalar_one()  # fmt: skip
    return token_id, token


def of_account(look: Look, account_id: int) -> tuple[AccessToken, ...]:
    """The tokens of an account that still work, the newest first."""
    rows = look.connection.execute(
        sa.select(access_token)
        .where(
            access_token.c.account_id == account_id,
            access_token.c.revoked_at.is_(None),
            access_token.c.expires_at > look.now,
        )
        .order_by(access_token.c.id.desc())
    )
    return tuple(_token(row) for row in rows)


def _token(row: sa.Row[*tuple[Any, ...]]) -> AccessToken:
    return AccessToken(
        id=row.id, name=row.name, rights=tuple(Right(each) for each in row.rights),
        created_at=row.created_at, expires_at=row.expires_at,
    )  # fmt: skip


def revoke(look: Look, account_id: int, token_id: int | None = None) -> tuple[str, ...]:
    """Let one token of an account work no more, or all of them; returns their names."""
    which = sa.true() if token_id is None else access_token.c.id == token_id
    done = look.connection.execute(
        access_token.update()
        .where(access_token.c.account_id == account_id, access_token.c.revoked_at.is_(None), which)
        .values(revoked_at=look.now)
        .returning(access_token.c.name)
    )
    return tuple(done.scalars())
