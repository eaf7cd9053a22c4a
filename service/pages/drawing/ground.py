"""A map of a visit: points and the field's outline on a plane that fits a few kilometres.

Longitudes are shortened by the cosine of the middle latitude (equirectangular projection): over 5 km at 50
degrees the two edges of the map differ by less than one part in a thousand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from reports.charts import class_colour

WIDTH, HEIGHT, MARGIN = 440, 340, 40
METRES_PER_DEGREE = 6_371_008.8 * math.pi / 180  # of a great circle of the mean earth
SMALLEST_M = 60.0  # a map of one point shows so much ground
BLANK = ("#ffffff", "#000000")  # of a sample without a class

Position = tuple[float, float]  # longitude, latitude


@dataclass(frozen=True, slots=True)
class Point:
    """One sample on the map."""

    x: float
    y: float
    fill: str
    ink: str
    letter: str  # of its class
    name: str


@dataclass(frozen=True, slots=True)
class Mark:
    """One line of the legend."""

    letter: str
    word: str
    fill: str
    ink: str


@dataclass(frozen=True, slots=True)
class Map:
    """Everything the template draws."""

    points: tuple[Point, ...]
    rings: tuple[str, ...]  # paths of the outline
    legend: tuple[Mark, ...]
    bar_px: float
    bar_m: int


@dataclass(frozen=True, slots=True)
class Placed:
    """One sample with its place and class; ``index`` None: without a class."""

    name: str
    at: Position
    index: int | None


def letter(index: int | None) -> str:
    """Letter of a class, A for the lowest; a dash for none."""
    return "–" if index is None else chr(ord("A") + index)


def drawn(
    placed: Sequence[Placed], outline: Mapping[str, Any] | None, words: Sequence[str], no_class: str,
    adequate: int | None,
) -> Map | None:  # fmt: skip
    """Lay a map out; None where there is nothing to place.

    Parameters
    ----------
    words
        Names of the classes, rising.
    no_class
        Words for a sample without a class.
    adequate
        Index of the first class in which a crop is rarely short.
    """
    rings = [[(p[0], p[1]) for p in ring] for ring in outline["coordinates"]] if outline else []
    every = [each.at for each in placed] + [position for ring in rings for position in ring]
    if not every:
        return None
    plane = _Plane.of(every)
    points = []
    for each in placed:
        fill, ink = BLANK if each.index is None else class_colour(each.index, len(words), adequate)
        x, y = plane.at(each.at)
        points.append(Point(x, y, fill, ink, letter(each.index), each.name))
    legend = [
        Mark(letter(index), word, *class_colour(index, len(words), adequate))
        for index, word in enumerate(words)
    ]
    if any(each.index is None for each in placed):
        legend.append(Mark(letter(None), no_class, *BLANK))
    paths = tuple(
        "M" + "L".join("{} {}".format(*plane.at(position)) for position in ring) + "Z" for ring in rings
    )
    return Map(tuple(points), paths, tuple(legend), *plane.bar())


@dataclass(frozen=True, slots=True)
class _Plane:
    """Degrees to pixels."""

    west: float
    south: float
    across: float  # metres a degree of longitude
    scale: float  # pixels a metre
    left: float
    foot: float

    @classmethod
    def of(cls, every: Sequence[Position]) -> _Plane:
        longitudes, latitudes = _unwrapped([p[0] for p in every]), [p[1] for p in every]
        west, east, south, north = min(longitudes), max(longitudes), min(latitudes), max(latitudes)
        across = METRES_PER_DEGREE * max(math.cos(math.radians((south + north) / 2)), 1e-6)
        width = (east - west) * across
        height = (north - south) * METRES_PER_DEGREE
        free_x, free_y = WIDTH - 2 * MARGIN, HEIGHT - 2 * MARGIN
        scale = min(free_x / max(width, SMALLEST_M), free_y / max(height, SMALLEST_M))
        return cls(
            west, south, across, scale, (WIDTH - width * scale) / 2, HEIGHT - (HEIGHT - height * scale) / 2
        )

    def at(self, position: Position) -> tuple[float, float]:
        longitude = position[0] if position[0] >= self.west else position[0] + 360
        x = self.left + (longitude - self.west) * self.across * self.scale
        y = self.foot - (position[1] - self.south) * METRES_PER_DEGREE * self.scale
        return round(x, 1), round(y, 1)

    def bar(self) -> tuple[float, int]:
        """Length of the scale bar in pixels and metres: a round number, about a quarter of the map."""
        longest = WIDTH / 4 / self.scale
        power = 10 ** math.floor(math.log10(longest))
        metres = next(power * step for step in (5, 2, 1) if power * step <= longest)
        return round(metres * self.scale, 1), int(metres)


def _unwrapped(longitudes: list[float]) -> list[float]:
    """Longitudes on both sides of the 180th degree as one run of numbers."""
    if max(longitudes) - min(longitudes) <= 180:
        return longitudes
    return [each if each >= 0 else each + 360 for each in longitudes]
