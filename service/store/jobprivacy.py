"""What jobs keep about one grower: the files of their reports, where they lie in the route, and reasons."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import sqlalchemy as sa

from service.store.database import Change, Look
from service.store.jobs import JOB, JobRow
from service.store.schema import farm, field, job, job_item, sampling


def items_of(grower_id: int) -> sa.ColumnElement[bool]:
    """Whether an item is of a visit to one of a grower's fields."""
    visits = (
        sa.select(sampling.c.id)
        .join(field, sampling.c.field_id == field.c.id)
        .join(farm, field.c.farm_id == farm.c.id)
        .where(farm.c.grower_id == grower_id)
    )
    return job_item.c.sampling_id.in_(visits)


def files_of(look: Look, grower_id: int) -> dict[str, frozenset[str]]:
    """Names of the files of a grower's reports in the outputs, by the folder of their job."""
    chosen = (
        sa.select(*JOB, job_item.c.file_name)
        .join(job_item, job_item.c.job_id == job.c.id)
        .where(items_of(grower_id), job_item.c.file_name != "")
    )
    found: dict[str, set[str]] = {}
    for row in look.connection.execute(chosen).mappings():
        values = dict(row)
        name = values.pop("file_name")
        found.setdefault(JobRow(**values).folder, set()).add(name)
    return {folder: frozenset(names) for folder, names in found.items()}


def without_files(look: Look, grower_id: int) -> dict[str, frozenset[int]]:
    """Places of a grower's visits for which no report was issued, by the folder of their job.

    A page of theirs may lie in the outputs all the same: a runner that was killed has cleared nothing away,
    and nobody goes on with a job that was cancelled after that. The tries say nothing of it, as those of a
    runner that was stopped do not count.
    """
    chosen = (
        sa.select(*JOB, job_item.c.number)
        .join(job_item, job_item.c.job_id == job.c.id)
        .where(items_of(grower_id), job_item.c.file_name == "")
    )
    found: dict[str, set[int]] = {}
    for row in look.connection.execute(chosen).mappings():
        values = dict(row)
        number = values.pop("number")
        found.setdefault(JobRow(**values).folder, set()).add(number)
    return {folder: frozenset(numbers) for folder, numbers in found.items()}


def erase(change: Change, grower_id: int, scrub: Callable[[Any], Any]) -> None:
    """Take out of jobs what says who a grower is; nothing is made for them any more.

    Jobs come before their items, in the order in which a runner locks them.
    """
    execute, mine = change.connection.execute, items_of(grower_id)
    of_laboratory = job.c.laboratory_id == change.scope.laboratory_id
    for row in execute(sa.select(job.c.id, job.c.title).where(of_laboratory)).all():
        if (title := scrub(row.title)) != row.title:
            execute(job.update().where(job.c.id == row.id).values(title=title))
    execute(
        job_item.update()
        .where(mine, job_item.c.state == "waiting")
        .values(state="cancelled", changed_at=change.now)
    )
    execute(job_item.update().where(mine).values(route="", file_name="", file_sha256="", reason=""))
