"""Rules of an equation between two methods."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from interpretation.agronomy import formula_rules, scope_rules
from interpretation.agronomy.extractants import course
from interpretation.agronomy.problems import Problem
from interpretation.agronomy.tables import Conversion, TableSet

KIND = "conversions"


def check(one: Conversion, tables: TableSet) -> Iterator[Problem]:
    """Everything one conversion must keep."""
    yield from scope_rules.owner(one, KIND, tables)
    yield from scope_rules.period(one, KIND)
    yield from scope_rules.sources(KIND, one.id, one.sources, tables, one.standing)
    yield from _methods(one, tables)
    broken = [*_formula(one), *_span(one)]
    yield from broken
    if not broken:
        yield from _course(one)


def _methods(one: Conversion, tables: TableSet) -> Iterator[Problem]:
    """Both methods exist, measure what the equation is about, and are two."""
    for name in ("from_method", "to_method"):
        found = tables.methods.get(getattr(one, name))
        if found is None or found.analyte != one.analyte:
            yield Problem(
                KIND,
                one.id,
                (name,),
                f"{getattr(one, name)!r} is no method of {one.analyte}",
                "the id of a method that measures what the equation is about",
                "correct the id or the analyte, or add a file to tables/methods",
            )
    if one.from_method == one.to_method:
        yield Problem(
            KIND,
            one.id,
            ("to_method",),
            f"the equation leads from {one.from_method} to itself",
            "two different methods",
            "correct one of the two",
        )


def _formula(one: Conversion) -> Iterator[Problem]:
    found = formula_rules.read(one.formula, KIND, one.id, ("formula",), "number", {})
    if isinstance(found, Problem):
        yield found
    elif found.names != ("soil_test",):
        yield Problem(
            KIND,
            one.id,
            ("formula",),
            f"the equation reads {', '.join(found.names) or 'no figure at all'}",
            "soil_test, the measured value, and nothing else",
            "write it over soil_test",
        )


def _span(one: Conversion) -> Iterator[Problem]:
    if not 0 <= one.lowest < one.highest:
        yield Problem(
            KIND,
            one.id,
            ("highest",),
            f"the equation is used from {one.lowest:g} to {one.highest:g}",
            "a rising span of measured values, from 0 upwards",
            "correct one of the two",
        )


def _course(one: Conversion) -> Iterator[Problem]:
    """The equation has an answer wherever it is used, one that a soil can have, and rises."""
    measured, found = course(one)
    lacking = np.flatnonzero(~np.isfinite(found))
    if lacking.size:
        yield Problem(
            KIND,
            one.id,
            ("formula",),
            f"the equation has no answer at {measured[lacking[0]]:.4g}",
            f"an answer from {one.lowest:g} to {one.highest:g}",
            "correct the equation, or the span it is used for",
        )
        return
    if (found < -1e-9).any():
        yield Problem(
            KIND,
            one.id,
            ("lowest",),
            f"the result is below 0: {found.min():.4g} at {measured[found.argmin()]:.4g}",
            "a span of measured values whose results are contents of a soil",
            "raise lowest to where the result reaches 0, or lower highest",
            severity="warning",
        )
    if (np.diff(found) <= 0).any():
        at = int(np.flatnonzero(np.diff(found) <= 0)[0])
        yield Problem(
            KIND,
            one.id,
            ("formula",),
            f"the result does not rise with the measured value: {found[at]:.4g} at {measured[at]:.4g}, "
            f"{found[at + 1]:.4g} at {measured[at + 1]:.4g}",
            "more by one method where there is more by the other",
            "correct the sign, or the span it is used for",
            severity="warning",
        )
