"""Geometry of the pictures: where things stand, in CSS pixels, origin at the top left.

Scale bars give every class the same width and place a value inside its class in proportion, so that a
narrow class stays readable; the numbers at the limits say what the scale is. The picture's colours are
told apart by people with a colour deficiency, in grey and by fax, and never carry the meaning alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise

from reports.view import Dot, Plot, ScaleBar, Segment, Tick

BAR_WIDTH = 340.0
CHARACTER_WIDTH = 5.5  # mean of Fira Sans at the 10.2 px of a class word, bold, rounded up
LINE_HEIGHT = 10.0  # of a class word on several lines
MOST_LINES = 3
# Orange, grey and blue: at least 25 apart (CIE 1976 colour difference) with normal and with deficient colour
# vision, as computed once with the Machado 2009 matrices.
CLASS_FILLS = ("#b35806", "#f1a340", "#9a9a9a", "#6a9fd4", "#2c5aa0")
CLASS_INKS = ("#ffffff", "#000000", "#000000", "#000000", "#ffffff")
PLAIN_INK = "#3c3c3c"


@dataclass(frozen=True, slots=True)
class Scale:
    """Rising class limits and the end of the drawing; ``edges`` has one more entry than there are classes."""

    edges: tuple[float, ...]

    def at(self, value: float) -> float:
        """Fraction of the bar's length at which a value stands, 0 to 1; values outside stand at the ends."""
        if value <= self.edges[0]:
            return 0.0
        if value >= self.edges[-1]:
            return 1.0
        index = next(i for i, upper in enumerate(self.edges[1:]) if value < upper)
        lower, upper = self.edges[index], self.edges[index + 1]
        return (index + (value - lower) / (upper - lower)) / (len(self.edges) - 1)


def scale(lowers: Sequence[float], top: float | None) -> Scale:
    """Build a scale from class limits.

    Parameters
    ----------
    lowers
        Rising lower bounds of the classes, two or more.
    top
        Where the drawing ends; when missing or not above the last bound, the last class is drawn as wide
        as the one before it.
    """
    last = lowers[-1]
    end = top if top is not None and top > last else 2 * last - lowers[-2]
    return Scale((*lowers, end))


def class_colour(index: int, count: int, adequate: int | None = None) -> tuple[str, str]:
    """Fill and ink of a class.

    Orange means that a crop may run short and blue that it rarely does, where the table says from which
    class on that holds; otherwise the colours are spread over however many classes there are.
    """
    if adequate is None:
        step = round(index * (len(CLASS_FILLS) - 1) / max(count - 1, 1))
    elif index < adequate:
        step = min(index, 1)
    else:
        step = 3 if index == adequate else 4
    return CLASS_FILLS[step], CLASS_INKS[step]


def segments(words: Sequence[str], chosen: int | None, adequate: int | None = None) -> tuple[Segment, ...]:
    """Draw the classes of a bar; only the chosen one is filled. A name that does not fit is left out."""
    width = BAR_WIDTH / len(words)
    drawn = []
    for index, word in enumerate(words):
        is_chosen = index == chosen
        fill, ink = class_colour(index, len(words), adequate) if is_chosen else ("#ffffff", PLAIN_INK)
        lines = wrapped(word, int((width - 4) / CHARACTER_WIDTH))
        drawn.append(
            Segment(_px(index * width), _px(width), lines, _px((index + 0.5) * width), fill, ink, is_chosen)
        )
    return tuple(drawn)


@lru_cache(maxsize=1024)
def wrapped(name: str, characters: int) -> tuple[str, ...]:
    """Set a name on as few lines as hold it, the lines as even as they get; on none if three are too few."""
    words = name.split()
    for count in range(1, min(MOST_LINES, len(words)) + 1):
        cuts = ((0, *inner, len(words)) for inner in combinations(range(1, len(words)), count - 1))
        ways = [tuple(" ".join(words[a:b]) for a, b in pairwise(cut)) for cut in cuts]
        best = min(ways, key=lambda lines: max(map(len, lines)))
        if max(map(len, best)) <= characters:
            return best
    return ()


