"""Drawings in text: a scale with its classes and limits, and bars of amounts.

Drawn in box characters, or in plain ASCII where the output has no others; never in colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass

from service.cli.console import can_write
from service.cli.tabletext.words import WIDTH, exact

INDENT = 2
ROOM = WIDTH - 2 * INDENT


@dataclass(frozen=True, slots=True)
class Strokes:
    """The characters a picture is drawn with."""

    start: str
    stop: str
    line: str
    limit: str
    on: str  # where the last class goes on without an end
    bar: str
    mark: str


BOXES = Strokes("├", "┤", "─", "┼", "▶", "█", "▲")
ASCII = Strokes("|", "|", "-", "+", ">", "#", "^")


def strokes() -> Strokes:
    """The best characters that standard output can write."""
    return BOXES if can_write("".join(astuple(BOXES))) else ASCII


def scale_picture(
    names: Sequence[str],
    limits: Sequence[float],
    top: float | None = None,
    enough: int | None = None,
    draw: Strokes = BOXES,
) -> list[str]:
    """Draw classes to scale, each limit with its number.

    Parameters
    ----------
    names, limits
        Classes, rising, and where each begins.
    top
        Where the drawing ends; the last class goes on. One mean class above the last limit if not given, or
        if it is not above it.
    enough
        First class in which a crop is rarely short; marked under its limit.
    draw
        Characters to draw with.

    Examples
    --------
    >>> print("\\n".join(scale_picture(("low", "high"), (0, 10), 20, draw=ASCII)))
                       low                                 high
      |-----------------------------------+------------------------------------>
      0                                   10
    """
    at = _places(limits, top)
    bar = _bar(at, draw)
    words = _words_inside(names, at)
    stairs = [] if words else _stairs(names, at, draw)
    lines = [*([words] if words else stairs), bar, *_numbers(limits, at)]
    if enough is not None:
        said = f"{draw.mark} crops are rarely short from here on"
        if at[enough] + len(said) > ROOM:
            said = f"crops are rarely short from here on {draw.mark}"
            lines.append(" " * max(0, at[enough] - len(said) + 1) + said)
        else:
            lines.append(" " * at[enough] + said)
    return [(" " * INDENT + line).rstrip() for line in lines]


def bars(
    rows: Sequence[tuple[str, float | None]], nothing: str, draw: Strokes = BOXES, heading: str = ""
) -> list[str]:
    """Draw one bar a row, its number before it.

    Parameters
    ----------
    rows
        What the bar is of, and its amount; ``None`` where there is none.
    nothing
        What is said in place of such a bar.
    draw
        Characters to draw with.
    heading
        Set over the first column.

    Examples
    --------
    >>> print("\\n".join(bars((("low", 30.0), ("high", 0.0), ("top", None)), "refused", ASCII)))
      low   30  ################################################################
      high   0
      top       refused
    """
    most = max((amount for _, amount in rows if amount is not None), default=0.0)
    written = ["" if amount is None else exact(amount) for _, amount in rows]
    label = max((len(name) for name, _ in rows), default=0)
    figure = max(map(len, written), default=0)
    apart = label > ROOM // 2  # long names stand over their bars
    room = ROOM - figure - 4 - (2 if apart else label)
    lines = [heading] if heading else []
    for (name, amount), text in zip(rows, written, strict=True):
        length = round(room * amount / most) if amount and most > 0 else 0
        drawn = nothing if amount is None else draw.bar * max(length, 1 if amount else 0)
        lines += [name] if apart else []
        lines.append(f"{'' if apart else name:<{2 if apart else label}}  {text:>{figure}}  {drawn}")
    return [(" " * INDENT + line).rstrip() for line in lines]


def _places(limits: Sequence[float], top: float | None) -> list[int]:
    """Column of each limit, and of the end; every class is at least two columns wide."""
    low, last = limits[0], limits[-1]
    end = top if top is not None and top > last else last + (last - low) / (len(limits) - 1)
    at = [round((value - low) / (end - low) * (ROOM - 1)) for value in (*limits, end)]
    for index in range(1, len(at)):
        at[index] = max(at[index], at[index - 1] + 2)
    for index in range(len(at) - 1, 0, -1):  # push back what was pushed over the edge
        at[index] = min(at[index], ROOM - 1 - 2 * (len(at) - 1 - index))
    return at


def _bar(at: Sequence[int], draw: Strokes) -> str:
    line = [draw.line] * ROOM
    for place in at[1:-1]:
        line[place] = draw.limit
    line[0], line[-1] = draw.start, draw.on
    return "".join(line)


def _words_inside(names: Sequence[str], at: Sequence[int]) -> str:
    """Class words, each over its part of the bar; nothing if one does not fit."""
    if any(len(name) > end - begin - 1 for name, begin, end in zip(names, at, at[1:], strict=False)):
        return ""
    line = " "
    for name, begin, end in zip(names, at, at[1:], strict=False):
        line = line.ljust(begin + 1) + name.center(end - begin - 1)
    return line


def _stairs(names: Sequence[str], at: Sequence[int], draw: Strokes) -> list[str]:
    """One line a class, its word beside its part of the bar."""
    lines = []
    for name, begin, end in zip(names, at, at[1:], strict=False):
        part = draw.start + draw.line * (end - begin - 1) + (draw.on if end == at[-1] else draw.stop)
        if end + 2 + len(name) <= ROOM:
            lines.append(" " * begin + f"{part} {name}")
        elif len(name) < begin:
            lines.append(f"{name} ".rjust(begin) + part)
        else:  # a very long word gets a line of its own
            lines += [name, " " * begin + part]
    return lines


def _numbers(limits: Sequence[float], at: Sequence[int]) -> list[str]:
    """Numbers under their limits, in as many lines as they need."""
    lines: list[str] = []
    for value, place in zip(limits, at, strict=False):
        text = exact(value)
        begin = min(place, ROOM - len(text))
        fitting = next((i for i, line in enumerate(lines) if not line or len(line) < begin), len(lines))
        if fitting == len(lines):
            lines.append("")
        lines[fitting] = lines[fitting].ljust(begin) + text
    return lines
