"""Passwords: how they are judged, hashed and checked."""

from __future__ import annotations

from functools import cache
from threading import BoundedSemaphore

from argon2 import Parameters, Type
from argon2.profiles import RFC_9106_LOW_MEMORY
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

SHORTEST, LONGEST = 15, 200  # characters; no rules of composition (OWASP ASVS v5.0.0-6.2.1, 6.2.5, 6.2.9)
PARAMETERS: Parameters = RFC_9106_LOW_MEMORY  # Argon2id, 64 MiB, 3 passes, 4 lanes (RFC 9106, section 4)

# Each hash takes 64 MiB: more at once than this would let sign-ins exhaust the memory.
_at_once = BoundedSemaphore(4)


@cache
def _hasher() -> PasswordHash:
    assert PARAMETERS.type is Type.ID
    return PasswordHash(
        (
            Argon2Hasher(
                time_cost=PARAMETERS.time_cost,
                memory_cost=PARAMETERS.memory_cost,
                parallelism=PARAMETERS.parallelism,
            ),
        )
    )


def hashed(password: str) -> str:
    """Hash a password for keeping: Argon2id with a salt of its own."""
    with _at_once:
        return _hasher().hash(password)


@cache
def _of_nobody() -> str:
    return hashed("the password of nobody at all")


def matches(password: str, kept: str) -> bool:
    """Check a password against what is kept; as slow for an account that does not exist (``kept`` empty)."""
    against = kept or _of_nobody()
    with _at_once:
        return _hasher().verify(password[:LONGEST], against) and bool(kept)
