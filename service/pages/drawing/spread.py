"""How the changes of amounts are spread: a bar for each step, none across nought."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from markupsafe import Markup, escape

from service.pages.drawing.flow import Drawing

WIDTH, HEIGHT = 420, 220
LEFT, RIGHT, TOP, FOOT = 22, 398, 44, 176
MOST_LABELS = 8

Step = tuple[float, float, int]  # from, to, how many


def spread(
    steps: Sequence[Step], unit: str, write: Callable[[float], str], count: Callable[[int], str]
) -> Drawing:
    """Draw the bars of one nutrient; decreases are hatched, increases are full.

    Parameters
    ----------
    steps
        Rising, all of one width, in the unit; a step in which nothing falls may be left out.
    unit
        As printed.
    write, count
        Write an edge of a step, and how many fall in it.
    """
    width = steps[0][1] - steps[0][0]
    low, high = min(0.0, steps[0][0]), max(0.0, steps[-1][1])
    number = max(round((high - low) / width), 1)
    across = (RIGHT - LEFT) / max(number, 6)
    most = max(each[2] for each in steps)
    bars, told = [], []
    for start, _, falls in steps:
        place = round((start - low) / width)
        x, tall = LEFT + place * across, max((FOOT - TOP) * falls / most, 1.5)
        y = FOOT - tall
        bars.append(
            f'<rect x="{x + 1.5:.1f}" y="{y:.1f}" width="{across - 3:.1f}" height="{tall:.1f}" '
            f'fill="{"#fff" if start < 0 else "#4a4a4a"}" stroke="#222"/>'
        )
        if start < 0:
            bars.append(_hatch(x + 1.5, y, across - 3, tall))
        told.append(f'<text x="{x + across / 2:.1f}" y="{y - 5:.1f}">{count(falls)}</text>')
    every = math.ceil(number / MOST_LABELS)
    nought = round(-low / width)
    marked = [place for place in range(number + 1) if (place - nought) % every == 0]
    named = [(LEFT + place * across, write(round((place - nought) * width, 9))) for place in marked]
    edges = [f'<text x="{x:.1f}" y="{FOOT + 17}">{text}</text>' for x, text in named]
    at = LEFT + nought * across
    inside = (
        f'<g>{"".join(bars)}</g><g font-size="12" fill="#222" text-anchor="middle">{"".join(told)}'
        f'{"".join(edges)}<text x="{(LEFT + RIGHT) / 2:.0f}" y="{FOOT + 36}">{escape(unit)}</text></g>'
        f'<path d="M{LEFT} {FOOT}H{RIGHT}M{at:.1f} {TOP - 24}V{FOOT + 4}" stroke="#222" fill="none"/>'
    )
    return Drawing(WIDTH, HEIGHT, Markup(inside))  # noqa: S704 - numbers, and a unit that is escaped


def _hatch(x: float, y: float, wide: float, tall: float) -> str:
    """Level lines six apart."""
    lines = "".join(f"M{x:.1f} {y + at:.1f}h{wide:.1f}" for at in range(3, int(tall), 6))
    return f'<path d="{lines}" stroke="#222" stroke-width="1"/>' if lines else ""
