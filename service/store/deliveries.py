"""Deliveries: one report to one reader, and the log of what became of it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Literal

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.store.database import Look
from service.store.land import absent, own_fields
from service.store.schema import delivery, delivery_try, farm, field, grower, report, sampling

Reader = Literal["grower", "copy", "agent"]
Way = Literal["link", "file", "paper"]
State = Literal["waiting", "sending", "sent", "refused", "held", "printed", "cancelled"]
List = Literal["waiting", "held", "refused", "sent", "print", "printed", "cancelled"]
LISTS: tuple[List, ...] = ("waiting", "held", "refused", "sent", "print", "printed", "cancelled")
_IDS_AT_ONCE = 5000  # both engines take more parameters than that in one statement


class Row(BaseModel):
    """Base: what the store gives out is never changed."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Target(Row):
    """A report that is to be delivered, and what its grower allows."""

    id: int
    report: str  # as printed
    language: str
    replaced: bool
    erased: bool
    email: str
    mail_consent: bool
    copy_to: str
    copy_consent: bool
    grower_language: str


class DeliveryRow(Row):
    """One delivery, with the field its report is of."""

    id: int
    report_id: int
    report: str  # as printed
    field_id: int
    field_code: str
    field_name: str
    grower_id: int
    grower_name: str
    reader: Reader
    round: int
    way: Way
    address: str
    language: str
    state: State
    attempts: int
    next_at: datetime | None
    message_id: str
    reason: str
    planned_at: datetime
    planned_by: str
    ended_at: datetime | None

    @property
    def called(self) -> str:
        """Name of the field, or its code where it has none."""
        return self.field_name or self.field_code


class TryRow(Row):
    """One line of a delivery's log."""

    delivery_id: int
    at: datetime
    what: str
    answer: str
    by: str


_later_report, _later_round = report.alias("later"), delivery.alias("later_round")
_OWN = (
    "id", "report_id", "reader", "round", "way", "address", "language", "state", "attempts", "next_at",
    "message_id", "reason", "planned_at", "planned_by", "ended_at",
)  # fmt: skip
_WHOLE = (
    delivery.join(report, delivery.c.report_id == report.c.id)
    .join(sampling, report.c.sampling_id == sampling.c.id)
    .join(field, sampling.c.field_id == field.c.id)
    .join(farm, field.c.farm_id == farm.c.id)
    .join(grower, farm.c.grower_id == grower.c.id)
)
_DELIVERY = sa.select(
    *(delivery.c[name] for name in _OWN), report.c.report_id.label("report"),
    field.c.id.label("field_id"), field.c.code.label("field_code"), field.c.name.label("field_name"),
    grower.c.id.label("grower_id"), grower.c.name.label("grower_name"),
).select_from(_WHOLE)  # fmt: skip
_TARGET = sa.select(
    report.c.id, report.c.report_id.label("report"), report.c.language,
    sa.exists().where(_later_report.c.replaces == report.c.id).label("replaced"),
    grower.c.erased_at.is_not(None).label("erased"), grower.c.email, grower.c.mail_consent, grower.c.copy_to,
    grower.c.copy_consent, grower.c.language.label("grower_language"),
).select_from(
    report.join(sampling, report.c.sampling_id == sampling.c.id)
    .join(field, sampling.c.field_id == field.c.id)
    .join(farm, field.c.farm_id == farm.c.id)
    .join(grower, farm.c.grower_id == grower.c.id)
)  # fmt: skip


def _parts(ids: Collection[int]) -> Iterator[Sequence[int]]:
    ordered = sorted(ids)
    return (ordered[start : start + _IDS_AT_ONCE] for start in range(0, len(ordered), _IDS_AT_ONCE))


# -------------------------------------------------------------------------------------------- planning


def targets(look: Look, report_ids: Collection[int]) -> tuple[Target, ...]:
    """Reports of the caller's among some ids, in the order of their ids."""
    own = (report.c.laboratory_id == look.scope.laboratory_id) & own_fields(look.scope)
    found: list[Target] = []
    for some in _parts(report_ids):
        chosen = _TARGET.where(own, report.c.id.in_(some)).order_by(report.c.id)
        found += [Target(**row) for row in look.connection.execute(chosen).mappings()]
    return tuple(found)


def planned(look: Look, report_ids: Collection[int]) -> frozenset[tuple[int, str]]:
    """Of some reports, those with the readers that a delivery was planned to before."""
    found: set[tuple[int, str]] = set()
    for some in _parts(report_ids):
        chosen = sa.select(delivery.c.report_id, delivery.c.reader).where(delivery.c.report_id.in_(some))
        found |= {(row.report_id, row.reader) for row in look.connection.execute(chosen)}
    return frozenset(found)


def last_round(look: Look, report_id: int, reader: str) -> int:
    """Number of the last round of a report to a reader; 0 for none."""
    chosen = sa.select(sa.func.max(delivery.c.round)).where(
        delivery.c.report_id == report_id, delivery.c.reader == reader
    )
    return look.connection.execute(chosen).scalar_one() or 0


def add(look: Look, rows: Sequence[Mapping[str, Any]]) -> tuple[int, ...]:
    """Write deliveries; returns their ids."""
    if not rows:
        return ()
    added = look.connection.scalars(delivery.insert().returning(delivery.c.id), [dict(row) for row in rows])
    return tuple(added)


