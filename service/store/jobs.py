"""Jobs and their items: what was asked for, what became of it, and what people change of it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Literal

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.store.database import Look
from service.store.land import absent, own_fields
from service.store.schema import farm, field, grower, job, job_item, report, sampling

State = Literal["waiting", "running", "cancelled", "done"]
ItemState = Literal["waiting", "done", "failed", "cancelled"]


class JobRow(BaseModel):
    """One job."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    laboratory_id: int
    title: str
    wish: dict[str, Any]
    day: date
    state: State
    asked_at: datetime
    asked_by_id: int | None
    asked_by: str
    ended_at: datetime | None
    runner: str
    runner_seen_at: datetime | None

    @property
    def folder(self) -> str:
        """Name of the folder of its files: no other job's, not even after the database was begun anew."""
        return f"batch-{self.id:06d}-{self.asked_at:%Y%m%d%H%M%S}"

    @property
    def is_open(self) -> bool:
        """Whether something may still be made of it."""
        return self.state in ("waiting", "running")


class ItemRow(BaseModel):
    """One visit of a job."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    number: int
    visit_id: int
    state: ItemState
    attempts: int
    report_id: int | None
    file_name: str
    reason: str
    changed_at: datetime
    field_id: int
    field_code: str
    field_name: str
    grower_name: str
    report: str | None  # as printed

    @property
    def called(self) -> str:
        """Name of the field, or its code where it has none."""
        return self.field_name or self.field_code


@dataclass(frozen=True)
class Counts:
    """How many items are in each state."""

    waiting: int = 0
    done: int = 0
    failed: int = 0
    cancelled: int = 0

    @property
    def total(self) -> int:
        """All items."""
        return self.waiting + self.done + self.failed + self.cancelled

    @property
    def ended(self) -> int:
        """Those of which nothing more becomes."""
        return self.total - self.waiting


JOB = tuple(job.c[name] for name in JobRow.model_fields)
_ITEM = (
    sa.select(
        *(job_item.c[name] for name in (
            "id", "number", "state", "attempts", "report_id", "file_name", "reason", "changed_at"
        )),
        job_item.c.sampling_id.label("visit_id"), field.c.id.label("field_id"),
        field.c.code.label("field_code"), field.c.name.label("field_name"),
        grower.c.name.label("grower_name"), report.c.report_id.label("report"),
    )
    .select_from(
        job_item.join(sampling, job_item.c.sampling_id == sampling.c.id)
        .join(field, sampling.c.field_id == field.c.id)
        .join(farm, field.c.farm_id == farm.c.id)
        .join(grower, farm.c.grower_id == grower.c.id)
        .outerjoin(report, job_item.c.report_id == report.c.id)
    )
)  # fmt: skip


# --------------------------------------------------------------------------------- asked for, looked at


def add(
    look: Look, *, title: str, wish: Mapping[str, Any], day: date, items: Sequence[tuple[int, str]]
) -> int:
    """Add a job of visits, each with the text it is sorted by, in their order; returns its id."""
    job_id: int = look.connection.execute(
        job.insert()
        .values(
            laboratory_id=look.scope.laboratory_id, title=title, wish=dict(wish), day=day, state="waiting",
            asked_at=look.now, asked_by_id=look.caller.account_id, asked_by=look.caller.name,
        )
        .returning(job.c.id)
    ).scalar_one()  # fmt: skip
    look.connection.execute(
        job_item.insert(),
        [
            {
                "job_id": job_id, "number": number, "sampling_id": visit_id, "state": "waiting",
                "route": route, "changed_at": look.now,
            }
            for number, (visit_id, route) in enumerate(items, 1)
        ],
    )  # fmt: skip
    return job_id


def _own(look: Look) -> sa.ColumnElement[bool]:
    """A laboratory sees all of its jobs, an agent those that he or she asked for."""
    mine = job.c.laboratory_id == look.scope.laboratory_id
    if look.scope.counties is None:
        return mine
    return mine & (job.c.asked_by_id == look.caller.account_id)


def find(look: Look, *, skip: int = 0, most: int = 50) -> tuple[JobRow, ...]:
    """Jobs of the caller's, newest first."""
    chosen = sa.select(*JOB).where(_own(look)).order_by(job.c.id.desc()).offset(skip).limit(most)
    return tuple(JobRow(**row) for row in look.connection.execute(chosen).mappings())