def scale_bar(
    *,
    alt: str,
    words: Sequence[str],
    scale: Scale,
    chosen: int | None,
    value: float,
    below: bool,
    reach: float | None,
    write: Callable[[float], str],
    adequate: int | None = None,
) -> ScaleBar:
    """Place one value on its classes.

    Parameters
    ----------
    alt
        The picture in words.
    words
        Class names, rising.
    scale
        Their limits.
    chosen
        Index of the value's class, None where the value could be in several.
    value
        The value, or the quantification limit of a censored one.
    below
        Whether the value is censored: the true value lies under ``value``.
    reach
        Half-width of the interval that holds the true value 19 times in 20, None when not known.
    write
        Writes a class limit as text.
    adequate
        Index of the first class in which a crop is rarely short, None where the table does not say.
    """
    beyond = value > scale.edges[-1] or value < scale.edges[0]
    low, high = (value - reach, value + reach) if reach is not None else (value, value)
    width = BAR_WIDTH / len(words)
    drawn = segments(words, chosen, adequate)
    return ScaleBar(
        alt=alt,
        segments=drawn,
        box_height=5 + LINE_HEIGHT * max(1, *(len(segment.lines) for segment in drawn)),
        ticks=tuple(
            Tick(_px((index + 1) * width), write(limit)) for index, limit in enumerate(scale.edges[1:-1])
        ),
        marker="below" if below else "beyond" if beyond else "value",
        marker_x=_px(scale.at(value) * BAR_WIDTH),
        reach_from=_px(scale.at(low) * BAR_WIDTH),
        reach_to=_px(scale.at(high) * BAR_WIDTH),
        has_reach=reach is not None and not below,
    )


def nice_ticks(low: float, high: float, count: int = 5) -> tuple[float, ...]:
    """Round numbers at a step of 1, 2 or 5 times a power of ten, from ``low`` to ``high`` inclusive."""
    span = high - low
    if span <= 0:
        return (low,)
    rough = span / count
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * nice for nice in (1, 2, 5, 10) if rough <= power * nice * (1 + 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return tuple(round(index * step, 12) for index in range(first, last + 1))


@dataclass(frozen=True, slots=True)
class Frame:
    """A plotting area and the values at its edges."""

    x_from: float
    x_to: float
    y_from: float
    y_to: float
    width: float = 330.0
    height: float = 220.0
    left: float = 58.0
    top: float = 12.0
    right: float = 322.0
    bottom: float = 182.0

    def x(self, value: float) -> float:
        """Pixel of a value on the horizontal axis."""
        return _px(self.left + (value - self.x_from) / (self.x_to - self.x_from) * (self.right - self.left))

    def y(self, value: float) -> float:
        """Pixel of a value on the vertical axis; larger values stand higher."""
        part = (value - self.y_from) / (self.y_to - self.y_from)
        return _px(self.bottom - part * (self.bottom - self.top))


def padded(values: Sequence[float], *more: float) -> tuple[float, float]:
    """Range of values with a twentieth of room at either end; a range of no width gets one."""
    everything = [*values, *more]
    low, high = min(everything), max(everything)
    room = 0.05 * (high - low) or abs(high) * 0.05 or 1.0
    return low - room, high + room


def plot(
    frame: Frame,
    *,
    title: str,
    alt: str,
    x_label: str,
    y_label: str,
    points: Sequence[tuple[float, float, bool]],
    write: Callable[[float], str],
    line: Sequence[tuple[float, float]] = (),
    band: tuple[float, float] | None = None,
    levels: Sequence[float] = (),
    dashed: Sequence[float] = (),
) -> Plot:
    """Lay out a picture with two axes.

    Parameters
    ----------
    frame
        Plotting area and axis ranges.
    title, alt, x_label, y_label
        Final strings.
    points
        ``(x, y, hollow)`` in values.
    write
        Writes a tick as text.
    line
        Points of the fitted line, in values.
    band
        Range of x to shade.
    levels, dashed
        Heights of full-width lines, in values.
    """
    shaded = None
    if band is not None:
        left, right = frame.x(band[0]), frame.x(band[1])
        shaded = (left, frame.top, _px(right - left), _px(frame.bottom - frame.top))
    return Plot(
        alt=alt,
        title=title,
        width=frame.width,
        height=frame.height,
        left=frame.left,
        top=frame.top,
        right=frame.right,
        bottom=frame.bottom,
        x_ticks=tuple(Tick(frame.x(v), write(v)) for v in nice_ticks(frame.x_from, frame.x_to)),
        y_ticks=tuple(Tick(frame.y(v), write(v)) for v in nice_ticks(frame.y_from, frame.y_to)),
        x_label=x_label,
        y_label=y_label,
        dots=tuple(Dot(frame.x(x), frame.y(y), hollow) for x, y, hollow in points),
        line=" ".join(f"{frame.x(x)},{frame.y(y)}" for x, y in line),
        band=shaded,
        levels=tuple(frame.y(v) for v in levels),
        dashed=tuple(frame.y(v) for v in dashed if frame.y_from <= v <= frame.y_to),
    )


def curve_line(
    coefficients: Sequence[float], low: float, high: float, points: int = 41
) -> list[tuple[float, float]]:
    """Points of signal = a + b x + c x² between two concentrations, in mg/L."""
    step = (high - low) / (points - 1)
    xs = [low + index * step for index in range(points)]
    return [(x, sum(c * x**power for power, c in enumerate(coefficients))) for x in xs]


def _px(value: float) -> float:
    return round(value, 2) + 0.0
