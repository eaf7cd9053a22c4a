"""Rules of a scale of classes."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from interpretation.agronomy import scope_rules
from interpretation.agronomy.classing import first_steps
from interpretation.agronomy.problems import Problem
from interpretation.agronomy.tables import ScaleTable, TableSet

KIND = "scales"


def check(table: ScaleTable, tables: TableSet) -> Iterator[Problem]:
    """Everything one scale must keep."""
    yield from scope_rules.scope(table, KIND, tables)
    yield from scope_rules.method(table, KIND, tables)
    yield from _bounds(table)
    yield from _printed_ends(table)
    yield from _reachable(table)
    yield from _names(table)
    yield from _end(table)
    if table.scale_top is not None and table.scale_top <= table.classes[-1].lower:
        yield Problem(
            KIND,
            table.id,
            ("scale_top",),
            f"the drawn scale ends at {table.scale_top:g}, below the last class",
            f"more than {table.classes[-1].lower:g}",
            "raise scale_top, or leave it out",
        )


def _bounds(table: ScaleTable) -> Iterator[Problem]:
    if table.classes[0].lower != 0:
        first = table.classes[0]
        yield Problem(
            KIND,
            table.id,
            ("classes", 0, "from"),
            f"the first class begins at {first.lower:g}",
            "from: 0, so that every value has a class",
            "add the class below, or let it begin at 0",
        )
    for position, (below, above) in enumerate(pairwise(table.classes), 1):
        if above.lower <= below.lower:
            yield Problem(
                KIND,
                table.id,
                ("classes", position, "from"),
                f"{above.name!r} begins at {above.lower:g}, not above {below.name!r} at {below.lower:g}",
                "classes listed from low to high",
                "sort the classes, or correct the bound",
            )
    for position, one in enumerate(table.classes):
        steps = one.lower / table.round_to
        if abs(steps - round(steps)) > 1e-6:
            yield Problem(
                KIND,
                table.id,
                ("classes", position, "from"),
                f"no value can be exactly {one.lower:g}: values come in steps of {table.round_to:g}",
                "bounds that are whole steps of round_to",
                "use a finer round_to, or move the bound",
                severity="warning",
            )


def _printed_ends(table: ScaleTable) -> Iterator[Problem]:
    """A printed upper end leaves no reported value between two classes, and gives none to both.

    A scale printed "0-9, 10-15" and one printed "0-10, 10-15" are both whole on a step of 1: in the second
    the bound is the upper class's own.
    """
    first = first_steps(table)
    for position, one in enumerate(table.classes):
        if one.printed_end is None:
            continue
        end, place = one.printed_end / table.round_to, ("classes", position, "to")
        if position + 1 == len(table.classes):
            if table.ends_at is None or abs(one.printed_end - table.ends_at) > 1e-9:
                yield Problem(
                    KIND,
                    table.id,
                    place,
                    f"the last class is printed up to {one.printed_end:g}, and the scale does not end there",
                    f"ends_at: {one.printed_end:g}, or no upper end",
                    "say ends_at where the source classes nothing above, or remove the upper end",
                )
            continue
        above = table.classes[position + 1]
        if end < first[position + 1] - 1 - 1e-6:
            yield Problem(
                KIND,
                table.id,
                place,
                f"a gap: {one.name!r} is printed up to {one.printed_end:g}, {above.name!r} from "
                f"{above.lower:g}, and values come in steps of {table.round_to:g}",
                "no reported value between two classes",
                "use a coarser round_to, move a bound, or remove the upper end and say why in the remark",
            )
        elif one.printed_end > above.lower + 1e-9:
            yield Problem(
                KIND,
                table.id,
                place,
                f"an overlap: {one.name!r} is printed up to {one.printed_end:g}, {above.name!r} from "
                f"{above.lower:g}",
                "each reported value in one class",
                "move a bound, or remove the upper end and say why in the remark",
            )


def _end(table: ScaleTable) -> Iterator[Problem]:
    """A scale that ends does so on a whole step that belongs to its last class."""
    if table.ends_at is None:
        return
    steps = table.ends_at / table.round_to
    if round(steps) < first_steps(table)[-1] or abs(steps - round(steps)) > 1e-6:
        yield Problem(
            KIND,
            table.id,
            ("ends_at",),
            f"the scale ends at {table.ends_at:g}, and its last class begins at {table.classes[-1].lower:g}",
            f"the last value that the source classes, a whole step of {table.round_to:g} in the last class",
            "correct it, or leave it out where the last class is open",
        )


def _reachable(table: ScaleTable) -> Iterator[Problem]:
    """Every class has a reported value of its own: a step wider than a class would leave it out."""
    lower = [one.lower for one in table.classes]
    for position in np.flatnonzero((np.diff(first_steps(table)) == 0) & (np.diff(lower) > 0)):
        one = table.classes[position]
        yield Problem(
            KIND,
            table.id,
            ("classes", int(position), "name"),
            f"no reported value falls into {one.name!r}: values come in steps of {table.round_to:g}",
            "at least one step of round_to in each class",
            "use a finer round_to, or correct the bounds",
        )


def _names(table: ScaleTable) -> Iterator[Problem]:
    names = [one.name for one in table.classes]
    for position, name in enumerate(names):
        if name.strip().lower() in [earlier.strip().lower() for earlier in names[:position]]:
            yield Problem(
                KIND,
                table.id,
                ("classes", position, "name"),
                f"two classes are called {name!r}",
                "a name of its own for each class",
                "rename one of them",
            )
    if table.adequate_from is not None and table.adequate_from not in names:
        yield Problem(
            KIND,
            table.id,
            ("adequate_from",),
            f"adequate_from is {table.adequate_from!r}, which is no class",
            ", ".join(names),
            "write the name of one of the classes",
        )
