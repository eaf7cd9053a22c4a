"""Accounts, their sessions and access tokens."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.callers import RIGHTS, Caller, Door, Right, Role, Scope
from service.store.database import Look
from service.store.schema import access_token, account, account_county, session
from service.tokens import new_token, sha256


class Account(BaseModel):
    """A person who may sign in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    email: str
    name: str
    role: Role
    laboratory_id: int | None
    region: str
    counties: tuple[str, ...]
    language: str
    created_at: datetime
    disabled_at: datetime | None
    has_password: bool
    has_second_factor: bool


class Session(BaseModel):
    """One sign-in on one machine."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    account_id: int
    form_token: str
    created_at: datetime
    seen_at: datetime
    confirmed: bool


def folded(email: str) -> str:
    """One spelling of an e-mail address: without blanks around it, in small letters."""
    return email.strip().casefold()


def add(
    look: Look, *, email: str, name: str, role: Role, laboratory_id: int | None = None, region: str = "",
    counties: tuple[str, ...] = (), language: str = "en",
) -> int:  # fmt: skip
    """Add an account without a password; returns its id."""
    account_id: int = look.connection.execute(
        account.insert()
        .values(
            email=folded(email), name=name, role=role.value, laboratory_id=laboratory_id, region=region,
            language=language, created_at=look.now,
        )
        .returning(account.c.id)
    ).scalar_one()  # fmt: skip
    set_counties(look, account_id, counties)
    return account_id


def set_counties(look: Look, account_id: int, counties: tuple[str, ...]) -> None:
    """Give an account exactly these counties."""
    look.connection.execute(account_county.delete().where(account_county.c.account_id == account_id))
    if counties:
        look.connection.execute(
            account_county.insert(),
            [{"account_id": account_id, "county_id": county} for county in sorted(set(counties))],
        )


def count(look: Look) -> int:
    """How many accounts there are."""
    return look.connection.execute(sa.select(sa.func.count()).select_from(account)).scalar_one()


def by_id(look: Look, account_id: int) -> Account | None:
    """One account."""
    row = look.connection.execute(sa.select(account).where(account.c.id == account_id)).one_or_none()
    return None if row is None else _account(row, _counties(look, account_id))


def by_email(look: Look, email: str) -> Account | None:
    """The account of an address, whatever its capital letters."""
    row = look.connection.execute(sa.select(account).where(account.c.email == folded(email))).one_or_none()
    return None if row is None else _account(row, _counties(look, row.id))


def everybody(look: Look) -> tuple[Account, ...]:
    """All accounts by name."""
    return _several(look, sa.select(account).order_by(account.c.name, account.c.id))


def _counties(look: Look, account_id: int) -> tuple[str, ...]:
    return tuple(look.connection.scalars(_COUNTIES, {"account_id": account_id}))


def _account(row: sa.Row[*tuple[Any, ...]], counties: tuple[str, ...]) -> Account:
    return Account(
        id=row.id, email=row.email, name=row.name, role=Role(row.role), laboratory_id=row.laboratory_id,
        region=row.region, counties=counties, language=row.language, created_at=row.created_at,
        disabled_at=row.disabled_at, has_password=bool(row.password_hash),
        has_second_factor=bool(row.totp_secret) and row.totp_step > 0,  # one code of it was shown
    )  # fmt: skip


def page(look: Look, *, limit: int, offset: int) -> tuple[Account, ...]:
    """A part of all accounts, by name."""
    return _several(
        look, sa.select(account).order_by(account.c.name, account.c.id).limit(limit).offset(offset)
    )


def after(look: Look, last: int, limit: int) -> tuple[Account, ...]:
    """Accounts by rising id, from the one after ``last``."""
    return _several(look, sa.select(account).where(account.c.id > last).order_by(account.c.id).limit(limit))


def _several(look: Look, chosen_accounts: sa.Select[*tuple[Any, ...]]) -> tuple[Account, ...]:
    rows = look.connection.execute(chosen_accounts).all()
    counties: dict[int, list[str]] = {}
    chosen = sa.select(account_county).where(account_county.c.account_id.in_([row.id for row in rows]))
    for each in look.connection.execute(chosen.order_by(account_county.c.county_id)):
        counties.setdefault(each.account_id, []).append(each.county_id)
    return tuple(_account(row, tuple(counties.get(row.id, ()))) for row in rows)


def change(
    look: Look, account_id: int, *, email: str, name: str, role: Role, laboratory_id: int | None, region: str,
    counties: tuple[str, ...], language: str,
) -> None:  # fmt: skip
    """Change what an administrator decides about an account."""
    look.connection.execute(
        account.update()
        .where(account.c.id == account_id)
        .values(
            email=folded(email), name=name, role=role.value, laboratory_id=laboratory_id, region=region,
            language=language,
        )
    )  # fmt: skip
    set_counties(look, account_id, counties)


def set_language(look: Look, account_id: int, language: str) -> None:
    """Let an account read the pages in a language."""
    look.connection.execute(account.update().where(account.c.id == account_id).values(language=language))


def set_disabled(look: Look, account_id: int, at: datetime | None) -> None:
    """Let an account sign in no more, or again."""
    look.connection.execute(account.update().where(account.c.id == account_id).values(disabled_at=at))


def working_administrators(look: Look) -> int:
    """How many administrators can sign in. Their rows are held until the end of the transaction, so that two
    who disable each other at once cannot both succeed."""
    chosen = (
        sa.select(account.c.id)
        .where(account.c.role == Role.ADMINISTRATOR.value, account.c.disabled_at.is_(None))
        .with_for_update()
    )
    return len(look.connection.execute(chosen).all())


# ------------------------------------------------------------------------------- passwords and codes


def password_hash(look: Look, account_id: int) -> str:
    """What is kept of an account's password; "" for none."""
    chosen = sa.select(account.c.password_hash).where(account.c.id == account_id)
    kept: str = look.connection.execute(chosen).scalar_one()
    return kept


