"""How many requests somebody may make: counted in this process, which is the server's only one.

A row in the database for every request would make each read a write. The limit guards against programs that
run wild, not against attackers: to forget the count at a restart does no harm.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from threading import Lock

SWEEP_AT = 10_000  # so many counts at most are remembered; beyond it, those that stand at nothing are dropped


class Buckets:
    """One leaking bucket a key: ``per_minute`` requests at once, then as fast as they leak out.

    Parameters
    ----------
    per_minute
        How many requests a minute.
    clock
        Seconds that never run backwards; tests give their own.
    """

    def __init__(self, per_minute: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._between = 60 / per_minute
        self._clock = clock
        self._empty_at: dict[str, float] = {}  # when the bucket would be empty again
        self._lock = Lock()

    def wait_seconds(self, key: str) -> int:
        """Count one request; 0, or how many seconds to wait where there were too many."""
        now = self._clock()
        with self._lock:
            empty_at = max(self._empty_at.get(key, now), now) + self._between
            over = empty_at - now - 60
            if over > 1e-6:  # sixty seconds' worth fits exactly, whatever the last digit
                return max(1, math.ceil(over))
            self._empty_at[key] = empty_at
            if len(self._empty_at) > SWEEP_AT:
                self._empty_at = {each: at for each, at in self._empty_at.items() if at > now}
        return 0
