"""The mails that wait, of all laboratories of a server: the next, what it says, and those half sent."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from service.callers import RIGHTS, Right, Role
from service.store.database import Look
from service.store.schema import (
    account,
    account_county,
    delivery,
    document,
    farm,
    field,
    grower,
    report,
    sampling,
)

_later = report.alias("later")
_MAIL = delivery.c.way != "paper"


@dataclass(frozen=True)
class About:
    """The report that a mail is about, as far as the mail speaks of it."""

    report_id: int
    report: str  # as printed
    card: dict[str, Any]
    document_sha256: str
    document_bytes: int
    field_code: str
    field_name: str
    sampled_on: date


@dataclass(frozen=True)
class Mail:
    """One delivery by mail, and what may have changed since it was planned."""

    id: int
    reader: str
    round: int
    way: str
    address: str
    language: str
    attempts: int
    message_id: str
    state: str
    replaced: bool
    erased: bool
    email: str
    mail_consent: bool
    copy_to: str
    copy_consent: bool
    agent_may: bool  # whether the address is that of an account that may read the report
    about: About


_WHOLE = (
    report.join(document, report.c.document_sha256 == document.c.sha256)
    .join(sampling, report.c.sampling_id == sampling.c.id)
    .join(field, sampling.c.field_id == field.c.id)
    .join(farm, field.c.farm_id == farm.c.id)
    .join(grower, farm.c.grower_id == grower.c.id)
)
_ABOUT = (
    report.c.id.label("report_id"), report.c.report_id.label("report"), report.c.card,
    report.c.document_sha256, sa.func.length(document.c.content).label("document_bytes"),
    field.c.code.label("field_code"), field.c.name.label("field_name"), sampling.c.sampled_on,
)  # fmt: skip
_OWN = ("id", "reader", "round", "way", "address", "language", "attempts", "message_id", "state")
_IN_THE_COUNTY = sa.exists().where(
    account_county.c.account_id == account.c.id, account_county.c.county_id == field.c.county_id
)
_AGENT_MAY = sa.exists().where(
    account.c.email == delivery.c.address, account.c.disabled_at.is_(None),
    account.c.laboratory_id == delivery.c.laboratory_id,
    account.c.role.in_([role.value for role in Role if Right.READ_REPORTS in RIGHTS[role]]),
    (account.c.role != Role.AGENT.value) | _IN_THE_COUNTY,
)  # fmt: skip
_NOW = (
    sa.exists().where(_later.c.replaces == report.c.id).label("replaced"),
    grower.c.erased_at.is_not(None).label("erased"), grower.c.email, grower.c.mail_consent,
    grower.c.copy_to, grower.c.copy_consent, _AGENT_MAY.label("agent_may"),
)  # fmt: skip


def abouts(look: Look, report_ids: Collection[int]) -> dict[int, About]:
    """What mails about some reports, which the caller has been shown to own, speak of."""
    chosen = sa.select(*_ABOUT).select_from(_WHOLE).where(report.c.id.in_(report_ids))
    return {row["report_id"]: About(**row) for row in look.connection.execute(chosen).mappings()}


def mails(look: Look, ids: Collection[int]) -> tuple[Mail, ...]:
    """Some deliveries by mail, in the order of their ids."""
    chosen = (
        sa.select(*(delivery.c[name] for name in _OWN), *_NOW, *_ABOUT)
        .select_from(_WHOLE.join(delivery, delivery.c.report_id == report.c.id))
        .where(delivery.c.id.in_(ids))
        .order_by(delivery.c.id)
    )
    return tuple(_mail(dict(row)) for row in look.connection.execute(chosen).mappings())


def _mail(row: dict[str, Any]) -> Mail:
    about = About(**{name: row.pop(name) for name in About.__dataclass_fields__})
    return Mail(**row, about=about)


def next_mail(look: Look) -> Mail | None:
    """The mail whose turn it is; first those that never were, then those put off the longest."""
    chosen = (
        sa.select(delivery.c.id)
        .where(delivery.c.state == "waiting", _MAIL)
        .where(delivery.c.next_at.is_(None) | (delivery.c.next_at <= look.now))
        .order_by(delivery.c.next_at.is_not(None), delivery.c.next_at, delivery.c.id)
        .limit(1)
    )
    found = look.connection.scalar(chosen)
    return None if found is None else mails(look, [found])[0]


def is_any_due(look: Look) -> bool:
    """Whether a mail's time has come."""
    chosen = (
        sa.select(delivery.c.id)
        .where(delivery.c.state == "waiting", _MAIL)
        .where(delivery.c.next_at.is_(None) | (delivery.c.next_at <= look.now))
    )
    return look.connection.scalar(chosen.limit(1)) is not None


def half_sent(look: Look) -> list[int]:
    """Mails that were given to the server by a process that is no more: they may have gone."""
    return list(look.connection.scalars(sa.select(delivery.c.id).where(delivery.c.state == "sending")))


def put_all_off(look: Look, until: datetime, reason: str) -> int:
    """Let every mail wait that would have gone before: the server takes none."""
    put = look.connection.execute(
        delivery.update()
        .where(delivery.c.state == "waiting", _MAIL)
        .where(delivery.c.next_at.is_(None) | (delivery.c.next_at < until))
        .values(next_at=until, reason=reason)
    )
    return put.rowcount
