"""What happens inside a worker: it is made ready once, then does one chunk after the other."""

from __future__ import annotations

import platform
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

from interpretation.errors import FurrowsliceError

WarmUp = Callable[[], None]


@dataclass(frozen=True)
class Preparation:
    """What a worker is before it is given work.

    Attributes
    ----------
    warm_up
        Called once; None: nothing.
    version
        Of Furrowslice: two versions may draw the same report differently.
    """

    warm_up: WarmUp | None
    version: str


_ready: set[Preparation] = set()


def prepared(warm_up: WarmUp | None) -> Preparation:
    """Ask of workers what holds for this process."""
    return Preparation(warm_up, version("furrowslice"))


class WorkerLost(Exception):  # noqa: N818 - reads as the sentence it is
    """The worker died over a chunk; nobody knows how far it came.

    A part of the chunk may have been done. Of several items in it any may be to blame: tried again one by
    one, the others are not held up by it.
    """


class SchedulerLost(WorkerLost):
    """The cluster's scheduler was lost, and what became of the chunk with it. The chunk is not to blame."""


class Unfit(Exception):  # noqa: N818 - reads as the sentence it is
    """A worker cannot be made ready; ``reason`` is an error that says why."""

    def __init__(self, reason: FurrowsliceError) -> None:
        super().__init__(reason)
        self.reason = reason


def begin(preparation: Preparation) -> None:
    """Make this worker ready, once.

    Raises
    ------
    Unfit
        If that fails, or this is another version.
    """
    if preparation in _ready:
        return
    if (here := version("furrowslice")) != preparation.version:
        raise Unfit(
            FurrowsliceError(
                f"a worker has version {here} of Furrowslice, the work is of {preparation.version}",
                where=platform.node(),
                expected="the same version on every machine: a report depends on it",
                fix="install it there, and start the worker anew",
            )
        )
    try:
        if preparation.warm_up is not None:
            preparation.warm_up()
    except FurrowsliceError as error:
        raise Unfit(error) from None
    except Exception as error:
        said = f"{type(error).__name__}: {error}"
        raise Unfit(
            FurrowsliceError("a worker cannot be made ready: " + said, where=platform.node())
        ) from None
    _ready.add(preparation)


def labour(function: Callable[[Any], Any], chunk: Any, preparation: Preparation) -> Any:
    """Do one chunk in this worker; an exception that may not be able to travel goes as a text."""
    begin(preparation)
    try:
        return function(chunk)
    except Exception as error:
        if isinstance(error, FurrowsliceError) or type(error).__module__ == "builtins":
            raise
        raise RuntimeError(f"{type(error).__name__}: {error}") from None
