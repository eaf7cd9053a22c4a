"""Jobs as they are worked on: taken by a lease, given out item by item, ended.

Who works on a job holds it by a lease: its name and the last instant it was heard of. Everything a runner
writes asks first whether the lease is still its own, in the same transaction.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import sqlalchemy as sa

from service.refusals import Refusal
from service.store.database import Look
from service.store.jobs import JOB, JobRow
from service.store.land import absent, own_fields
from service.store.schema import field, job, job_item, sampling

AT_ONCE = 500  # ids in one statement
LEASE = timedelta(seconds=60)  # a runner that was not heard of for longer has lost its job


class LeaseLost(Refusal):
    """Another process has taken the job over, or a person has cancelled it."""

    status = 409


@dataclass(frozen=True)
class Begun:
    """An item that was given out, with the tries so far, this one among them."""

    id: int
    number: int
    visit_id: int
    attempts: int


def any_job(look: Look, job_id: int) -> JobRow:
    """A job for whoever works on it, whosever it is."""
    row = look.connection.execute(sa.select(*JOB).where(job.c.id == job_id)).mappings().one_or_none()
    if row is None:
        raise absent("batch")
    return JobRow(**row)


def open_jobs(look: Look) -> tuple[JobRow, ...]:
    """Jobs that are to be worked on, in the order in which they were asked for."""
    chosen = sa.select(*JOB).where(job.c.state.in_(("waiting", "running"))).order_by(job.c.id)
    return tuple(JobRow(**row) for row in look.connection.execute(chosen).mappings())


def is_worked_on(look: Look, seen: JobRow) -> bool:
    """Whether somebody holds a job, and was heard of lately."""
    heard = seen.runner_seen_at
    return bool(seen.runner) and heard is not None and heard >= look.now - LEASE


def take(look: Look, seen: JobRow, runner: str, *, gone: bool = False) -> bool:
    """Take a job, if nobody holds it or who held it was not heard of for the length of a lease.

    Parameters
    ----------
    seen
        The job as it was read a moment ago.
    gone
        Whether the runner that holds it there is known to have ended.
    """
    free = job.c.runner.in_(("", runner)) | (job.c.runner_seen_at < look.now - LEASE)
    if gone:
        free |= job.c.runner == seen.runner
    return (
        look.connection.execute(
            job.update()
            .where(job.c.id == seen.id, job.c.state.in_(("waiting", "running")), free)
            .values(state="running", runner=runner, runner_seen_at=look.now)
        ).rowcount
        == 1
    )


def hold(look: Look, job_id: int, runner: str) -> None:
    """Make sure that a job is still a runner's, until this transaction ends.

    Raises
    ------
    LeaseLost
        If it is not.
    """
    held = (
        job.update()
        .where(job.c.id == job_id, job.c.runner == runner, job.c.state == "running")
        .values(runner_seen_at=look.now)
    )
    if look.connection.execute(held).rowcount != 1:
        raise LeaseLost(
            "this batch is no longer worked on here: it was cancelled, or another process has taken it over",
            where=f"batch {job_id}", expected="a batch that this process holds",
            fix="look at the batch; nothing that was issued is lost, and nothing is issued twice",
        )  # fmt: skip


def is_held(look: Look, job_id: int, runner: str) -> bool:
    """Whether a job is a runner's at this moment."""
    chosen = sa.select(job.c.id).where(job.c.id == job_id, job.c.runner == runner, job.c.state == "running")
    return look.connection.execute(chosen).one_or_none() is not None


def release(look: Look, job_id: int, runner: str, *, ended: bool) -> bool:
    """Let go of a job: done, or to be gone on with by whoever takes it next; returns whether it was held."""
    values: dict[str, Any] = {"runner": "", "runner_seen_at": None, "state": "waiting"}
    if ended:
        values |= {"state": "done", "ended_at": look.now}
    mine = (job.c.id == job_id) & (job.c.runner == runner) & (job.c.state == "running")
    return look.connection.execute(job.update().where(mine).values(values)).rowcount == 1


