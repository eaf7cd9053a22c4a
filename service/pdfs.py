"""PDF files of others: opened and compared by a process of its own that cannot do harm."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from threading import BoundedSemaphore
from typing import Any

from service.refusals import Unavailable

_WALL_SECONDS = 60
_SECONDS_TO_WAIT = 20.0
_open = BoundedSemaphore(2)  # each may take a gigabyte, and a processor for half a minute
START = b"%PDF-"


class NotReadable(Exception):  # noqa: N818 - reads as the sentence it is
    """A file that is not opened; the text is the key of the reason.

    ``not-pdf``, ``damaged``, ``encrypted``, ``long`` (pages or text), ``large`` or ``packed`` (attached
    data), ``heavy`` (memory or time).
    """


@dataclass(frozen=True)
class Opened:
    """What is in a PDF.

    Attributes
    ----------
    files
        Name and text of each attached file.
    printed
        Text of each page, where nothing is attached.
    """

    pages: int
    files: tuple[tuple[str, str], ...]
    printed: tuple[str, ...]


def look_into(content: bytes) -> Opened:
    """Take out what is attached to a PDF.

    Raises
    ------
    NotReadable
        If it is none, or no report.
    Unavailable
        If others are opened at this moment, and it takes long.
    """
    if START not in content[:1024]:
        raise NotReadable("not-pdf")
    answer = _ask(["look"], content)
    files = tuple((each["name"], each["text"]) for each in answer["files"])
    return Opened(answer["pages"], files, tuple(answer["printed"]))


def compare(content: bytes, due: bytes) -> tuple[dict[str, Any], ...]:
    """Tell what a PDF shows otherwise than another: see :mod:`service.pdf_worker`.

    Raises
    ------
    NotReadable
        If one of them cannot be opened, or it would take too long.
    Unavailable
        As :func:`look_into`.
    """
    return tuple(_ask(["compare", str(len(content))], content + due)["found"])


def _ask(arguments: list[str], content: bytes) -> dict[str, Any]:
    command = [sys.executable, "-I", "-m", "service.pdf_worker", *arguments]
    try:
        with _turn():
            done = subprocess.run(  # noqa: S603 - our own module; the file goes to its standard input
                command, input=content, capture_output=True, timeout=_WALL_SECONDS, check=False, env={}
            )
        answer = json.loads(done.stdout) if done.returncode == 0 else None
    except (subprocess.TimeoutExpired, json.JSONDecodeError):
        answer = None
    if not isinstance(answer, dict):
        raise NotReadable("heavy")
    if "refused" in answer:
        raise NotReadable(answer["refused"])
    return answer


@contextmanager
def _turn() -> Iterator[None]:
    """Wait for one's turn to open a file."""
    if not _open.acquire(timeout=_SECONDS_TO_WAIT):
        raise Unavailable(
            "many PDF files are being opened at this moment", where="file",
            expected="fewer at once", fix="wait a minute and try again; nothing was stored",
        )  # fmt: skip
    try:
        yield
    finally:
        _open.release()
