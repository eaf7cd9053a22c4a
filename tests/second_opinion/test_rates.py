"""Amounts of random rate tables against one sample at a time in decimal arithmetic.

The reference is the order in which a table is to be read: does it hold, is anything due, what does its row,
its line or its formula say, what comes off, the floor and the cap, and last the step, half up and never out
of floor and cap again. The first thing that is missing on that way is the reason no amount is given.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal, localcontext
from fractions import Fraction
from typing import Any

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from interpretation.agronomy import rate_rules
from interpretation.agronomy.rates import rates
from interpretation.agronomy.tables import RateTable
from tests.second_opinion.agreement import agree, steady
from tests.small_world import rate, world

NAN = float("nan")
BILLIONTH = Decimal("1e-9")
Row = dict[str, Any]

# Formulas and the same in Python; None is "no answer".
FORMULAS: dict[str, tuple[tuple[str, ...], Callable[[Row], float | None]]] = {
    "20 * yield_goal": (("yield_goal",), lambda r: 20 * r["yield_goal"]),
    "(critical - soil_test) * 2.5": (("soil_test",), lambda r: (30 - r["soil_test"]) * 2.5),
    "60 if om_percent < 3 else 40": (("om_percent",), lambda r: 60 if r["om_percent"] < 3 else 40),
    "100 / om_percent": (("om_percent",), lambda r: 100 / r["om_percent"] if r["om_percent"] else None),
    "manure_n_kg_per_ha": (("manure_n_kg_per_ha",), lambda r: r["manure_n_kg_per_ha"]),
    "10 * (om_percent - 3)": (("om_percent",), lambda r: 10 * (r["om_percent"] - 3)),
}
AMOUNTS, CREDITS = list(FORMULAS)[:4], list(FORMULAS)[4:]
BY_PREVIOUS_CROP = {"soybean": 45.0, "clover": 70.0}
CLASSES = ("low", "medium", "high")
FIGURES = ("soil_test", "yield_goal", "om_percent", "ph", "manure_n_kg_per_ha")


# ------------------------------------------------------------------------------- the reference


@dataclass(frozen=True)
class Amount:
    """What one sample is told: an amount, with the figures on the way to it, or what was missing."""

    rate: float = NAN
    raw: float = NAN
    credits: tuple[float, ...] = ()
    missing: str = ""
    due: bool = True
    undecided: bool = False


class MissingError(Exception):
    """A figure is not known, or the table has no answer."""


def worked_out(rule: float | str | None, row: Row) -> float:
    """A row's own number, or its formula."""
    if rule is None:
        raise MissingError("rate-row")
    if isinstance(rule, float):
        return rule
    names, formula = FORMULAS[rule]
    for name in names:
        if math.isnan(row[name]):
            raise MissingError(name)
    found = formula(row)
    if found is None:
        raise MissingError("formula")
    return float(found)


def raw_amount(table: RateTable, row: Row) -> float:
    """By class, by the last row whose bound is reached, on the line between two rows, or by formula."""
    if table.formula is not None:
        return worked_out(table.formula, row)
    if table.by_class is not None:
        if math.isnan(row["class_index"]):
            raise MissingError("class_index")
        return worked_out(table.by_class.get(CLASSES[int(row["class_index"])]), row)
    at = row[table.rows_of]
    if math.isnan(at):
        raise MissingError(table.rows_of)
    steps = table.by_value or ()
    reached = [step for step in steps if Decimal(step.at) <= Decimal(at) + BILLIONTH]
    if not reached:
        raise MissingError("rate-row")
    if table.between_rows == "step":
        return worked_out(reached[-1].rate, row)
    if Decimal(at) > Decimal(steps[-1].at) + BILLIONTH:
        raise MissingError("rate-row")
    if reached[-1] is steps[-1] or at <= steps[0].at:
        return float(reached[-1].rate)
    low, high = reached[-1], steps[len(reached)]
    share = (Fraction(at) - Fraction(low.at)) / (Fraction(high.at) - Fraction(low.at))
    return float(Fraction(low.rate) + share * (Fraction(high.rate) - Fraction(low.rate)))


