"""What workers are asked to do in these tests: small deeds that workers can import by name."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path


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