def begin(
    look: Look, job_id: int, attempts: tuple[int, int], *, after: int, most: int
) -> tuple[Begun, ...]:  # fmt: skip
    """Give out the next items, by rising number from behind one on, and count that as a try of each.

    Parameters
    ----------
    attempts
        Fewest and most tries that an item may have had before.
    """
    chosen = (
        sa.select(job_item.c.id, job_item.c.number, job_item.c.sampling_id, job_item.c.attempts)
        .where(job_item.c.job_id == job_id, job_item.c.state == "waiting", job_item.c.number > after)
        .where(job_item.c.attempts.between(*attempts))
        .order_by(job_item.c.number)
        .limit(most)
    )
    found = [Begun(*row[:3], row[3] + 1) for row in look.connection.execute(chosen)]
    _update(look, [each.id for each in found], attempts=job_item.c.attempts + 1)
    return tuple(found)


def give_back(look: Look, item_ids: Collection[int]) -> None:
    """Take back a try that was counted, and that nothing could come of for no fault of the items'."""
    _update(look, item_ids, attempts=job_item.c.attempts - 1)


def waiting(look: Look, item_ids: Collection[int]) -> dict[int, Begun]:
    """Those of some items that still wait."""
    chosen = sa.select(job_item.c.id, job_item.c.number, job_item.c.sampling_id, job_item.c.attempts)
    found = look.connection.execute(chosen.where(job_item.c.id.in_(item_ids), job_item.c.state == "waiting"))
    return {row[0]: Begun(*row) for row in found}


def is_left(look: Look, job_id: int) -> bool:
    """Whether anything still waits."""
    chosen = sa.select(job_item.c.id).where(job_item.c.job_id == job_id, job_item.c.state == "waiting")
    return look.connection.execute(chosen.limit(1)).one_or_none() is not None


def remember(look: Look, reasons: Mapping[int, str]) -> None:
    """Keep why nothing came of a try of some items, which still wait."""
    for item_id, reason in reasons.items():
        _update(look, [item_id], reason=reason)


def fail(look: Look, reasons: Mapping[int, str]) -> None:
    """End some items that still wait, each with the reason."""
    for item_id, reason in reasons.items():
        _update(look, [item_id], state="failed", reason=reason, changed_at=look.now)


def fail_rest(look: Look, job_id: int, reason: str, *, fewest_attempts: int = 0) -> int:
    """End everything that still waits, with one reason; returns how many items that were."""
    return look.connection.execute(
        job_item.update()
        .where(job_item.c.job_id == job_id, job_item.c.state == "waiting")
        .where(job_item.c.attempts >= fewest_attempts)
        .values(state="failed", reason=reason, changed_at=look.now)
    ).rowcount


def done(look: Look, item_id: int, report_id: int, file_name: str, sha256: str) -> None:
    """Say of an item that its report was issued, in the transaction that issues it."""
    _update(
        look, [item_id], state="done", report_id=report_id, file_name=file_name, file_sha256=sha256,
        reason="", changed_at=look.now,
    )  # fmt: skip


def _update(look: Look, item_ids: Collection[int], **values: Any) -> None:
    ids = list(item_ids)
    for start in range(0, len(ids), AT_ONCE):
        some = job_item.c.id.in_(ids[start : start + AT_ONCE])
        look.connection.execute(job_item.update().where(some, job_item.c.state == "waiting").values(values))


def files_of(look: Look, job_id: int) -> frozenset[str]:
    """Names of the files that a job has issued."""
    chosen = sa.select(job_item.c.file_name).where(job_item.c.job_id == job_id, job_item.c.file_name != "")
    return frozenset(look.connection.scalars(chosen))


def reports_of(look: Look, job_id: int) -> tuple[int, ...]:
    """Ids of the reports that a job has issued and that are the caller's, in its order."""
    chosen = (
        sa.select(job_item.c.report_id)
        .join(sampling, job_item.c.sampling_id == sampling.c.id)
        .join(field, sampling.c.field_id == field.c.id)
        .where(own_fields(look.scope), job_item.c.job_id == job_id, job_item.c.report_id.is_not(None))
        .order_by(job_item.c.number)
    )
    return tuple(look.connection.scalars(chosen))