def set_password(look: Look, account_id: int, kept: str) -> None:
    """Keep another password's hash."""
    look.connection.execute(account.update().where(account.c.id == account_id).values(password_hash=kept))


def second_factor(look: Look, account_id: int) -> tuple[str, int]:
    """The secret of an account's codes and the number of the last code used; 0: none yet."""
    chosen = sa.select(account.c.totp_secret, account.c.totp_step).where(account.c.id == account_id)
    row = look.connection.execute(chosen).one()
    return row.totp_secret, row.totp_step


def set_second_factor(look: Look, account_id: int, secret: str) -> None:
    """Give an account another secret for its codes ("": none); it counts once a code of it was shown."""
    look.connection.execute(
        account.update().where(account.c.id == account_id).values(totp_secret=secret, totp_step=0)
    )


def use_code(look: Look, account_id: int, secret: str, step: int) -> bool:
    """Remember that a code was used; False when it, or a later one, was used before."""
    done = look.connection.execute(
        account.update()
        .where(account.c.id == account_id, account.c.totp_secret == secret, account.c.totp_step < step)
        .values(totp_step=step)
    )
    return done.rowcount == 1


# ------------------------------------------------------------------------------------------- sessions


def begin_session(look: Look, account_id: int, *, confirmed: bool) -> str:
    """Begin a session; returns its secret, which is kept nowhere."""
    token = new_token()
    look.connection.execute(
        session.insert().values(
            token_sha256=sha256(token), account_id=account_id, form_token=new_token(), created_at=look.now,
            seen_at=look.now, confirmed=confirmed,
        )
    )  # fmt: skip
    return token


def end_session(look: Look, token: str) -> None:
    """End one session."""
    look.connection.execute(session.delete().where(session.c.token_sha256 == sha256(token)))


def end_sessions(look: Look, account_id: int) -> None:
    """End every session of an account."""
    look.connection.execute(session.delete().where(session.c.account_id == account_id))


def end_session_of(look: Look, account_id: int, session_id: int) -> bool:
    """End one session of an account; False when there is none."""
    done = look.connection.execute(
        session.delete().where(session.c.id == session_id, session.c.account_id == account_id)
    )
    return done.rowcount == 1


