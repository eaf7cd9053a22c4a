"""Rounding and classing against one value at a time in decimal arithmetic.

The reference follows the printed rules as a person with paper would: count the value in steps, round half
up, look for the last class whose bound is reached. Its only concession is the stated one, a billionth of a
step, by which a number that binary arithmetic left just under a half counts as the half.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal, localcontext
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from interpretation.agronomy.advise import advise
from interpretation.agronomy.classing import CLASSING_REFUSALS, classify, round_half_up
from interpretation.agronomy.tables import ScaleTable
from tests.second_opinion.agreement import agree, steady
from tests.small_world import method, samples, scale, values, world

BILLIONTH = Decimal("1e-9")
STEPS = ["0.01", "0.05", "0.1", "0.25", "0.5", "1", "2", "5", "10"]
NAN = float("nan")


# ------------------------------------------------------------------------------- the reference


@dataclass(frozen=True)
class Expected:
    """What one value should come to."""

    reported: float
    index: int
    refusal: str = ""


def steps_of(value: float, step: str) -> int:
    """Whole steps, half up, from the value as the double really is."""
    with localcontext() as context:
        context.prec = 60
        half_up = Decimal(value) / Decimal(step) + Decimal("0.5") + BILLIONTH
        return int(half_up.to_integral_value(rounding=ROUND_FLOOR))


def undecided(value: float, step: str) -> bool:
    """Whether the value lies where the billionth itself is decided: there, no two roundings need agree."""
    with localcontext() as context:
        context.prec = 60
        counted = Decimal(value) / Decimal(step) + Decimal("0.5") + BILLIONTH
        return abs(counted - counted.to_integral_value()) < BILLIONTH / 10


def class_of(value: float, below: float, step: str, bounds: list[tuple[str, bool]]) -> Expected:
    """Class of one value, or of "less than ``below``", in classes of (bound, whether it is open)."""
    if not math.isnan(below):
        inside = Decimal(bounds[0][0]) <= 0 and Decimal(below) <= Decimal(bounds[1][0]) + BILLIONTH
        return Expected(NAN, 0) if inside else Expected(NAN, -1, "censored-straddles")
    if math.isnan(value):
        return Expected(NAN, -1)
    rounded = steps_of(value, step) * Decimal(step)
    index = -1
    for bound, opened in bounds:
        if rounded > Decimal(bound) or (rounded == Decimal(bound) and not opened):
            index += 1
    return Expected(float(rounded), index, "below-scale" if index < 0 else "")


# ------------------------------------------------------------------------------- random scales and values


@dataclass(frozen=True)
class Scale:
    """A scale as printed and as the project reads it."""

    step: str
    bounds: list[tuple[str, bool]]
    table: ScaleTable


@st.composite
def scales(draw: st.DrawFn) -> Scale:
    """Two to seven classes from 0, or from above it, with bounds on the step and between steps."""
    step = Decimal(draw(st.sampled_from(STEPS)))
    counts = draw(st.lists(st.integers(1, 400), min_size=1, max_size=6, unique=True).map(sorted))
    # Tenths of a step: most bounds lie on it, some between.
    tenths = [10 * n + draw(st.sampled_from([0, 0, 0, 5, 3])) for n in counts]
    first = draw(st.sampled_from([0, 0, 0, 10]))
    numbers = [first] + [first + t for t in tenths]
    bounds = [(str(n * step / 10), i > 0 and draw(st.booleans())) for i, n in enumerate(numbers)]
    listed = [
        {"name": f"c{i}", "from": float(bound), "open_below": opened}
        for i, (bound, opened) in enumerate(bounds)
    ]
    return Scale(str(step), bounds, scale(classes=listed, round_to=float(step)))


@st.composite
def values_near(draw: st.DrawFn, of: Scale) -> float:
    """Anything on the scale: by preference bounds, halves of steps beside them, and their neighbours."""
    step = Decimal(of.step)
    if draw(st.booleans()):
        return draw(st.floats(0, 500 * float(step)))
    bound = Decimal(draw(st.sampled_from(of.bounds))[0])
    steps = draw(st.sampled_from(["0", "0.5", "-0.5", "1", "-1", "0.4", "-0.6", "0.49999999", "-0.50000001"]))
    value = float(bound + Decimal(steps) * step)
    for _ in range(draw(st.integers(0, 2))):  # a few last digits off, as sums and products leave it
        value = math.nextafter(value, draw(st.sampled_from([math.inf, -math.inf])))
    return value


@st.composite
def scale_and_values(draw: st.DrawFn) -> tuple[Scale, list[float], list[float]]:
    """A scale and up to ten samples: measured, censored or missing."""
    of = draw(scales())
    kinds = draw(
        st.lists(st.sampled_from(["value", "value", "value", "below", "none"]), min_size=1, max_size=10)
    )
    measured = [draw(values_near(of)) if kind == "value" else NAN for kind in kinds]
    below = [abs(draw(values_near(of))) if kind == "below" else NAN for kind in kinds]
    return of, measured, below


# ------------------------------------------------------------------------------- the comparison


@steady(300)
@given(scale_and_values())
def test_every_value_comes_to_the_class_a_person_would_find(case) -> None:
    of, measured, below = case
    assume(not any(undecided(v, of.step) for v in measured if not math.isnan(v)))
    found = classify(np.array(measured), np.full(len(measured), NAN), np.array(below), of.table)
    for i, (value, limit) in enumerate(zip(measured, below, strict=True)):
        expected = class_of(value, limit, of.step, of.bounds)
        assert found.index[i] == expected.index
        assert CLASSING_REFUSALS[found.refusal[i]] == expected.refusal
        # Equal as doubles: the number printed is the decimal, not its neighbour.
        np.testing.assert_equal(found.reported[i], expected.reported)


@steady(300)
@given(st.integers(0, 10**6), st.integers(0, 4), st.sampled_from(STEPS))
def test_decimals_as_typed_round_half_up(digits: int, places: int, step: str) -> None:
    """What a person types, up to seven digits, rounds as decimal's own ROUND_HALF_UP rounds it."""
    typed = Decimal(digits).scaleb(-places)
    expected = (typed / Decimal(step)).quantize(Decimal(1), ROUND_HALF_UP) * Decimal(step)
    assert round_half_up(np.array([float(typed)]), float(step))[0] == float(expected)