# --------------------------------------------------------------------------------------------- looking


def of_report(look: Look, report_id: int) -> tuple[DeliveryRow, ...]:
    """Deliveries of a report of the caller's, oldest first."""
    return _rows(look, _own(look).where(delivery.c.report_id == report_id).order_by(delivery.c.id))


def the_delivery(look: Look, delivery_id: int) -> DeliveryRow:
    """One delivery.

    Raises
    ------
    NotFound
        If there is none in the caller's scope.
    """
    found = _rows(look, _own(look).where(delivery.c.id == delivery_id))
    if not found:
        raise absent("delivery")
    return found[0]


def some(look: Look, ids: Collection[int]) -> tuple[DeliveryRow, ...]:
    """Deliveries of the caller's among some ids."""
    found: list[DeliveryRow] = []
    for part in _parts(ids):
        found += _rows(look, _own(look).where(delivery.c.id.in_(part)).order_by(delivery.c.id))
    return tuple(found)


def page(look: Look, chosen: List, *, before: int | None, most: int) -> tuple[DeliveryRow, ...]:
    """Deliveries of a list, newest first, from before one on."""
    query = _own(look).where(_on(chosen))
    if before is not None:
        query = query.where(delivery.c.id < before)
    return _rows(look, query.order_by(delivery.c.id.desc()).limit(most))


def after(look: Look, chosen: List | None, last: int, most: int) -> tuple[DeliveryRow, ...]:
    """Deliveries of a list or of all, in the order in which they were planned, from behind one on."""
    query = _own(look).where(delivery.c.id > last)
    if chosen is not None:
        query = query.where(_on(chosen))
    return _rows(look, query.order_by(delivery.c.id).limit(most))


def counts(look: Look) -> dict[str, int]:
    """How many deliveries there are on the lists that somebody or something still works on."""
    open_lists: tuple[List, ...] = ("waiting", "held", "refused", "print")
    found: dict[str, int] = {}
    for name in open_lists:
        chosen = sa.select(sa.func.count()).select_from(_WHOLE).where(_mine(look), _on(name))
        found[name] = look.connection.execute(chosen).scalar_one()
    return found


def tries_of(look: Look, ids: Collection[int]) -> tuple[TryRow, ...]:
    """The log of some deliveries that the caller has been shown to own, oldest first."""
    found: list[TryRow] = []
    for part in _parts(ids):
        chosen = (
            sa.select(*(delivery_try.c[name] for name in TryRow.model_fields))
            .where(delivery_try.c.delivery_id.in_(part))
            .order_by(delivery_try.c.id)
        )
        found += [TryRow(**row) for row in look.connection.execute(chosen).mappings()]
    return tuple(found)


def _on(chosen: List) -> sa.ColumnElement[bool]:
    """Whether a delivery is on a list. What was sent again is no longer for anybody to deal with."""
    state, paper = delivery.c.state, delivery.c.way == "paper"
    if chosen == "waiting":
        return state.in_(("waiting", "sending")) & ~paper
    if chosen == "print":
        return (state == "waiting") & paper
    if chosen in ("held", "refused"):
        again = sa.exists().where(
            _later_round.c.report_id == delivery.c.report_id, _later_round.c.reader == delivery.c.reader,
            _later_round.c.round > delivery.c.round,
        )  # fmt: skip
        return (state == chosen) & ~again
    return state == chosen


def _mine(look: Look) -> sa.ColumnElement[bool]:
    return (delivery.c.laboratory_id == look.scope.laboratory_id) & own_fields(look.scope)


def _own(look: Look) -> sa.Select[Any]:
    return _DELIVERY.where(_mine(look))


def _rows(look: Look, chosen: sa.Select[Any]) -> tuple[DeliveryRow, ...]:
    return tuple(DeliveryRow(**row) for row in look.connection.execute(chosen).mappings())


# -------------------------------------------------------------------------------------------- changing


def turn_to(
    look: Look, ids: Collection[int], state: State, *, after: Collection[State], reason: str | None = None,
    next_at: datetime | None = None, way: Way | None = None,
) -> int:  # fmt: skip
    """Bring deliveries from one of some states to another; returns how many were in one.

    Parameters
    ----------
    reason
        None leaves it as it is.
    """
    ends = state not in ("waiting", "sending", "held")
    values: dict[str, Any] = {
        "state": state, "next_at": next_at, "ended_at": look.now if ends else None
    }  # fmt: skip
    if reason is not None:
        values["reason"] = reason
    if state == "sending":
        values["attempts"] = delivery.c.attempts + 1
    turned = 0
    for part in _parts(ids):
        chosen = delivery.c.id.in_(part) & delivery.c.state.in_(after)
        if way is not None:
            chosen &= delivery.c.way == way
        turned += look.connection.execute(delivery.update().where(chosen).values(values)).rowcount
    return turned


def log(look: Look, ids: Collection[int], what: str, answer: str = "", by: str = "") -> None:
    """Add a line to the log of each of some deliveries."""
    if ids:
        look.connection.execute(
            delivery_try.insert(),
            [
                {"delivery_id": each, "at": look.now, "what": what, "answer": answer, "by": by}
                for each in sorted(ids)
            ],
        )
