"""What a table of amounts would say, worked out for samples that nobody has taken.

The very chain that advises growers is asked, with this one table and the scale it rests on: what is shown
beside a table that is being typed is what a report would print. All that the samples are assumed to be is
told, and the working of each example names what went into it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from interpretation.agronomy.advise import Advice, advise
from interpretation.agronomy.extractants import course
from interpretation.agronomy.tables import Conversion, RateTable, ScaleTable, TableSet
from interpretation.agronomy.working import amount_of
from interpretation.results import Amount
from service.actions.trialsamples import Samples

Floats = NDArray[np.float64]
POINTS = 97  # of a curve


@dataclass(frozen=True)
class Trial:
    """A curve, and a few of its points with all that led to them.

    Attributes
    ----------
    runs_over
        The number along the curve: ``soil_test``, ``yield_goal`` or another name of formulas.
    x, y
        Along the curve; NaN where nothing is given.
    limits
        Where one class, or one row, ends and the next begins, with the name of what begins there.
    unit
        Of the amounts, or of what an equation gives.
    x_unit
        Of the number along the curve; "" where it has none.
    crop, goal
        Of the samples, and the unit of the goal; None where no goal was stated.
    examples
        Points of the curve: where they are, and the amount with its working.
    """

    runs_over: str
    x: Floats
    y: Floats
    limits: tuple[tuple[float, str], ...] = ()
    unit: str = ""
    x_unit: str = ""
    crop: str = ""
    goal: tuple[float, str] | None = None
    examples: tuple[tuple[float, Amount], ...] = ()


def try_equation(one: Conversion, around: TableSet) -> Trial:
    """The course of an equation between two methods over the span for which it is used.

    Raises
    ------
    FurrowsliceError
        If its formula cannot be read.
    """
    x, y = course(one)
    methods = [around.methods.get(name) for name in (one.from_method, one.to_method)]
    units = [method.unit if method else "" for method in methods]
    return Trial("soil_test", np.asarray(x), np.asarray(y), unit=units[1], x_unit=units[0])


def try_amounts(table: RateTable, scales: Sequence[ScaleTable], around: TableSet) -> Trial | None:
    """What a table of amounts says along the number that it runs over; None where that cannot be told.

    Parameters
    ----------
    table
        As far as it was typed.
    scales
        Of its draft: the one of its soil test gives the classes.
    around
        What all regions share.

    Raises
    ------
    FurrowsliceError
        If a formula cannot be read, with the place in it.
    """
    if not _has_one_way(table):
        return None
    known = tuple(name for name in table.materials if name in around.materials)
    made = Samples(table.model_copy(update={"materials": known}), scales, around)
    if made.crop is None or made.lacks_a_test():
        return None
    points, asked = _points(made)
    count = len(points)
    at = np.concatenate([asked, made.examples()])
    advice = advise(made.soil(at), made.tables(), made.context(at))
    frame = advice.rated.frame
    rows = frame.set_index("sample").reindex(range(len(at)))
    shown = rows["rate"].to_numpy(dtype=float)
    return Trial(
        made.runs_over, points, shown[:count], made.limits(), table.unit, made.x_unit(), made.crop.id,
        made.goal() if made.asks_goal else None, tuple(_worked(advice, at, count)),
    )  # fmt: skip


def _points(made: Samples) -> tuple[Floats, Floats]:
    """Where the points of the curve stand, and what value each of them is asked for.

    At a limit stand two points, that of the last value below and that of the first above: a step
    is drawn as one. A line from the one to the other would show amounts between, which nobody is given.
    """
    even, jumps = np.linspace(*made.span(), POINTS), made.jumps()
    for _, before, after in jumps:
        even = even[(even <= before) | (even >= after)]
    stand = np.concatenate([even, [limit for limit, _, _ in jumps for _ in (0, 1)]])
    asked = np.concatenate([even, [each for _, *both in jumps for each in both]])
    order = np.argsort(stand, kind="stable")
    return stand[order], asked[order]


def _has_one_way(table: RateTable) -> bool:
    """Whether amounts are given in one way alone, with rows that can be followed."""
    if sum(each is not None for each in (table.by_class, table.by_value, table.formula)) != 1:
        return False
    rows = table.by_value
    if rows is None:
        return True
    straight = table.between_rows == "straight-line"
    return bool(rows) and not (straight and any(not isinstance(step.rate, float) for step in rows))


def _worked(advice: Advice, at: Floats, count: int) -> list[tuple[float, Amount]]:
    frame = advice.rated.frame
    return [
        (float(at[row["sample"]]), amount_of(advice, number, row))
        for number, row in enumerate(frame.to_dict("records"))
        if row["sample"] >= count
    ]