def sessions_of(look: Look, account_id: int, *, idle: timedelta, longest: timedelta) -> tuple[Session, ...]:
    """The sessions of an account that have not ended, the newest first."""
    chosen = (
        sa.select(session)
        .where(
            session.c.account_id == account_id,
            session.c.seen_at > look.now - idle,
            session.c.created_at > look.now - longest,
        )
        .order_by(session.c.id.desc())
    )
    return tuple(
        Session(
            id=row.id, account_id=row.account_id, form_token=row.form_token, created_at=row.created_at,
            seen_at=row.seen_at, confirmed=row.confirmed,
        )
        for row in look.connection.execute(chosen)
    )  # fmt: skip


def sweep_sessions(look: Look, longest: timedelta) -> None:
    """Remove the sessions that have ended by their age."""
    look.connection.execute(session.delete().where(session.c.created_at <= look.now - longest))


def touch_session(look: Look, session_id: int) -> None:
    """Remember that a session was used now."""
    look.connection.execute(session.update().where(session.c.id == session_id).values(seen_at=look.now))


# Built once: every page asks this, and putting the statement together takes longer than the answer.
_SESSION = (
    sa.select(
        session.c.id.label("session_id"), session.c.form_token, session.c.created_at, session.c.seen_at,
        session.c.confirmed, account.c.id, account.c.name, account.c.role, account.c.laboratory_id,
        account.c.region, account.c.language,
    )
    .join(account, session.c.account_id == account.c.id)
    .where(
        session.c.token_sha256 == sa.bindparam("token"), account.c.disabled_at.is_(None),
        session.c.seen_at > sa.bindparam("seen_after", type_=session.c.seen_at.type),
        session.c.created_at > sa.bindparam("created_after", type_=session.c.created_at.type),
    )
)  # fmt: skip
_COUNTIES = (
    sa.select(account_county.c.county_id)
    .where(account_county.c.account_id == sa.bindparam("account_id"))
    .order_by(account_county.c.county_id)
)


def session_of(
    look: Look, token: str, *, idle: timedelta, longest: timedelta
) -> tuple[Session, Caller] | None:
    """The session of a secret and who it is; None when it has ended or its account is disabled."""
    row = look.connection.execute(
        _SESSION,
        {"token": sha256(token), "seen_after": look.now - idle, "created_after": look.now - longest},
    ).one_or_none()
    if row is None:
        return None
    found = Session(
        id=row.session_id, account_id=row.id, form_token=row.form_token, created_at=row.created_at,
        seen_at=row.seen_at, confirmed=row.confirmed,
    )  # fmt: skip
    return found, _caller(look, row, "page", RIGHTS[Role(row.role)])


def caller_of_access_token(look: Look, token: str) -> Caller | None:
    """Who an access token stands for; None when it is unknown, expired or revoked."""
    row = look.connection.execute(
        sa.select(
            access_token.c.rights, account.c.id, account.c.name, account.c.role, account.c.laboratory_id,
            account.c.region, account.c.language,
        )
        .join(account, access_token.c.account_id == account.c.id)
        .where(
            access_token.c.token_sha256 == sha256(token),
            access_token.c.revoked_at.is_(None),
            access_token.c.expires_at > look.now,
            account.c.disabled_at.is_(None),
        )
    ).one_or_none()  # fmt: skip
    if row is None:
        return None
    given = {Right(name) for name in row.rights}
    return _caller(look, row, "api", RIGHTS[Role(row.role)] & given)


def _caller(look: Look, row: sa.Row[*tuple[Any, ...]], door: Door, rights: frozenset[Right]) -> Caller:
    role = Role(row.role)
    counties = frozenset(_counties(look, row.id)) if role is Role.AGENT else None
    return Caller(
        account_id=row.id, name=row.name, role=role,
        scope=Scope(row.laboratory_id, counties, row.region), door=door, rights=rights,
        language=row.language,
    )  # fmt: skip
