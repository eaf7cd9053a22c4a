"""Workers that are processes of this machine.

Each worker is a pool of its own with one process. In a common pool the death of one process breaks all of
it: everything under way would be lost, and nobody could tell which task it was that the process died over.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from concurrent.futures import Executor, ProcessPoolExecutor

AT_ONCE = 2  # chunks with one process: one that it does, one that waits for it
CHUNKS_PER_PROCESS = 250  # after these a process is made anew, whatever its memory has become
NICENESS = 10  # pages of the server go first


class Processes:
    """Hires processes.

    Parameters
    ----------
    count
        How many; 0: one for each processor that this process may use.
    """

    one_by_one = True
    tasks_per_seat: int | None = CHUNKS_PER_PROCESS

    def __init__(self, count: int = 0) -> None:
        self.seats = count or processors()

    def hire(self) -> Executor:
        """Start a process. It begins afresh and not as a copy, which would copy locks that threads hold."""
        fresh = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(1, mp_context=fresh, initializer=settle_in)

    def dismiss(self, executor: Executor) -> None:
        """Let a process end what it has begun, and leave."""
        executor.shutdown()

    def is_sound(self, executor: Executor) -> bool:  # noqa: ARG002 - a broken pool says so itself
        """Whether a process may still bring something back."""
        return True

    def room(self) -> int:
        """How many chunks one process may have."""
        return AT_ONCE

    def workers(self) -> int:
        """How many processes there are."""
        return self.seats

    def read(self, error: BaseException) -> BaseException:
        """Errors come as they were raised."""
        return error


def processors() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def settle_in() -> None:
    """Begin as a worker: behind the server in the queue for the processor, and gone when the server is.

    A server that is killed tells nobody. But the system then closes its end of a pipe, which the worker
    watches, so that none is left over.
    """
    with contextlib.suppress(OSError):
        os.nice(NICENESS)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that began all this
    threading.Thread(target=_leave_with_parent, name="parent", daemon=True).start()


def _leave_with_parent() -> None:
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)
