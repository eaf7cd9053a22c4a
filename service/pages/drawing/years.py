"""The history of a field as pictures: one for each analyte by one method, years along, values up.

Samples are small dots, the mean of a visit's samples a ring on the line. A visit with a value below a limit
has no mean: half of it would be a guess.

Everything here is plain arithmetic on a few hundred numbers, and the pictures are put together here and not
in the template: the page must cost little more than reading the numbers. Nothing but numbers gets into them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from markupsafe import Markup

from interpretation.methods import Method
from reports.charts import nice_ticks
from service.pages.drawing.numbers import Numbers
from service.store.history import Found, VisitOfField

# The picture is 340 by 196, drawn on a raster twice as fine, in whole numbers.
LEFT, RIGHT, TOP, BOTTOM = 118, 650, 44, 328  # where points may stand; the axis is further left
CHARACTER_WIDTH = 12  # of a number at a point; where two would touch, one is left to the table
MOST_YEARS = 7  # more year numbers than this would touch each other
OWN_ZERO = frozenset({"pH", "index"})  # units whose nought is no "nothing there"
PLAIN_DIGITS = 2  # of a method that the tables do not have

Key = tuple[str, str, str, str, str]  # analyte, method, form, unit, basis
Values = dict[int, list[float]]  # by visit


@dataclass(frozen=True, slots=True)
class Picture:
    """One analyte by one method; ``drawing`` stands inside an ``svg`` of 680 by 392."""

    key: Key
    drawing: Markup
    first: str  # oldest and newest mean or limit as written, for the picture in words
    last: str


@dataclass(frozen=True, slots=True)
class VisitLine:
    """One visit: the same numbers as cells of a table, one for each picture."""

    id: int
    sampled_on: date
    crop: str
    reports: list[VisitOfField]
    cells: Markup


@dataclass(frozen=True, slots=True)
class Years:
    """Everything the history shows; visits newest first."""

    pictures: list[Picture]
    visits: list[VisitLine]


def years(
    visits: Sequence[VisitOfField], found: Sequence[Found], methods: Mapping[str, Method], numbers: Numbers,
    order: Mapping[str, int],
) -> Years:  # fmt: skip
    """Lay the history out.

    Parameters
    ----------
    visits, found
        From :mod:`service.store.history`.
    methods
        The tables' methods: they say how many digits are reported.
    numbers
        Writes numbers.
    order
        Place of each analyte in the order of reading; others follow.
    """
    values: dict[Key, Values] = {}
    limits: dict[Key, Values] = {}
    for visit, analyte, method, form, unit, basis, value, below in found:
        key = (analyte, method, form, unit, basis)
        chosen, number = (values, value) if below is None else (limits, below)
        chosen.setdefault(key, {}).setdefault(visit, []).append(number)  # type: ignore[arg-type]
    heads = {row[0]: row for row in reversed(visits)}  # oldest first
    axis = _axis(*_span([row[1] for row in heads.values()])) if values or limits else None
    pictures: list[Picture] = []
    columns: list[dict[int, str]] = []
    for key in sorted(values.keys() | limits.keys(), key=lambda key: (order.get(key[0], 99), key)):
        assert axis is not None
        series = _Series(key, values.get(key, {}), limits.get(key, {}), methods.get(key[1]), numbers)
        picture, cells = series.drawn({visit: head[1] for visit, head in heads.items()}, axis)
        pictures.append(picture)
        columns.append(cells)
    lines = {
        visit: VisitLine(visit, head[1], head[2], [], _cells([cells.get(visit, "") for cells in columns]))
        for visit, head in reversed(heads.items())
    }
    for row in visits:
        if row[3] is not None:
            lines[row[0]].reports.append(row)
    return Years(pictures, list(lines.values()))


def _cells(texts: list[str]) -> Markup:
    return Markup("<td>" + "</td><td>".join(texts) + "</td>") if texts else Markup()  # noqa: S704 - numbers


@dataclass(frozen=True, slots=True)
class _Axis:
    """The days from the first of the oldest year to the last of the newest; shared by all pictures."""

    begin: int
    scale: float
    marks: str


def _span(days: Sequence[date]) -> tuple[int, int]:
    return min(days).year, max(days).year


@lru_cache(maxsize=256)
def _axis(first: int, last: int) -> _Axis:
    begin, end = date(first, 1, 1).toordinal(), date(last + 1, 1, 1).toordinal()
    scale = (RIGHT - LEFT) / (end - begin)
    step = math.ceil((last - first + 1) / MOST_YEARS)
    marks = "".join(
        f'<text x="{int(LEFT + (date(year, 7, 1).toordinal() - begin) * scale)}" y="356">{year}</text>'
        for year in range(last, first - 1, -step)
    )
    return _Axis(begin, scale, f'<g text-anchor="middle">{marks}</g>')


@dataclass(frozen=True, slots=True)
class _Series:
    """All values of one analyte by one method, by visit."""

    key: Key
    values: Values
    limits: Values
    method: Method | None
    numbers: Numbers

    def drawn(self, days: Mapping[int, date], axis: _Axis) -> tuple[Picture, dict[int, str]]:
        """Draw them, and write the table's cell of each visit."""
        low, high = self._range()
        up = (BOTTOM - TOP) / (high - low)
        foot = BOTTOM + low * up + 0.5
        write = self.numbers.writer(self._digits(high))
        dots, marks, rings, line, labels, texts = [], [], [], [], [], []
        cells: dict[int, str] = {}
        for visit, day in days.items():
            values, limits = self.values.get(visit), self.limits.get(visit)
            if values is None and limits is None:
                continue
            x = int(LEFT + (day.toordinal() - axis.begin) * axis.scale)
            written = []
            if values:
                dots += [f"M{x} {int(foot - value * up)}h0" for value in values]
                written = [write(value) for value in values]
            if limits:
                marks += [f"M{x - 8} {int(foot - limit * up) - 6}h16l-8 14z" for limit in limits]
                written += ["&lt;" + write(limit) for limit in limits]
                cells[visit] = text = "; ".join(written)
                labels.append((x, int(foot - max(limits) * up) - 14, text if len(written) == 1 else ""))
            elif values:
                mean = sum(values) / len(values)
                text = write(mean)
                y = int(foot - mean * up)
                line.append(f"{x},{y}")
                rings.append(f"M{x - 7} {y}a7 7 0 1 0 14 0a7 7 0 1 0 -14 0")
                cells[visit] = text if len(values) == 1 else f"{text} ({'; '.join(written)})"
                labels.append((x, y - 14, text))
            texts.append(text)
        drawing = (
            f"{self._scale(low, high, foot, up)}{axis.marks}"
            f'<path class="dots" d="{"".join(dots)}"/>'
            f'<path class="limits" d="{"".join(marks)}"/>'
            f'<polyline points="{" ".join(line)}"/><path class="rings" d="{"".join(rings)}"/>'
            f'<g class="labels">{_apart(labels)}</g>'
        )
        return Picture(self.key, Markup(drawing), texts[0], texts[-1]), cells  # noqa: S704 - numbers

    def _range(self) -> tuple[float, float]:
        """Values at the foot and the top of the picture: from nought up, except for a pH and an index."""
        every = [v for group in (self.values, self.limits) for values in group.values() for v in values]
        low, high = min(every), max(every)
        if self.key[3] not in OWN_ZERO and low > 0:
            low = 0.0
        room = 0.1 * (high - low) or abs(high) * 0.05 or 1.0
        return (low if low == 0.0 else low - room), high + room

    def _digits(self, high: float) -> int:
        """Decimals that the method reports at the upper end, so that a column has as many everywhere."""
        if self.method is None:
            return PLAIN_DIGITS
        return next(
            (rule.decimals for rule in reversed(self.method.digits) if high >= rule.at),
            self.method.digits[0].decimals,
        )

    def _scale(self, low: float, high: float, foot: float, up: float) -> str:
        ticks = nice_ticks(low, high, 4)
        step = ticks[1] - ticks[0] if len(ticks) > 1 else high - low
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        drawn = [
            f'<text x="80" y="{int(foot - tick * up) + 6}">{self.numbers.write(tick, digits)}</text>'
            f'<path d="M82 {int(foot - tick * up)}h578"/>'
            for tick in ticks
        ]
        return f'<g class="scale">{"".join(drawn)}</g>'


def _apart(labels: list[tuple[int, int, str]]) -> str:
    """Labels that do not touch each other: the newest first, for that is what is asked for."""
    kept, free = [], float(RIGHT * 2)
    for x, y, text in reversed(labels):
        half = (len(text) + 1) * CHARACTER_WIDTH / 2
        if text and x + half <= free:
            kept.append(f'<text x="{x}" y="{y}">{text}</text>')
            free = x - half
    return "".join(kept)