def taken_off(table: RateTable, row: Row) -> tuple[float, ...]:
    """Each credit, zero or more."""
    found = []
    for credit in table.credits:
        amount = 0.0
        if credit.by_previous_crop is not None:
            if row["previous_crop"] == "":
                raise MissingError("previous_crop")
            amount += credit.by_previous_crop.get(row["previous_crop"], 0.0)
        if credit.formula is not None:
            amount += worked_out(credit.formula, row)
        found.append(max(amount, 0.0))
    return tuple(found)


def on_step(table: RateTable, net: float) -> tuple[float, bool]:
    """Within floor and cap, half up on the step, within them still; and whether a last digit decided it."""
    with localcontext() as context:
        context.prec = 60
        step = Decimal(repr(table.round_to))
        held = max(Decimal(net), Decimal(table.floor), Decimal(0))
        held = held if table.cap is None else min(held, Decimal(table.cap))
        counted = held / step + Decimal("0.5") + BILLIONTH
        steps = counted.to_integral_value(ROUND_FLOOR)
        least = (Decimal(table.floor) / step - BILLIONTH).to_integral_value(ROUND_CEILING)
        steps = max(steps, least)
        if table.cap is not None:
            steps = min(steps, (Decimal(table.cap) / step + BILLIONTH).to_integral_value(ROUND_FLOOR))
        close = abs(counted - counted.to_integral_value()) < BILLIONTH / 10
        return float(steps * step), close


def amount_of(table: RateTable, row: Row) -> Amount:
    """One sample's amount."""
    due = True
    try:
        if table.holds_if is not None:  # om_percent <= 5
            if math.isnan(row["om_percent"]):
                raise MissingError("om_percent")
            if not row["om_percent"] <= 5:
                raise MissingError("outside-table")
        if table.when is not None:  # ph < 6.2
            if math.isnan(row["ph"]):
                raise MissingError("ph")
            due = row["ph"] < 6.2
        if not due:
            return Amount(rate=0.0, due=False)
        raw, off = raw_amount(table, row), taken_off(table, row)
    except MissingError as reason:
        return Amount(missing=str(reason))
    amount, undecided = on_step(table, raw - math.fsum(off))
    return Amount(amount, raw, off, undecided=undecided)


# ------------------------------------------------------------------------------- random tables and samples

ROUND_NUMBERS = st.integers(0, 60).map(lambda n: n * 2.5)
RULES = st.one_of(ROUND_NUMBERS, ROUND_NUMBERS, st.none(), st.sampled_from(AMOUNTS))


@st.composite
def ways(draw: st.DrawFn) -> dict[str, Any]:
    """One way of giving amounts."""
    way = draw(st.sampled_from(["by_class", "by_value", "straight-line", "formula"]))
    if way == "formula":
        return {"formula": draw(st.sampled_from(AMOUNTS))}
    if way == "by_class":
        named = draw(st.lists(st.sampled_from(CLASSES), min_size=1, max_size=3, unique=True))
        return {"by_class": {name: draw(RULES) for name in named}}
    bounds = draw(st.lists(st.integers(1, 40), min_size=1, max_size=5, unique=True).map(sorted))
    straight = way == "straight-line"
    first = draw(st.sampled_from([0, 0.5])) if straight else 0
    return {
        "by_value": [
            {"from": at, "rate": draw(ROUND_NUMBERS if straight else RULES)} for at in (first, *bounds)
        ],
        "rows_of": draw(st.sampled_from(["soil_test", "yield_goal", "om_percent"])),
        "between_rows": "straight-line" if straight else "step",
    }


@st.composite
def tables(draw: st.DrawFn) -> RateTable:
    """A rate table with any of the things that may stand around its amounts."""
    floor = draw(st.sampled_from([0.0, 0.0, 7.0, 20.0]))
    formulas = draw(st.lists(st.sampled_from(CREDITS), unique=True))
    listed: list[dict[str, Any]] = [{"key": f"k{i}", "formula": text} for i, text in enumerate(formulas)]
    if draw(st.booleans()):
        listed.append({"key": "previous-crop", "by_previous_crop": BY_PREVIOUS_CROP})
    if draw(st.booleans()):
        both = {"by_previous_crop": {"clover": 10.0}, "formula": "manure_n_kg_per_ha"}
        listed.append({"key": "legume-and-manure", **both})
    given_here = draw(ways())
    return rate(
        **given_here,
        values={"critical": 30.0},
        when=draw(st.sampled_from([None, None, "ph < 6.2"])),
        holds_if=draw(st.sampled_from([None, None, "om_percent <= 5"])),
        credits=listed,
        floor=floor,
        cap=draw(st.none() | st.integers(41, 150).map(float)),
        round_to=draw(st.sampled_from([0.1, 0.5, 1.0, 2.5, 5.0, 10.0])),
    )


