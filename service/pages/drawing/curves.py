"""The run of amounts, or of an equation, as a line on two axes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from reports.charts import Frame, nice_ticks
from service.actions.trials import Trial

MOST_NAMES = 12  # of classes at the top of the picture; more would run into each other
NARROWEST = 46.0  # room that the name of a class needs


@dataclass(frozen=True)
class CurvePicture:
    """A line on two axes, in a picture of 680 by 300.

    Attributes
    ----------
    lines
        Points of each unbroken piece, as SVG writes them.
    limits
        Where classes or rows begin: x.
    names
        Name of a class and where it stands: x, text.
    dots
        The worked examples: x, y, number.
    """

    frame: Frame
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    lines: tuple[str, ...]
    limits: tuple[float, ...]
    names: tuple[tuple[float, str], ...]
    dots: tuple[tuple[float, float, int], ...]


def curve_picture(
    trial: Trial, write: Callable[[float], str], class_name: Callable[[str], str]
) -> CurvePicture | None:
    """Lay a curve out; None where it has no point at all.

    Parameters
    ----------
    write
        Writes a number of an axis.
    class_name
        Names a class.
    """
    known = np.isfinite(trial.y)
    if not known.any() or trial.x[0] == trial.x[-1]:
        return None
    lowest, highest = float(trial.y[known].min()), float(trial.y[known].max())
    low, high = min(0.0, lowest), highest if highest > min(0.0, lowest) else min(0.0, lowest) + 1.0
    frame = Frame(
        float(trial.x[0]), float(trial.x[-1]), low, high + 0.08 * (high - low), width=680.0, height=300.0,
        left=70.0, top=30.0, right=660.0, bottom=246.0,
    )  # fmt: skip
    inside = [(at, name) for at, name in trial.limits if frame.x_from < at < frame.x_to]
    return CurvePicture(
        frame=frame,
        x_ticks=tuple((frame.x(each), write(each)) for each in nice_ticks(frame.x_from, frame.x_to, 6)),
        y_ticks=tuple((frame.y(each), write(each)) for each in nice_ticks(frame.y_from, frame.y_to)),
        lines=tuple(_pieces(trial, frame)),
        limits=tuple(frame.x(at) for at, _ in inside),
        names=tuple(_names(inside, frame, class_name)) if len(inside) <= MOST_NAMES else (),
        dots=tuple(
            (frame.x(at), frame.y(amount.rate), number)
            for number, (at, amount) in enumerate(trial.examples, 1)
            if amount.rate is not None and frame.x_from <= at <= frame.x_to
        ),
    )  # fmt: skip


def _pieces(trial: Trial, frame: Frame) -> Iterable[str]:
    piece: list[str] = []
    for x, y in zip(trial.x.tolist(), trial.y.tolist(), strict=True):
        if np.isfinite(y):
            piece.append(f"{frame.x(x)},{frame.y(y)}")
        elif piece:
            yield " ".join(piece)
            piece = []
    if piece:
        yield " ".join(piece)


def _names(
    inside: list[tuple[float, str]], frame: Frame, class_name: Callable[[str], str]
) -> Iterable[tuple[float, str]]:
    """Names in the middle of their classes, where there is room."""
    edges = [*(frame.x(at) for at, _ in inside), frame.right]
    for (left, right), (_, name) in zip(pairwise(edges), inside, strict=True):
        text = class_name(name) if name else ""
        if text and right - left >= max(NARROWEST, 6.5 * len(text)):
            yield round((left + right) / 2, 2), text
