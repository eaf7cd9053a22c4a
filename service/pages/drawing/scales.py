"""A scale of classes as it is typed, drawn even where it is wrong: bars, bounds, gaps and overlaps.

Each class has a line of its own, so that two that overlap are seen to. Nothing is guessed: a bound that
cannot be read leaves its class without a bar, and says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from reports.charts import nice_ticks
from service.entries.celltext import WrongCellError, read_cell
from service.entries.columns import Column
from service.entries.entry import Entry

LEFT, RIGHT, TOP = 170.0, 656.0, 14.0
LINE, BAR = 34.0, 20.0
AXIS = 30.0  # room for the numbers below the lines
_NUMBER = Column("number", "number")
_TOLERANCE = 1e-6
_Place = Callable[[float], float]
Fault = Literal["gap", "overlap", "not-rising", "unreachable", "first"]


@dataclass(frozen=True)
class Bar:
    """One class; ``left`` and ``right`` are None where its bounds cannot be read.

    Attributes
    ----------
    printed
        Where its printed upper end is marked; None for none.
    open_end
        Whether it goes on beyond the drawing.
    """

    name: str
    y: float
    left: float | None
    right: float | None
    lower: str
    end: str
    printed: float | None
    open_end: bool
    open_below: bool
    adequate: bool


@dataclass(frozen=True)
class Mark:
    """A gap, an overlap or another fault between two classes, and where it is drawn."""

    what: Fault
    low: float
    high: float
    below: str
    above: str
    x: float
    width: float
    y: float


@dataclass(frozen=True)
class ScalePicture:
    """Everything that is drawn, in a picture of 680 by ``height``."""

    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    ticks: tuple[tuple[float, float], ...]  # x and value
    ends_at: float | None
    height: float

    @property
    def whole(self) -> bool:
        """Whether every bound could be read: only then is it known that nothing is wrong."""
        return all(bar.left is not None for bar in self.bars)

    @property
    def bottom(self) -> float:
        """Where the axis lies."""
        return self.height - AXIS


@dataclass(frozen=True)
class _Line:
    """One class as far as it can be read."""

    name: str
    lower: float | None
    end: float | None
    open_below: bool
    typed_lower: str
    typed_end: str


def number_of(text: str | None) -> float | None:
    """A typed number; None where it is none."""
    try:
        return float(read_cell(text, _NUMBER)) if text else None
    except (WrongCellError, OverflowError):
        return None


def scale_picture(typed: Entry) -> ScalePicture | None:
    """Lay a scale out; None where no bound can be read.

    Parameters
    ----------
    typed
        A scale, right or wrong.
    """
    facts = typed.facts
    lines = [_line(row) for row in typed.rows.get("classes", ())]
    known = [each for line in lines for each in (line.lower, line.end) if each is not None]
    if not known:
        return None
    ends_at, step = number_of(facts.get("ends_at")), number_of(facts.get("round_to")) or 0.0
    top = _top(lines, known, number_of(facts.get("scale_top")), ends_at)
    low = min(0.0, *known)
    scale = (RIGHT - LEFT) / ((top - low) or 1.0)

    def x(value: float) -> float:
        return round(LEFT + (min(max(value, low), top) - low) * scale, 2)

    names = [line.name for line in lines]
    start = names.index(facts["adequate_from"]) if facts.get("adequate_from") in names else len(lines)
    bars = tuple(
        _bar(line, number, lines, ends_at, top, x, number >= start) for number, line in enumerate(lines)
    )
    marks = tuple(_mark(each, bars, x) for each in faults(lines, step))
    ticks = tuple((x(value), value) for value in nice_ticks(low, top, 6))
    height = TOP + LINE * len(lines) + AXIS
    return ScalePicture(bars, marks, ticks, x(ends_at) if ends_at is not None else None, height)


def _line(row: Mapping[str, str]) -> _Line:
    return _Line(
        row.get("name", ""), number_of(row.get("from")), number_of(row.get("to")),
        row.get("open_below") == "yes", row.get("from", ""), row.get("to", ""),
    )  # fmt: skip


def _top(
    lines: Sequence[_Line], known: Sequence[float], scale_top: float | None, ends_at: float | None
) -> float:
    """Where the drawing ends: as the table says, or as far beyond the last bound as a class is wide."""
    lowers = sorted({line.lower for line in lines if line.lower is not None})
    room = lowers[-1] - lowers[-2] if len(lowers) > 1 else abs(max(known)) or 1.0
    beyond = [lowers[-1] + room] if scale_top is None and lowers else []
    said = [each for each in (scale_top, ends_at) if each is not None]
    return max(max(known) + 0.25 * room, *beyond, *said)


def _bar(
    line: _Line, number: int, lines: Sequence[_Line], ends_at: float | None, top: float, x: _Place,
    adequate: bool,
) -> Bar:  # fmt: skip
    following = next((each.lower for each in lines[number + 1 :] if each.lower is not None), None)
    last = following is None
    end = line.end if line.end is not None else following if following is not None else ends_at
    right = top if end is None else end
    y = TOP + LINE * number
    if line.lower is None:
        return Bar(line.name, y, None, None, line.typed_lower, line.typed_end, None, False, False, adequate)
    low, high = min(line.lower, right), max(line.lower, right)
    return Bar(
        line.name, y, x(low), x(high), line.typed_lower, line.typed_end,
        x(line.end) if line.end is not None else None, last and end is None, line.open_below, adequate,
    )  # fmt: skip


@dataclass(frozen=True)
class _Found:
    what: Fault
    low: float
    high: float
    line: int
    below: str
    above: str


def faults(lines: Sequence[_Line], step: float) -> list[_Found]:
    """Gaps and overlaps of printed ends, bounds that do not rise, classes that no reported value reaches.

    With a step of 1 the ends "0-9, 10-15" leave no gap; without a step that can be read any room is one.
    """
    found = []
    first = lines[0]
    if first.lower:
        found.append(_Found("first", min(0.0, first.lower), max(0.0, first.lower), 0, "", first.name))
    for number, (one, above) in enumerate(pairwise(lines)):
        if one.lower is None or above.lower is None:
            continue
        if above.lower <= one.lower:
            found.append(_Found("not-rising", above.lower, one.lower, number, one.name, above.name))
            continue
        if step > 0 and _first_step(one, step) >= _first_step(above, step):
            found.append(_Found("unreachable", one.lower, above.lower, number, one.name, above.name))
        if one.end is None:
            continue
        if one.end > above.lower + 1e-9:
            found.append(_Found("overlap", above.lower, one.end, number, one.name, above.name))
        elif (
            (one.end / step < _first_step(above, step) - 1 - _TOLERANCE)
            if step > 0
            else one.end < above.lower
        ):
            found.append(_Found("gap", one.end, above.lower, number, one.name, above.name))
    return found


def _first_step(line: _Line, step: float) -> float:
    """First whole step that belongs to a class."""
    assert line.lower is not None
    bound = line.lower / step
    bound = round(bound) if abs(bound - round(bound)) < _TOLERANCE else bound
    return math.floor(bound) + 1 if line.open_below else math.ceil(bound)


def _mark(found: _Found, bars: Sequence[Bar], x: _Place) -> Mark:
    low, high = x(found.low), x(found.high)
    middle, wide = (low + high) / 2, max(high - low, 6.0)
    return Mark(
        found.what, found.low, found.high, found.below, found.above, round(middle - wide / 2, 2),
        round(wide, 2), bars[found.line].y,
    )  # fmt: skip
