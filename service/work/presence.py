"""The name under which a process works, from which others can tell that it has ended.

A process that was killed lets go of nothing. Elsewhere it is missed after the length of a lease; on its own
machine it can be seen at once that it is no longer there.
"""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from pathlib import Path


def new_name() -> str:
    """A name for work of this process: where it runs, which process it is, and a mark of its own."""
    pid = os.getpid()
    return f"{_place()} {pid} {_began(pid)} {secrets.token_hex(4)}"


def has_ended(name: str) -> bool:
    """Whether the process of a name has certainly ended; False where that cannot be known from here."""
    place, _, rest = name.partition(" ")
    pid, _, rest = rest.partition(" ")
    began = rest.partition(" ")[0]
    if not (pid.isdecimal() and began and place and place == _place()):
        return False
    return _began(int(pid)) != began


def _place() -> str:
    """This start of this machine, and the space in which its processes are numbered; empty: not known."""
    with suppress(OSError):
        boot = Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
        return f"{boot}/{Path('/proc/self/ns/pid').readlink()}"
    return ""


def _began(pid: int) -> str:
    """When a process began, in ticks since the machine did; empty: there is none, or it does nothing more."""
    with suppress(OSError, IndexError):
        # The name in the second field may hold blanks and brackets.
        told = Path(f"/proc/{pid}/stat").read_text("utf-8", "replace").rpartition(")")[2].split()
        return "" if told[0] in ("Z", "X") else told[19]
    return ""