@st.composite
def sample_rows(draw: st.DrawFn) -> list[Row]:
    """Samples: by preference on bounds, on halves, on a last digit beside them; some figures not known."""
    round_figure = st.integers(0, 200).map(lambda n: n / 4)

    def figure(most: float) -> float:
        value = min(draw(round_figure | st.floats(0.01, 50)), most)
        if draw(st.integers(0, 9)) == 0:
            return NAN
        return math.nextafter(value, 100.0) if value and draw(st.booleans()) else value

    return [
        {
            "soil_test": figure(50), "yield_goal": figure(15), "om_percent": figure(8),
            "ph": draw(st.sampled_from([5.0, 6.1, 6.2, 6.3, NAN])), "manure_n_kg_per_ha": figure(50),
            "previous_crop": draw(st.sampled_from(["", "soybean", "clover", "maize", "maize"])),
            "class_index": draw(st.sampled_from([0.0, 1.0, 2.0, NAN])),
        }
        for _ in range(draw(st.integers(1, 8)))
    ]  # fmt: skip


@steady(500)
@given(tables(), sample_rows())
def test_every_amount_is_the_one_a_person_would_work_out(table: RateTable, listed: list[Row]) -> None:
    columns = {name: np.array([row[name] for row in listed]) for name in (*FIGURES, "class_index")}
    columns["previous_crop"] = np.array([row["previous_crop"] for row in listed], dtype=object)
    found = rates(table, columns, len(listed), CLASSES)
    for i, row in enumerate(listed):
        expected = amount_of(table, row)
        assert found.missing[i] == expected.missing
        if expected.missing:
            assert np.isnan([found.rate[i], found.raw[i]]).all()
            continue
        assert found.due[i] == expected.due
        agree("raw", found.raw[i], expected.raw, 1e-12, 1.0 + abs(expected.raw))
        if expected.due:
            agree("credits", found.credits[i], np.array(expected.credits), 1e-13, 100.0)
        if not expected.undecided:
            assert found.rate[i] == expected.rate  # the double that the printed decimal names


@steady(100)
@given(tables(), sample_rows())
def test_samples_do_not_see_each_other(table: RateTable, listed: list[Row]) -> None:
    """A sample's amount is the same alone as in any company."""
    names = (*FIGURES, "class_index", "previous_crop")
    columns = {name: np.array([row[name] for row in listed]) for name in names}
    together = rates(table, columns, len(listed), CLASSES)
    for i in range(len(listed)):
        alone = rates(table, {name: column[i : i + 1] for name, column in columns.items()}, 1, CLASSES)
        np.testing.assert_equal(alone.rate[0], together.rate[i])
        assert alone.missing[0] == together.missing[i]


@steady(200)
@given(
    st.integers(0, 60).map(lambda n: n / 2),
    st.integers(1, 80).map(lambda n: n / 2),
    st.sampled_from([0.1, 0.5, 1.0, 2.5, 5.0, 10.0]),
    st.floats(-50, 200),
)
def test_floor_and_cap_leave_an_amount_or_the_table_is_told(
    floor: float, cap: float, step: float, net: float
) -> None:
    """A table without a single step from floor to cap would have to leave one of the two: it is refused."""
    assume(cap > floor)
    table = rate(formula="soil_test", floor=floor, cap=cap, round_to=step)
    multiples = (n * Decimal(str(step)) for n in range(1, int(cap / step) + 2))
    between = any(Decimal(floor) <= amount <= Decimal(cap) for amount in multiples)
    told = any(problem.path == ("round_to",) for problem in rate_rules.check(table, world(table)))
    assert told != between
    if between:
        amount = rates(table, {"soil_test": np.array([net])}, 1).rate[0]
        assert floor <= amount <= cap
