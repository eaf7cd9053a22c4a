"""Numbers of pictures and of their tables, written fast."""

from __future__ import annotations

import math
from collections.abc import Callable
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
        self._kept: dict[int, dict[int, str]] = {}

    def write(self, value: float, decimals: int) -> str:
        """Write one number."""
        return self.writer(decimals)(value)

    def writer(self, decimals: int) -> Callable[[float], str]:
        """How numbers with so many decimals are written, for many of them."""
        kept, scale, floor = self._kept.setdefault(decimals, {}), 10**decimals, math.floor

        def write(value: float) -> str:
            steps = floor(value * scale + 0.500000001)
            text = kept.get(steps)
            if text is None:
                if len(kept) >= MOST_KEPT:
                    kept.clear()
                text = kept[steps] = self._written(steps / scale, decimals)
            return text

        return write

    def _written(self, value: float, decimals: int) -> str:
        if abs(value) >= 1000:
            return self._format.number(value, decimals)
        return f"{value:.{decimals}f}".replace("-", "−").replace(".", self._mark)


@cache
def numbers(language: str) -> Numbers:
    """How one language writes, made once."""
    return Numbers(language)
