"""The simplest keeper of a record: what is to be done, given out again where a worker was lost."""

from __future__ import annotations

import os
import signal
from collections import Counter
from pathlib import Path

from service.work.executors import Crew, WorkerLost
from tests.app.work import deeds

TRIES = 3


def made(folder: Path) -> list[str]:
    """Names of the files that were written whole."""
    return sorted(path.name for path in folder.iterdir() if path.suffix == "")


def names(count: int) -> list[str]:
    return [f"{number:05d}" for number in range(count)]


def is_whole(folder: Path) -> bool:
    """Whether each file holds all that it should."""
    return all((folder / name).read_text() == f"{int(name)}\n" * 200 for name in made(folder))


def with_a_kill(crew: Crew, folder: Path, count: int) -> tuple[Counter[int], list[int]]:
    """Write so many files, and kill a worker once a quarter is there.

    Returns how often each was answered, and which were said to be lost.
    """
    answered: Counter[int] = Counter()
    lost = []
    tasks = ((str(folder), number) for number in range(count))
    for (_, number), result in crew.run(deeds.write, tasks):
        answered[number] += 1
        if isinstance(result, WorkerLost):
            lost.append(number)
        else:
            assert not isinstance(result, BaseException)
            if answered.total() == count // 4:
                os.kill(result[1], signal.SIGKILL)
    return answered, lost


def done_in_the_end(crew: Crew, folder: Path, count: int, poison: int) -> tuple[set[int], set[int]]:
    """Write so many files, one of which nobody can write; returns which are done and which were given up."""
    waiting, tries, done = set(range(count)), Counter[int](), set[int]()
    while waiting:
        tasks = [(str(folder), number, poison) for number in sorted(waiting)]
        for (_, number, _), result in crew.run(deeds.write_or_die, tasks):
            tries[number] += 1
            if not isinstance(result, WorkerLost):
                done.add(number)
        waiting = {number for number in waiting - done if tries[number] < TRIES}
    return done, {number for number in tries if number not in done}
