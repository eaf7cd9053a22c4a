"""A crew of workers: chunks of work go out, each comes back with its result, whatever becomes of a worker.

Behind it are one or more of ``concurrent.futures.Executor``: processes of this machine by default
(:mod:`service.work.processes`), or the workers of a cluster (:mod:`service.work.cluster`). What was done is
never recorded here: a chunk may be done twice, so what is done must bear it, and who gives out the chunks
keeps the record.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, wait
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from queue import Empty, SimpleQueue
from typing import Any, Protocol, TypeVar

from interpretation.errors import FurrowsliceError
from service.settings import Settings
from service.work.labour import SchedulerLost, Unfit, WarmUp, WorkerLost, begin, labour, prepared

__all__ = ["Alone", "Crew", "Employer", "SchedulerLost", "WorkerLost", "open_crew"]

C = TypeVar("C")
R = TypeVar("R")
DEATHS_IN_A_ROW = 3  # of workers that were not even ready yet
SECONDS_BETWEEN_LOOKS = 2.0  # at whether those who are to bring something back are still there
_NOTHING, _BEGIN = object(), object()


class Employer(Protocol):
    """Where executors come from."""

    seats: int  # executors wanted
    tasks_per_seat: int | None  # after so many an executor is made anew
    one_by_one: bool  # an executor has one worker, which takes its tasks in the order they were given

    def hire(self) -> Executor:
        """Make an executor; refuse clearly where there is none to be had."""

    def dismiss(self, executor: Executor) -> None:
        """Let an executor go, sound or not."""

    def is_sound(self, executor: Executor) -> bool:
        """Whether what an executor was given may still come back; refuse clearly where nobody is left."""

    def room(self) -> int:
        """How many chunks one executor may have at once now."""

    def workers(self) -> int:
        """How many workers there are now."""

    def read(self, error: BaseException) -> BaseException:
        """Say in our words what an executor's own error means."""


@dataclass(eq=False)
class _Seat:
    """One executor, and what it was given and has not brought back, in that order."""

    executor: Executor | None = None
    tasks: dict[Future[Any], Any] = field(default_factory=dict)
    given: int = 0
    deaths: int = 0


