"""How a batch stands: how far it is, how fast it goes, or what it waits for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Literal

from service.store import jobs, jobwork
from service.store.database import Look
from service.store.jobs import Counts, JobRow

LATELY = timedelta(minutes=3)  # the time that the pace is taken from
WaitsFor = Literal["", "others", "workers"]


@dataclass(frozen=True)
class Batch:
    """A batch as it stands.

    Attributes
    ----------
    per_minute, seconds_left
        How fast it goes, and how long it will still take; None where nothing is known of that.
    waits_for
        ``others``: another batch is worked on first. ``workers``: nobody works on any batch, and longer
        than a server takes to begin. Empty where it is worked on, or has ended.
    """

    job: JobRow
    counts: Counts
    per_minute: float | None = None
    seconds_left: float | None = None
    waits_for: WaitsFor = ""


def with_counts(look: Look, found: Sequence[JobRow]) -> tuple[Batch, ...]:
    """Jobs with their counts alone, for a list."""
    counts = jobs.counts_of(look, [each.id for each in found])
    return tuple(Batch(each, counts[each.id]) for each in found)


def batch_of(look: Look, job: JobRow) -> Batch:
    """A job with its counts and its pace, or what it waits for."""
    (batch,) = with_counts(look, (job,))
    if not jobwork.is_worked_on(look, job):
        return replace(batch, waits_for=_waits_for(look, job))
    pace = jobs.pace(look, job.id, LATELY)
    if pace is None:
        return batch
    number, seconds = pace
    return replace(
        batch, per_minute=60 * number / seconds, seconds_left=batch.counts.waiting * seconds / number
    )


def _waits_for(look: Look, job: JobRow) -> WaitsFor:
    if not job.is_open:
        return ""
    if any(jobwork.is_worked_on(look, each) for each in jobwork.open_jobs(look)):
        return "others"
    return "workers" if job.asked_at < look.now - jobwork.LEASE else ""
