"""Numbers of pictures and of their tables, written fast."""

from __future__ import annotations

import math
from functools import cache

from service.web.templates import words

MOST_KEPT = 20_000


class Numbers:
    """Writes numbers with so many decimals as a language does, half up as reports print them.

    Below a thousand only the decimal mark differs between languages; from there on the locale groups. What
    was written once is kept: values of one test lie close together.
    """

    def __init__(self, language: str) -> None:
        self._format = words(language).format
        self._mark = self._format.number(0.5, 1)[1]
        self._kept: dict[tuple[int, int], str] = {}

    def write(self, value: float, decimals: int) -> str:
        """Write one number."""
        key = (math.floor(value * 10**decimals + 0.500000001), decimals)
        text = self._kept.get(key)
        if text is None:
            if len(self._kept) >= MOST_KEPT:
                self._kept.clear()
            text = self._kept[key] = self._written(key[0] / 10**decimals, decimals)
        return text

    def _written(self, value: float, decimals: int) -> str:
        if abs(value) >= 1000:
            return self._format.number(value, decimals)
        return f"{value:.{decimals}f}".replace("-", "−").replace(".", self._mark)


@cache
def numbers(language: str) -> Numbers:
    """How one language writes, made once."""
    return Numbers(language)
