"""Works on a job: gives out its items, issues what comes back drawn, until nothing waits any more.

The rows of the job are the record. Whatever dies, and whenever, what was issued is marked in the very
transaction that issued it, and everything else still waits for whoever takes the job next.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

import structlog
from pydantic import SecretStr

from interpretation.errors import FurrowsliceError
from service.actions import delivering
from service.actions.batches import BatchWish, caller_of
from service.actions.batchissuing import Ready, Settled, issue_ready, reason_of
from service.actions.batchstate import Batch, batch_of
from service.callers import Caller, operator
from service.outputs import Outputs, outputs_at
from service.refusals import Conflict, NoRoom, NotAllowed, Unavailable
from service.site import Site
from service.store import jobwork
from service.store.database import Look
from service.store.jobs import JobRow
from service.store.jobwork import Begun, LeaseLost
from service.work.drawing import ChunkOrder, Drawn, Outcome, Refused, draw_chunk
from service.work.heart import Heart
from service.work.labour import SchedulerLost, WorkerLost
from service.work.presence import has_ended, new_name

TRIES = 3
MOST_BEGUN = 6  # tries of which nothing was ever heard: of what brings the whole server down with it
DELIVERED_AT_ONCE = 500
SECONDS_BETWEEN_BEATS = 10.0
PAUSES = (1.0, 5.0, 20.0, 60.0)  # seconds, until outputs that cannot be written to are given up
LOST = "the process that drew this came to an end over it"
STALE = "something on this report changed while it was drawn"
# How many items go out together, by the tries they had: what a worker died over is narrowed down.
SIZES = ((0, 0, 30), (1, 1, 5), (2, MOST_BEGUN - 1, 1))
Ended = Literal["done", "stopped", "lost"]
log = structlog.get_logger("furrowslice.batch")


class Hands(Protocol):
    """Those who draw; see :class:`service.work.executors.Crew`."""

    def run(
        self, function: Callable[[ChunkOrder], Any], chunks: Iterable[ChunkOrder], /
    ) -> Generator[tuple[ChunkOrder, Any]]:
        """Have a function called on each chunk."""


@dataclass
class Fates:
    """What became of items without a report: to be tried again, or failed, each with the reason."""

    again: dict[int, str] = field(default_factory=dict)
    failed: dict[int, str] = field(default_factory=dict)

    def give_up(self, worn: set[int]) -> None:
        """Fail those that have had all their tries."""
        for item_id in worn & self.again.keys():
            self.failed[item_id] = f"{self.again.pop(item_id)} ({TRIES} tries)"

    def write(self, look: Look) -> None:
        """Keep it with the items."""
        jobwork.remember(look, self.again)
        jobwork.fail(look, self.failed)


@dataclass(frozen=True)
class Ways:
    """How a runner goes about its work; tests are faster.

    Attributes
    ----------
    sizes
        Fewest and most earlier tries, and how many such items go out together.
    beats, pauses
        Seconds between two signs of life, and between looks at outputs that cannot be written to.
    """

    sizes: tuple[tuple[int, int, int], ...] = SIZES
    beats: float = SECONDS_BETWEEN_BEATS
    pauses: tuple[float, ...] = PAUSES


def unexpected(error: Exception) -> str:
    """Say by its kind alone that something unexpected happened: its text could hold anything."""
    return f"something unexpected happened: {type(error).__name__}"


def take(site: Site, job_id: int, runner: str = "") -> tuple[JobRow, str]:
    """Take a job; returns it and the name under which it is held.

    Raises
    ------
    Conflict
        If it has ended, or another process works on it.
    """
    runner = runner or new_name()
    with site.database.housekeeping(operator()) as look:
        job = jobwork.any_job(look, job_id)
        taken = jobwork.take(look, job, runner, gone=has_ended(job.runner))
    if not taken:
        raise Conflict(
            "this batch has ended" if not job.is_open else "another process works on this batch",
            where=f"batch {job_id}", expected="a batch that nobody works on",
            fix="look at how it goes; a process that was killed is missed after a minute",
        )  # fmt: skip
    return job, runner


def run_job(
    site: Site, job_id: int, hands: Hands, *, runner: str = "", told_to_stop: threading.Event | None = None,
    told: Callable[[Batch], None] | None = None, ways: Ways | None = None,
) -> Ended:  # fmt: skip
    """Take a job and work on it until it is done, or this process is told to stop, or loses it.

    Parameters
    ----------
    hands
        Those who draw.
    runner
        Name under which the job is held already.
    told_to_stop
        Set when the process is to end: nothing more is given out, and what is under way is left.
    told
        Called with the job as it stands, from time to time.

    Raises
    ------
    Conflict
        As :func:`take`.
    FurrowsliceError
        If there is nobody to draw any more, or the database does not answer; the job waits then.
    """
    outputs_at(site.settings.outputs_url)  # refused before anything is taken
    job, runner = take(site, job_id, runner)
    return _Run(site, job, runner, hands, told_to_stop or threading.Event(), told, ways or Ways()).work()


class _Run:
    """One job, as long as it is held."""

    def __init__(
        self, site: Site, job: JobRow, runner: str, hands: Hands, told_to_stop: threading.Event,
        told: Callable[[Batch], None] | None, ways: Ways,
    ) -> None:  # fmt: skip
        self.site, self.job, self.runner, self.hands = site, job, runner, hands
        self.told_to_stop, self.told, self.ways = told_to_stop, told, ways
        self.outputs: Outputs = outputs_at(site.settings.outputs_url)
        self.under_way: set[int] = set()
        self.heart = Heart(
            site, job.id, runner, beats=ways.beats, told_to_stop=told_to_stop,
            under_way=lambda: tuple(self.under_way),
        )  # fmt: skip
        self.trouble: FurrowsliceError | None = None  # with the outputs; to be looked at before going on

    def work(self) -> Ended:
        """Work on the job, and let go of it whatever happens."""
        log.info("batch begun", batch=self.job.id)
        ended: Ended = "stopped"
        try:
            with self.heart:
                if self._work():
                    self._sweep()
                    self._deliver()
                    self._keep(lambda look: jobwork.release(look, self.job.id, self.runner, ended=True))
                    ended = "done"
        except NotAllowed as error:  # of whoever asked, in whose name everything is done
            reason = reason_of(error)
            self._keep(lambda look: jobwork.fail_rest(look, self.job.id, reason))
            self._keep(lambda look: jobwork.release(look, self.job.id, self.runner, ended=True))
            ended = "done"
        except LeaseLost:
            if not self.told_to_stop.is_set():
                ended = "lost"
                if not self._look(lambda look: jobwork.any_job(look, self.job.id)).is_open:
                    self._sweep()  # nobody else will
        finally:
            with suppress(Unavailable, NoRoom):  # it is missed after the length of a lease
                self.heart.let_go()
            log.info("batch left", batch=self.job.id, how=ended)
        self._tell()
        return ended

    def _work(self) -> bool:
        """Work until nothing waits; False where this process was told to stop before."""
        caller = self._look(lambda look: caller_of(look, self.job))
        # What was begun again and again and never heard of brings down more than its worker.
        worn = f"{LOST}; it was begun {MOST_BEGUN} times"
        self._keep(lambda look: jobwork.fail_rest(look, self.job.id, worn, fewest_attempts=MOST_BEGUN))
        while self._look(lambda look: jobwork.is_left(look, self.job.id)):
            for fewest, most, size in self.ways.sizes:
                with closing(self.hands.run(draw_chunk, self._orders((fewest, most), size))) as outcomes:
                    for order, outcome in outcomes:
                        self._settle(caller, order, outcome)
                        self._tell()
                if self.told_to_stop.is_set():
                    return False
        return True

    def _orders(self, attempts: tuple[int, int], size: int) -> Iterator[ChunkOrder]:
        """Give out items, counting the try before it is made: one that kills its worker is then known."""
        last = 0
        while not self.told_to_stop.is_set() and self._mended():
            begun = self._begun(attempts, last, size)
            if not begun:
                return
            last = begun[-1].number
            yield self._order(begun)

    def _begun(self, attempts: tuple[int, int], last: int, most: int) -> tuple[Begun, ...]:
        found: tuple[Begun, ...] = self._keep(
            lambda look: jobwork.begin(look, self.job.id, attempts, after=last, most=most)
        )
        self.under_way |= {each.id for each in found}
        return found

    def _order(self, begun: tuple[Begun, ...]) -> ChunkOrder:
        settings = self.site.settings
        if settings.scheduler:  # other machines have settings of their own
            return ChunkOrder(self.job.id, self.runner, begun)
        places = {"database_url": SecretStr(settings.url), "outputs_url": settings.outputs_url}
        return ChunkOrder(self.job.id, self.runner, begun, **places)  # type: ignore[arg-type]

    def _settle(self, caller: Caller, order: ChunkOrder, outcome: Any) -> None:
        """Issue what was drawn of a chunk, and keep what became of the rest."""
        fates = Fates()
        items = [each.id for each in order.items]
        if isinstance(outcome, SchedulerLost):  # none of the items is to blame
            self._keep(lambda look: jobwork.give_back(look, items))
        elif isinstance(outcome, WorkerLost):
            fates.again = dict.fromkeys(items, LOST)
        elif isinstance(outcome, FurrowsliceError):
            fates.again = dict.fromkeys(items, reason_of(outcome))
        elif isinstance(outcome, Exception):
            log.warning("chunk not drawn", batch=self.job.id, error=type(outcome).__name__)
            fates.again = dict.fromkeys(items, unexpected(outcome))
        else:
            self._take_in(caller, outcome, fates)
        fates.give_up({each.id for each in order.items if each.attempts >= TRIES})
        if fates.again or fates.failed:
            self._keep(fates.write)
        self.under_way.difference_update(items)

    def _take_in(self, caller: Caller, outcomes: Sequence[Outcome], fates: Fates) -> None:
        ready: list[Ready] = []
        for each in outcomes:
            if isinstance(each, Refused):
                (fates.again if each.passing else fates.failed)[each.item_id] = each.reason
                if each.passing:
                    self.trouble = Unavailable(each.reason)
                continue
            try:
                ready.append(self._read_back(each))
            except (Unavailable, NoRoom) as error:
                self.trouble = error
                fates.again[each.item_id] = reason_of(error)
        settled = self._issued(caller, ready)
        fates.failed |= settled.refused
        fates.again |= dict.fromkeys(settled.stale, STALE)
        unwanted = {*settled.refused, *settled.stale}
        if unwanted:
            names = [each.file_name for each in ready if each.item_id in unwanted]
            with suppress(Unavailable, NoRoom):  # they go when the job is swept
                self.outputs.remove(self.job.folder, names)

    def _read_back(self, drawn: Drawn) -> Ready:
        """Read a file as it lies in the outputs: what is issued is what is there."""
        content = self.outputs.get(self.job.folder, drawn.file_name)
        if hashlib.sha256(content).hexdigest() != drawn.sha256:
            raise Unavailable(
                "a file in the outputs is not as it was written", where=drawn.file_name,
                expected=f"content with the SHA-256 {drawn.sha256[:12]}...",
                fix="find out who else writes there",
            )  # fmt: skip
        return Ready(drawn.item_id, drawn.report_id, drawn.sha256, drawn.file_name, content, drawn.advice)

    def _issued(self, caller: Caller, ready: Sequence[Ready]) -> Settled:
        """Issue together; where that fails, one by one, so that only what is broken is held up."""
        if not ready:
            return Settled()
        try:
            return self._patiently(lambda: issue_ready(self.site, caller, self.job, self.runner, ready))
        except (LeaseLost, Unavailable, NoRoom):
            raise
        except Exception as error:
            if len(ready) == 1:
                said = reason_of(error) if isinstance(error, FurrowsliceError) else unexpected(error)
                return Settled(refused={ready[0].item_id: said})
        settled = Settled()
        for each in ready:
            settled.add(self._issued(caller, [each]))
        return settled

    def _patiently(self, issue: Callable[[], Settled]) -> Settled:
        """Give a database that is busy or full some time: what was drawn took longer."""
        for pause in self.ways.pauses[:2]:
            try:
                return issue()
            except (Unavailable, NoRoom) as error:
                log.warning("not issued yet", batch=self.job.id, told=error.what)
                self.told_to_stop.wait(pause)
        return issue()

    def _mended(self) -> bool:
        """Wait while outputs cannot be written to; in the end give up all that still waits."""
        if self.trouble is None:
            return True
        reason = ""
        for pause in (0.0, *self.ways.pauses):
            if self.told_to_stop.wait(pause):
                return False
            try:
                self.outputs.probe(self.job.folder)
            except (Unavailable, NoRoom) as error:
                reason = reason_of(error)
                log.warning("outputs", batch=self.job.id, told=error.what)
            else:
                self.trouble = None
                return True
        self._keep(lambda look: jobwork.fail_rest(look, self.job.id, reason))
        self.trouble = None
        return True

    def _deliver(self) -> None:
        """Plan who gets what was issued, where that is wanted; planned twice is planned once."""
        if not BatchWish.model_validate(self.job.wish).deliver:
            return
        caller = self._look(lambda look: caller_of(look, self.job))
        with self.site.database.look(caller, None) as look:
            ids = jobwork.reports_of(look, self.job.id)
        for start in range(0, len(ids), DELIVERED_AT_ONCE):
            delivering.plan(self.site, caller, ids[start : start + DELIVERED_AT_ONCE])

    def _sweep(self) -> None:
        """Remove files of reports that were not issued after all."""
        kept = self._look(lambda look: jobwork.files_of(look, self.job.id))
        try:
            self.outputs.sweep(self.job.folder, kept)
        except (Unavailable, NoRoom) as error:
            log.warning("outputs not swept", batch=self.job.id, told=error.what)

    def _tell(self) -> None:
        if self.told is not None:
            self.told(self._look(lambda look: batch_of(look, jobwork.any_job(look, self.job.id))))

    def _look(self, read: Callable[[Look], Any]) -> Any:
        with self.site.database.look(operator(), None) as look:
            return read(look)

    def _keep(self, write: Callable[[Look], Any]) -> Any:
        """Write to the rows of the job, as long as it is held."""
        with self.site.database.housekeeping(operator()) as look:
            jobwork.hold(look, self.job.id, self.runner)
            return write(look)
