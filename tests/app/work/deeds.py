"""What workers are asked to do in these tests: small deeds that workers can import by name."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from interpretation.errors import FurrowsliceError


def double(number: int) -> int:
    return 2 * number


def fail(number: int) -> int:
    raise ValueError(f"no good: {number}")


def write(task: tuple[str, int]) -> tuple[int, int]:
    """Write one file whole, as the making of a report does; answers its number and the process."""
    folder, number = task
    path = Path(folder, f"{number:05d}")
    part = path.with_suffix(f".part-{os.getpid()}")
    part.write_text(f"{number}\n" * 200)
    time.sleep(0.005)
    part.replace(path)
    return number, os.getpid()


def write_or_die(task: tuple[str, int, int]) -> tuple[int, int]:
    """As :func:`write`, but one number takes the process with it."""
    folder, number, poison = task
    if number == poison:
        os.kill(os.getpid(), signal.SIGKILL)
    return write((folder, number))


def tell_process(_: int) -> int:
    return os.getpid()


def tell_manners(_: int) -> tuple[int, bool]:
    """How far the process stands back, and whether Ctrl-C leaves it alone."""
    return os.nice(0), signal.getsignal(signal.SIGINT) is signal.SIG_IGN


def tell_rounds(_: int) -> tuple[str, ...]:
    """What the worker of a cluster does besides, again and again."""
    import distributed  # not for all deeds: it changes how errors are packed up

    return tuple(sorted(distributed.get_worker().periodic_callbacks))


def sleep(seconds: float) -> float:
    time.sleep(seconds)
    return seconds


class Unportable(Exception):  # noqa: N818
    """An exception that no other process can make again."""

    def __init__(self, one: int, other: int) -> None:
        super().__init__(f"{one} and {other}")


def fail_unportably(number: int) -> int:
    raise Unportable(number, number)


def note_warming() -> None:
    """Leave a trace for each time that a worker was warmed up."""
    Path(os.environ["TRACES"], f"{os.getpid()}-{time.monotonic_ns()}").touch()


def cannot_warm_up() -> None:
    raise FurrowsliceError("no font here", fix="install one")


def stumble_warming_up() -> None:
    raise KeyError("nothing")


def die_warming_up() -> None:
    os.kill(os.getpid(), signal.SIGKILL)
