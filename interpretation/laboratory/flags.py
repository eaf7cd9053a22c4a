"""Flags as bits: one int64 column holds everything that was noticed about a cup.

Bits exist only inside frames; records and files carry the names (:class:`interpretation.results.Flag`),
so the order of the enumeration may change without harm to anything stored.
"""

from __future__ import annotations

from types import MappingProxyType

from interpretation.results import Flag

_BITS = MappingProxyType({flag: 1 << index for index, flag in enumerate(Flag)})


def bit(flag: Flag) -> int:
    """Bit of one flag.

    Examples
    --------
    >>> import numpy as np
    >>> flags = np.zeros(3, dtype=np.int64)
    >>> flags |= np.where([True, False, True], bit(Flag.NEGATIVE), 0)
    >>> [names(int(mask)) for mask in flags][1]
    ()
    """
    return _BITS[flag]


def mask(*flags: Flag) -> int:
    """Bits of several flags together; ``column & mask(...) != 0`` asks whether any of them is set."""
    together = 0
    for flag in flags:
        together |= _BITS[flag]
    return together


def names(mask: int) -> tuple[Flag, ...]:
    """Flags set in a mask, in the order of the enumeration.

    Raises
    ------
    ValueError
        If the mask has a bit that belongs to no flag: it was not made by :func:`bit`.
    """
    if mask < 0 or mask >> len(_BITS):
        raise ValueError(f"{mask} has bits that belong to no flag")
    return tuple(flag for flag, value in _BITS.items() if mask & value)
