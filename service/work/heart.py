"""Signs of life of who works on a job, so that nobody else takes it, and it is missed when they end."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection
from types import TracebackType
from typing import Self

import structlog

from service.callers import operator
from service.refusals import Refusal
from service.site import Site
from service.store import jobwork
from service.store.jobwork import LeaseLost

SECONDS_BETWEEN_LOOKS = 0.2
log = structlog.get_logger("furrowslice.batch")


class Heart:
    """Renews the lease of a job for the length of a block, in a thread of its own.

    Told to stop, it lets go of the job at once: workers look before each report whether it is still held, and
    so come to an end by themselves.

    Parameters
    ----------
    beats
        Seconds between two signs of life.
    told_to_stop
        Set when the process is to end.
    under_way
        Ids of the items that are given out, whose try then does not count.
    """

    def __init__(
        self, site: Site, job_id: int, runner: str, *, beats: float, told_to_stop: threading.Event,
        under_way: Callable[[], Collection[int]],
    ) -> None:  # fmt: skip
        self._site, self._job_id, self._runner, self._beats = site, job_id, runner, beats
        self._told_to_stop, self._under_way = told_to_stop, under_way
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._beat, name=f"batch {job_id}", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _at: TracebackType | None
    ) -> None:
        self._over.set()
        self._thread.join()

    def let_go(self) -> None:
        """Let go of the job: whoever takes it next goes on with it."""
        with self._site.database.housekeeping(operator()) as look:
            if jobwork.release(look, self._job_id, self._runner, ended=False):
                jobwork.give_back(look, self._under_way())

    def _beat(self) -> None:
        heard = time.monotonic()
        while not self._over.wait(SECONDS_BETWEEN_LOOKS):
            try:
                if self._told_to_stop.is_set():
                    self.let_go()
                    return
                if time.monotonic() - heard >= self._beats:
                    heard = time.monotonic()
                    with self._site.database.housekeeping(operator()) as look:
                        jobwork.hold(look, self._job_id, self._runner)
            except LeaseLost:
                return  # whatever is written next finds it out
            except Refusal as error:  # the database is busy or away: the next beat may get through
                log.warning("no sign of life", batch=self._job_id, told=error.what)