@steady(200)
@given(st.integers(0, 2 * 10**6), st.sampled_from(STEPS))
def test_halves_go_up_as_far_as_a_million_steps(halves: int, step: str) -> None:
    """Up to there the last digits of a double are far less than the billionth of a step."""
    typed = halves * Decimal(step) / 2
    assert round_half_up(np.array([float(typed)]), float(step))[0] == float((halves + 1) // 2 * Decimal(step))


@steady(200)
@given(scales(), st.data())
def test_probability_of_each_class(of: Scale, data: st.DataObject) -> None:
    """From the edges where rounding turns over, one class at a time with Python's normal distribution."""
    value = data.draw(values_near(of))
    uncertainty = data.draw(st.floats(0.01, 100)) * float(of.step)
    assume(not undecided(value, of.step))
    expected = class_of(value, NAN, of.step, of.bounds)
    found = classify(np.array([value]), np.array([uncertainty]), np.array([NAN]), of.table)
    if expected.index < 0:
        assert np.isnan(found.probability).all()
        assert not found.borderline[0]
        return
    step, around = Decimal(of.step), NormalDist(value, uncertainty)
    edges = []
    for bound, opened in of.bounds[1:]:
        counted = Decimal(bound) / step
        first = (
            counted.to_integral_value(ROUND_FLOOR) + 1 if opened else counted.to_integral_value(ROUND_CEILING)
        )
        edges.append(float((first - Decimal("0.5")) * step))
    below = [0.0, *(around.cdf(edge) for edge in edges), 1.0]
    shares = [high - low for low, high in pairwise(below)]
    agree("probability", found.probability[0], shares, 1e-6, 1.0)  # kept in single precision
    reach = NormalDist().inv_cdf(0.975) * uncertainty
    assume(all(abs(abs(edge - value) - reach) > 1e-9 * reach for edge in edges))
    assert found.borderline[0] == any(value - reach < edge < value + reach for edge in edges)


# ------------------------------------------------------------------------------- through the whole frame


@steady(40)
@given(scale_and_values(), st.sampled_from([None, "2", "0.5"]))
def test_frames_of_soil_values_are_classed_one_by_one(case, per_method_unit: str | None) -> None:
    """The same through samples and tables, and where a table counts in a unit of its own."""
    of, measured, below = case
    assume(not any(undecided(v, of.step) for v in measured if not math.isnan(v)))
    if per_method_unit:
        of_unit = {"per_method_unit": float(per_method_unit), "unit": "lb/ac"}
        table = of.table.model_copy(update=of_unit)
    else:
        table = of.table
    rows = [
        {"lab_number": f"S{i}", "value": value, "below": limit}
        for i, (value, limit) in enumerate(zip(measured, below, strict=True))
        if not (math.isnan(value) and math.isnan(limit))  # a row without either is nobody's result
    ]
    assume(rows)
    listed = samples(*({"lab_number": row["lab_number"]} for row in rows))
    found = advise(values(*rows), world(table, method()), listed).classed.frame
    times = float(per_method_unit or "1")  # doubles and halves: exact in binary
    for row, (_, got) in zip(rows, found.iterrows(), strict=True):
        value, limit = row["value"] * times, row["below"] * times
        if not math.isnan(value) and undecided(value, of.step):
            continue
        expected = class_of(value, limit, of.step, of.bounds)
        assert (got["class_index"], got["refusal"]) == (expected.index, expected.refusal)
        np.testing.assert_equal(got["reported"], expected.reported)


@pytest.mark.parametrize("value", [0.0, 0.15, 0.25, 0.35, 1.005, 2.675, 1e5 + 0.05])
def test_reference_and_decimal_agree_on_halves(value: float) -> None:
    """The reference itself: what looks like a half in decimals is one, whatever its binary digits."""
    printed = Decimal(repr(value))
    step = "0.1" if printed.as_tuple().exponent >= -2 else "0.01"
    expected = (printed / Decimal(step)).quantize(Decimal(1), ROUND_HALF_UP)
    assert steps_of(value, step) == int(expected)