class Crew:
    """Workers that chunks of work are given to, in one round of work at a time.

    Parameters
    ----------
    employer
        Where executors come from.
    warm_up
        Called once in each worker before its first chunk; importable by name there.
    """

    def __init__(self, employer: Employer, warm_up: WarmUp | None = None) -> None:
        self._employer, self._preparation = employer, prepared(warm_up)
        self._seats = [_Seat() for _ in range(employer.seats)]
        self._ended: SimpleQueue[tuple[_Seat, Future[Any]]] = SimpleQueue()
        try:
            while any(seat.executor is None or seat.tasks for seat in self._seats):
                self._fill_seats()
                self._next_ended(deque())
        except BaseException:
            self.close()
            raise

    @property
    def workers(self) -> int:
        """How many workers there are; those of a cluster come and go."""
        return self._employer.workers()

    def run(self, function: Callable[[C], R], chunks: Iterable[C]) -> Generator[tuple[C, R | BaseException]]:
        """Have a function called on each chunk.

        Parameters
        ----------
        function
            Importable by name in the workers. It must bear being called twice on one chunk.
        chunks
            Taken as workers have room for them, never all at once: at most four a worker are under way.

        Yields
        ------
        tuple
            Each chunk once, in the order they end, with what the function returned, with the exception that
            it raised, or with :class:`WorkerLost`. A lost worker is made up for.

        Raises
        ------
        FurrowsliceError
            If there are no workers to be had any more, or one cannot be made ready. What was not yielded by
            then may have been done or not.
        """
        source, again = iter(chunks), deque[C]()
        try:
            while True:
                self._give_out(function, source, again)
                if not any(seat.tasks for seat in self._seats):
                    return
                yield from self._next_ended(again)
        finally:
            self._drop_all()

    def close(self) -> None:
        """Let all workers go."""
        for seat in self._seats:
            self._vacate(seat)

    def _fill_seats(self) -> None:
        """Have a sound executor on every seat that has nothing under way."""
        for seat in self._seats:
            most = self._employer.tasks_per_seat
            if seat.executor is not None and not seat.tasks:
                worn = most is not None and seat.given >= most
                if worn or not self._employer.is_sound(seat.executor):
                    self._vacate(seat)
            if seat.executor is None:
                seat.executor, seat.given = self._employer.hire(), 0
                self._submit(seat, _BEGIN, begin, self._preparation)

    def _give_out(self, function: Callable[[C], R], source: Iterator[C], again: deque[C]) -> None:
        """Give chunks to those with the least to do, as long as they have room."""
        while True:
            self._fill_seats()
            most = self._employer.tasks_per_seat
            open_seats = [seat for seat in self._seats if most is None or seat.given < most]
            seat = min(open_seats, key=lambda seat: len(seat.tasks), default=None)
            if seat is None or len(seat.tasks) >= self._employer.room():
                return
            chunk: Any = again.popleft() if again else next(source, _NOTHING)
            if chunk is _NOTHING:
                return
            if not self._submit(seat, chunk, labour, function, chunk, self._preparation):
                again.appendleft(chunk)
                if seat.tasks:
                    return  # what came of them is told to us next
                self._vacate(seat)

    def _submit(self, seat: _Seat, chunk: object, *call: Any) -> bool:
        assert seat.executor is not None
        try:
            future: Future[Any] = seat.executor.submit(*call)
        except BrokenExecutor:
            return False
        seat.tasks[future] = chunk
        seat.given += 1
        future.add_done_callback(partial(self._tell, seat))
        return True

    def _tell(self, seat: _Seat, future: Future[Any]) -> None:
        self._ended.put((seat, future))

    def _next_ended(self, again: deque[Any]) -> list[tuple[Any, Any]]:
        """Wait until something has ended, and say what came of it."""
        try:
            seat, future = self._ended.get(timeout=SECONDS_BETWEEN_LOOKS)
        except Empty:
            return self._look(again)
        if future not in seat.tasks:
            return []  # of a round that was left, or of an executor that was lost
        if future.cancelled() or isinstance(future.exception(), BrokenExecutor):
            return self._lost(seat, again)
        return self._outcome(seat, seat.tasks.pop(future), future)

    def _look(self, again: deque[Any]) -> list[tuple[Any, Any]]:
        lost = [
            seat
            for seat in self._seats
            if seat.executor is not None and not self._employer.is_sound(seat.executor)
        ]
        return [each for seat in lost for each in self._lost(seat, again)]

    def _outcome(self, seat: _Seat, chunk: Any, future: Future[Any]) -> list[tuple[Any, Any]]:
        error = future.exception()
        if error is not None:
            error = self._employer.read(error)
        if isinstance(error, Unfit):
            raise error.reason
        if chunk is _BEGIN:
            if error is not None:
                raise error
            seat.deaths = 0
            return []
        return [(chunk, future.result() if error is None else error)]

    def _lost(self, seat: _Seat, again: deque[Any]) -> list[tuple[Any, Any]]:
        """Say what a lost executor had under way; it is made up for when the next chunk is given out.

        Of a single process only the oldest task can have been begun: the others are given out again without
        a word, so that nothing innocent is blamed.
        """
        tasks, seat.tasks = seat.tasks, {}
        if self._employer.one_by_one:
            wait(tasks)
        self._vacate(seat)
        found: list[tuple[Any, Any]] = []
        back: list[Any] = []
        blamed = False
        for future, chunk in tasks.items():
            if (
                future.done()
                and not future.cancelled()
                and not isinstance(future.exception(), BrokenExecutor)
            ):
                found += self._outcome(seat, chunk, future)
            elif not self._employer.one_by_one:
                found.append((chunk, SchedulerLost("the cluster's scheduler was lost while this was done")))
            elif blamed:
                back.append(chunk)
            else:
                blamed = True
                if chunk is _BEGIN:
                    self._count_death(seat)
                else:
                    found.append((chunk, WorkerLost("the process that did this came to an end over it")))
        again.extendleft(reversed(back))
        return found

    @staticmethod
    def _count_death(seat: _Seat) -> None:
        seat.deaths += 1
        if seat.deaths >= DEATHS_IN_A_ROW:
            raise FurrowsliceError(
                f"{seat.deaths} processes one after the other came to an end before they were ready to work",
                expected="room in memory for each process, which a report needs about 160 MB of",
                fix="look at what the system's log says of them, or have fewer with --workers",
            )

    def _vacate(self, seat: _Seat) -> None:
        executor, seat.executor = seat.executor, None
        if executor is not None:
            self._employer.dismiss(executor)

    def _drop_all(self) -> None:
        """Leave a round behind: nothing of it is under way any more."""
        for seat in self._seats:
            tasks, seat.tasks = seat.tasks, {}
            if self._employer.one_by_one:
                wait(tasks)  # what a process has begun cannot be called back, and is soon over
            for future in tasks:
                future.cancel()


class Alone:
    """This very process as a crew, where another would not be worth its start."""

    workers = 1

    def run(self, function: Callable[[C], R], chunks: Iterable[C]) -> Generator[tuple[C, R | BaseException]]:
        """As :meth:`Crew.run`; nobody is lost, as everything would be."""
        for chunk in chunks:
            result: R | BaseException
            try:
                result = function(chunk)
            except Exception as error:
                result = error
            yield chunk, result


@contextmanager
def open_crew(settings: Settings, warm_up: WarmUp | None = None) -> Iterator[Crew]:
    """Have a crew for the length of a block.

    Parameters
    ----------
    settings
        Name the cluster's scheduler and its certificates, or how many processes work on this machine.
    warm_up
        Called once in each worker before its first chunk; importable by name there.

    Raises
    ------
    FurrowsliceError
        If the cluster cannot be reached, or a worker cannot be made ready.
    """
    employer: Employer
    if settings.scheduler:
        from service.work.cluster import Cluster

        employer = Cluster(settings)
    else:
        from service.work.processes import Processes

        employer = Processes(settings.workers)
    crew = Crew(employer, warm_up)
    try:
        yield crew
    finally:
        crew.close()
