"""Geometry of the boards: one scale at the head, and below it a lane for each sample or year.

Words and limits of the classes stand once, at the head; the lanes below share its columns, so that values
of many samples and years are compared by looking down. Every lane is made of few shapes: each costs time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from reports.charts import BAR_WIDTH, LINE_HEIGHT, Scale, class_colour
from reports.front import Box, Lane, Word
from reports.view import ScaleBar

MARKS = 9.0  # height of the strip above a box in which marker and interval stand
PADDING = 8.0  # around the word in a box
BASE = 3.5  # from the middle of a line of text to its foot
YEAR = 15.0  # height of one earlier year's line, that of the text beside it
HALF_LINE = 0.5  # of the lines between classes
DOT = 5.0  # width of a point
MOST_STACKED = 6  # points on top of each other before they move closer


def head(bar: ScaleBar, alt: str) -> Lane:
    """Name the classes and their limits, over the columns of the lanes below."""
    most = max(1, *(len(segment.lines) for segment in bar.segments))
    words = [
        Word(segment.word_x, LINE_HEIGHT * (most - len(segment.lines) + number + 1) - 1, line)
        for segment in bar.segments
        for number, line in enumerate(segment.lines)
    ]
    foot = LINE_HEIGHT * (most + 1) + 1
    limits = [Word(tick.at, foot, tick.label, bold=True) for tick in bar.ticks]
    marks = "".join(f"M{_n(tick.at)} {_n(foot + 2)}v4" for tick in bar.ticks)
    return Lane(alt, foot + 6, marks, words=(*words, *limits))


def lane(bar: ScaleBar, alt: str) -> Lane:
    """Draw one value: the box of its class with the class's word, the marker and the interval above."""
    tall = PADDING + LINE_HEIGHT * max(
        [1, *(len(segment.lines) for segment in bar.segments if segment.chosen)]
    )
    foot = MARKS + tall
    boxes, words = [], []
    for segment in bar.segments:
        if segment.chosen:
            boxes.append(Box(segment.x, MARKS, segment.width, tall, segment.fill))
            middle = MARKS + tall / 2 + BASE - LINE_HEIGHT * (len(segment.lines) - 1) / 2
            words += [
                Word(segment.word_x, middle + LINE_HEIGHT * number, line, segment.ink, bold=True)
                for number, line in enumerate(segment.lines)
            ]
    at, reach = _n(bar.marker_x), ""
    if bar.has_reach:
        low, high = _n(bar.reach_from), _n(bar.reach_to)
        reach = f"M{low} 1.5v6M{low} 4.5H{high}M{high} 1.5v6"
    marks, hollow = "", ""
    if bar.marker == "below":
        hollow = f"M{at} 0l-9 4.4l9 4.4z"
    elif bar.marker == "beyond":
        marks = f"M{_n(bar.marker_x - 9)} 0l9 4.4l-9 4.4z"
    else:
        marks = f"M{_n(bar.marker_x - 4.5)} 0.5h9l-4.5 8.5z"
    return Lane(
        alt, foot, columns(len(bar.segments), foot), tuple(boxes), tuple(words), reach + marks, hollow
    )


def columns(count: int, height: float, foot: bool = True) -> str:
    """Lines between so many classes, over the whole height, and one along the foot."""
    step = BAR_WIDTH / count
    lines = "".join(f"M{_n(index * step)} 0v{_n(height)}" for index in range(count + 1))
    # Its whole width lies inside: what sticks out of a picture is cut off, and half a line may vanish.
    return lines + (f"M0 {_n(height - HALF_LINE)}h{_n(BAR_WIDTH)}" if foot else "")


def years(
    alt: str, scale: Scale, visits: Sequence[tuple[Sequence[float], Sequence[float], float | None]]
) -> Lane:
    """Draw earlier years, the oldest at the top: a point a sample, a ring at their mean, arrows for limits.

    Parameters
    ----------
    alt
        The picture in words.
    scale
        The scale of the values below.
    visits
        For each year the values, the limits below which others lie, and the mean where there is one.
    """
    dots, rings, arrows = [], [], []
    for number, (values, limits, mean) in enumerate(visits):
        y = YEAR * (number + 0.5)
        if len(values) > 1 or mean is None:
            dots += [f"M{_n(scale.at(value) * BAR_WIDTH)} {_n(y)}h0" for value in values]
        if mean is not None:
            rings.append(f"M{_n(scale.at(mean) * BAR_WIDTH - 4)} {_n(y)}a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z")
        arrows += [f"M{_n(scale.at(limit) * BAR_WIDTH)} {_n(y - 4)}l-8 4l8 4z" for limit in limits]
    height = YEAR * len(visits)
    return Lane(
        alt, height, columns(len(scale.edges) - 1, height, foot=False),
        hollow="".join(rings + arrows), dots="".join(dots),
    )  # fmt: skip


def crowd(
    alt: str, scale: Scale, values: Sequence[float], classes: Sequence[int | None], adequate: int | None
) -> Lane:
    """Draw many samples on one lane: a point each, and in every class how many there are.

    Parameters
    ----------
    alt
        The picture in words.
    scale
        The scale of all values.
    values
        The values that are known, or the limits below which they lie.
    classes
        The index of each sample's class, None where it has none.
    adequate
        Index of the first class in which a crop is rarely short.
    """
    count = len(scale.edges) - 1
    width = BAR_WIDTH / count
    stacked = Counter(round(scale.at(value) * BAR_WIDTH / DOT) for value in values)
    rise = min(DOT, MOST_STACKED * DOT / max(stacked.values(), default=1))
    top = DOT + rise * (max(stacked.values(), default=1) - 1)
    held = [min(max(step * DOT, DOT / 2), BAR_WIDTH - DOT / 2) for step in stacked]
    dots = "".join(
        f"M{_n(x)} {_n(top - DOT / 2 - rise * level)}h0"
        for x, many in zip(held, stacked.values(), strict=True)
        for level in range(many)
    )
    tall = LINE_HEIGHT + PADDING
    boxes, words = [], []
    for index, number in sorted(Counter(index for index in classes if index is not None).items()):
        fill, ink = class_colour(index, count, adequate)
        boxes.append(Box(_n(index * width), _n(top + 1.5), _n(width), tall, fill))
        middle = _n(top + 1.5 + tall / 2 + BASE)
        words.append(Word(_n((index + 0.5) * width), middle, str(number), ink, bold=True))
    foot = top + 1.5 + tall
    return Lane(alt, _n(foot), columns(count, foot), tuple(boxes), tuple(words), dots=dots)


def _n(value: float) -> float:
    """Round as far as can be seen."""
    return round(value, 1) + 0.0