def after(look: Look, last: int, most: int) -> tuple[JobRow, ...]:
    """Jobs of the caller's in the order in which they were asked for, from behind one on."""
    chosen = sa.select(*JOB).where(_own(look), job.c.id > last).order_by(job.c.id).limit(most)
    return tuple(JobRow(**row) for row in look.connection.execute(chosen).mappings())


def the_job(look: Look, job_id: int) -> JobRow:
    """One job.

    Raises
    ------
    NotFound
        If there is none in the caller's scope.
    """
    row = look.connection.execute(sa.select(*JOB).where(job.c.id == job_id, _own(look))).mappings()
    found = row.one_or_none()
    if found is None:
        raise absent("batch")
    return JobRow(**found)


def counts_of(look: Look, job_ids: Collection[int]) -> dict[int, Counts]:
    """How many items of some jobs are in each state."""
    chosen = (
        sa.select(job_item.c.job_id, job_item.c.state, sa.func.count())
        .where(job_item.c.job_id.in_(job_ids))
        .group_by(job_item.c.job_id, job_item.c.state)
    )
    found: dict[int, dict[str, int]] = {each: {} for each in job_ids}
    for job_id, state, number in look.connection.execute(chosen):
        found[job_id][state] = number
    return {each: Counts(**states) for each, states in found.items()}


def pace(look: Look, job_id: int, lately: timedelta) -> tuple[int, float] | None:
    """How many items ended lately, and within how many seconds; None where nothing can be said of that.

    They end many at once, so the first instant is where the time begins, and does not count itself.
    """
    ended = job_item.c.state.in_(("done", "failed")) & (job_item.c.job_id == job_id)
    first = look.connection.scalar(
        sa.select(sa.func.min(job_item.c.changed_at)).where(ended, job_item.c.changed_at >= look.now - lately)
    )
    if first is None:
        return None
    number = look.connection.execute(
        sa.select(sa.func.count()).select_from(job_item).where(ended, job_item.c.changed_at > first)
    ).scalar_one()
    return (number, (look.now - first).total_seconds()) if number else None


def items_of(
    look: Look, job_id: int, state: ItemState | None = None, *, after: int = 0, most: int = 50
) -> tuple[ItemRow, ...]:
    """Items of a job that the caller has been shown to own, by rising number, from behind one on."""
    chosen = _ITEM.where(job_item.c.job_id == job_id, job_item.c.number > after, own_fields(look.scope))
    if state is not None:
        chosen = chosen.where(job_item.c.state == state)
    chosen = chosen.order_by(job_item.c.number).limit(most)
    return tuple(ItemRow(**row) for row in look.connection.execute(chosen).mappings())


# ------------------------------------------------------------------------------------ changed by people


def cancel(look: Look, job_id: int) -> int:
    """Cancel what has no report yet; returns how many items that were."""
    look.connection.execute(
        job.update()
        .where(job.c.id == job_id)
        .values(state="cancelled", ended_at=look.now, runner="", runner_seen_at=None)
    )
    return look.connection.execute(
        job_item.update()
        .where(job_item.c.job_id == job_id, job_item.c.state == "waiting")
        .values(state="cancelled", changed_at=look.now)
    ).rowcount


def try_again(look: Look, job_id: int) -> int:
    """Let what failed wait once more; returns how many items that are."""
    number = look.connection.execute(
        job_item.update()
        .where(job_item.c.job_id == job_id, job_item.c.state == "failed")
        .values(state="waiting", attempts=0, reason="", changed_at=look.now)
    ).rowcount
    if number:
        look.connection.execute(
            job.update()
            .where(job.c.id == job_id, job.c.state == "done")
            .values(state="waiting", ended_at=None)
        )
    return number
