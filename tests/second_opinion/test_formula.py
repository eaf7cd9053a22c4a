"""The formula language against Python's own arithmetic and a plain three-valued reference.

Every random formula is written as text and kept as a tree. The tree is worked out row by row, with ``None``
for "not known", by rules written down here once more; the text goes through the language, on whole columns;
and where nothing is unknown Python itself evaluates the very same text. All three must give the same double,
so precedence, association and the shape of ``if`` chains are Python's, and what Python does not know, such as
a missing figure, is the documented logic.
"""

from __future__ import annotations

import math
import operator
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from interpretation.agronomy.formula import MAX_DEPTH, MAX_LENGTH, parse
from tests.second_opinion.agreement import steady

NUMBERS = ("soil_test", "yield_goal", "ph", "om_percent")
CONDITIONS = ("near_water", "borderline")
TEXTS = {"crop": ("maize", "wheat"), "previous_crop": ("soybean", "maize"), "texture": ("clay", "sandy loam")}
CONSTANTS = {"slope": 2.5, "target": 6.25}

Known = float | bool | None
Row = dict[str, Any]
ARITHMETIC: dict[str, Callable[[float, float], float]] = {
    "+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv,
}  # fmt: skip
COMPARISON: dict[str, Callable[[float, float], bool]] = {
    "<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge, "==": operator.eq,
    "!=": operator.ne,
}  # fmt: skip


@dataclass(frozen=True)
class Piece:
    """A piece of a formula: its text, how tightly that binds, its depth, and its value in one row."""

    text: str
    binds: int
    depth: int
    of: Callable[[Row], Known]


# How tightly Python binds, loosest first.
IF, OR, AND, NOT, COMPARE, SUM, PRODUCT, SIGN, LEAF = range(9)


def within(piece: Piece, least: int) -> str:
    """The text, in brackets where it would otherwise be torn apart."""
    return piece.text if piece.binds >= least else f"({piece.text})"


# ------------------------------------------------------------------------------- the reference


def calculated(do: Callable[[float, float], float], a: Known, b: Known) -> Known:
    """An unknown figure, a division by zero and a result beyond all doubles give no answer."""
    if a is None or b is None:
        return None
    try:
        result = do(a, b)
    except ZeroDivisionError:
        return None
    return result if math.isfinite(result) else None


def joined(values: list[Known], decisive: bool) -> Known:
    """Kleene: one decisive value settles it; else anything unknown leaves it open."""
    if any(value is decisive for value in values):
        return decisive
    return None if any(value is None for value in values) else not decisive


# ------------------------------------------------------------------------------- random formulas


def number_leaves() -> st.SearchStrategy[Piece]:
    def literal(text: str) -> Piece:
        return Piece(text, LEAF, 1, lambda _: float(text))

    def name(text: str) -> Piece:
        return Piece(text, LEAF, 1, lambda row: row[text])

    def constant(text: str) -> Piece:
        return Piece(text, LEAF, 1, lambda _: CONSTANTS[text])

    written = st.sampled_from(["0", "1", "2", "10", "0.5", ".25", "3.", "0.1", "7.6", "1200", "999999999999"])
    return (
        st.sampled_from(NUMBERS).map(name)
        | written.map(literal)
        | st.sampled_from(list(CONSTANTS)).map(constant)
    )


def condition_leaves() -> st.SearchStrategy[Piece]:
    def name(text: str) -> Piece:
        return Piece(text, LEAF, 1, lambda row: row[text])

    def compared(text: tuple[str, str, str]) -> Piece:
        column, sign, word = text

        def of(row: Row) -> Known:
            return None if row[column] == "" else (row[column] == word) == (sign == "==")

        return Piece(f'{column} {sign} "{word}"', COMPARE, 2, of)

    texts = [(c, sign, word) for c, words in TEXTS.items() for word in words for sign in ("==", "!=")]
    always = st.just(Piece("always", LEAF, 1, lambda _: True))
    return st.sampled_from(CONDITIONS).map(name) | st.sampled_from(texts).map(compared) | always


def binary(left: Piece, sign: str, right: Piece) -> Piece:
    """``left sign right``; Python reads - and / from the left, so the right side binds tighter."""
    level = SUM if sign in "+-" else PRODUCT
    text = f"{within(left, level)} {sign} {within(right, level + 1)}"
    do = ARITHMETIC[sign]
    depth = 1 + max(left.depth, right.depth)
    return Piece(text, level, depth, lambda row: calculated(do, left.of(row), right.of(row)))


def negative(inner: Piece) -> Piece:
    def of(row: Row) -> Known:
        value = inner.of(row)
        return None if value is None else -value

    return Piece(f"-{within(inner, SIGN)}", SIGN, 1 + inner.depth, of)


def extreme(name: str, parts: list[Piece]) -> Piece:
    def of(row: Row) -> Known:
        values = [part.of(row) for part in parts]
        return None if None in values else (min if name == "min" else max)(values)

    text = f"{name}({', '.join(part.text for part in parts)})"
    return Piece(text, LEAF, 1 + max(part.depth for part in parts), of)


def chosen(yes: Piece, condition: Piece, no: Piece) -> Piece:
    def of(row: Row) -> Known:
        holds, if_so, if_not = condition.of(row), yes.of(row), no.of(row)
        return None if holds is None else if_so if holds else if_not

    text = f"{within(yes, OR)} if {within(condition, OR)} else {no.text}"
    return Piece(text, IF, 1 + max(yes.depth, condition.depth, no.depth), of)


def comparison(left: Piece, sign: str, right: Piece) -> Piece:
    def of(row: Row) -> Known:
        a, b = left.of(row), right.of(row)
        return None if a is None or b is None else COMPARISON[sign](a, b)

    text = f"{within(left, SUM)} {sign} {within(right, SUM)}"
    return Piece(text, COMPARE, 1 + max(left.depth, right.depth), of)


def opposite(inner: Piece) -> Piece:
    def of(row: Row) -> Known:
        value = inner.of(row)
        return None if value is None else not value

    return Piece(f"not {within(inner, NOT)}", NOT, 1 + inner.depth, of)


def both(word: str, parts: list[Piece]) -> Piece:
    level = AND if word == "and" else OR
    text = f" {word} ".join(within(part, level + 1) for part in parts)
    depth = 1 + max(part.depth for part in parts)
    return Piece(text, level, depth, lambda row: joined([part.of(row) for part in parts], word == "or"))


def bracketed(piece: Piece) -> Piece:
    return Piece(f"({piece.text})", LEAF, piece.depth, piece.of)


def smaller(of: Callable[[int], st.SearchStrategy[Piece]], size: int) -> st.SearchStrategy[Piece]:
    """A part of something ``size`` levels deep; at most one level of it need be as deep as can be."""
    return st.integers(0, size - 1).flatmap(of)


@cache
def numbers(size: int) -> st.SearchStrategy[Piece]:
    """Amounts ``size`` levels deep, less their brackets."""
    if size == 0:
        return number_leaves()
    inner, condition = smaller(numbers, size), smaller(conditions, size)
    operations = st.builds(binary, inner, st.sampled_from(list(ARITHMETIC)), inner)
    return st.one_of(
        operations,
        operations.map(bracketed),
        st.builds(binary, operations, st.sampled_from(list(ARITHMETIC)), inner),
        inner.map(negative),
        st.builds(extreme, st.sampled_from(["min", "max"]), st.lists(inner, min_size=2, max_size=3)),
        st.builds(chosen, inner, condition, inner),
        st.builds(chosen, inner, condition, inner),
    )


@cache
def conditions(size: int) -> st.SearchStrategy[Piece]:
    """Conditions ``size`` levels deep, less their brackets."""
    if size == 0:
        return condition_leaves()
    inner, amount = smaller(conditions, size), smaller(numbers, size)
    comparisons = st.builds(comparison, amount, st.sampled_from(list(COMPARISON)), amount)
    return st.one_of(
        comparisons,
        comparisons.map(bracketed),
        inner.map(opposite),
        st.builds(both, st.sampled_from(["and", "or"]), st.lists(inner, min_size=2, max_size=3)),
        st.builds(both, st.sampled_from(["and", "or"]), st.lists(inner, min_size=2, max_size=3)),
    )


FIGURES = st.sampled_from([0.0, 1.0, -1.0, 0.1, 6.25, 2.5, 1e12, 1e200]) | st.floats(-1e6, 1e6)


@st.composite
def rows(draw: st.DrawFn) -> list[Row]:
    """Samples with figures, some of which are not known."""
    unknown = draw(st.booleans())

    def maybe(of: st.SearchStrategy[Any]) -> Any:
        return draw(of | st.none()) if unknown else draw(of)

    return [
        {name: maybe(FIGURES) for name in NUMBERS}
        | {name: maybe(st.booleans()) for name in CONDITIONS}
        | {name: maybe(st.sampled_from(words)) or "" for name, words in TEXTS.items()}
        for _ in range(draw(st.integers(1, 4)))
    ]


def columns(listed: list[Row]) -> dict[str, Any]:
    """The rows as the language is given them: floats with NaN, texts with "" for not known."""
    found: dict[str, Any] = {
        name: np.array([np.nan if row[name] is None else float(row[name]) for row in listed])
        for name in (*NUMBERS, *CONDITIONS)
    }
    return found | {name: np.array([row[name] for row in listed], dtype=object) for name in TEXTS}


def by_python(text: str, row: Row) -> float | None:
    """What Python makes of the text; None where it divides by zero or exceeds all doubles."""
    known = {"min": min, "max": max, "always": True, **CONSTANTS, **row}
    try:
        value = float(eval(text, {"__builtins__": {}}, known))
    except ZeroDivisionError:
        return None
    return value


def compare(piece: Piece, listed: list[Row]) -> Counter[str]:
    """Check one formula on its rows; count the rows by what could be said about them."""
    assume(len(piece.text) <= MAX_LENGTH and piece.depth < MAX_DEPTH)
    found = parse(piece.text, where="t", constants=CONSTANTS).evaluate(columns(listed))
    seen: Counter[str] = Counter()
    for i, row in enumerate(listed):
        expected = piece.of(row)
        # The sign of a zero is the one thing left open: min(0, -0) may be either.
        assert np.isnan(found[i]) if expected is None else found[i] == float(expected), piece.text
        if None in row.values() or "" in row.values():
            seen["decided all the same" if expected is not None else "not known"] += 1
            continue
        evaluated = by_python(piece.text, row)
        if evaluated is None or not math.isfinite(evaluated) or expected is None:
            # No answer here either, unless Kleene's logic needs none of what Python stumbled over.
            seen["division by zero" if evaluated is None else "beyond all doubles"] += 1
            continue
        seen["by Python"] += 1
        assert evaluated == found[i], piece.text
    return seen


# ------------------------------------------------------------------------------- the comparisons


@steady(800)
@given(numbers(4), rows())
def test_amounts(piece: Piece, listed: list[Row]) -> None:
    compare(piece, listed)


@steady(800)
@given(conditions(4), rows())
def test_conditions(piece: Piece, listed: list[Row]) -> None:
    compare(piece, listed)


def test_every_kind_of_answer_is_tried() -> None:
    """The comparisons are no empty ones: of a few hundred rows each kind of answer comes up."""
    seen: Counter[str] = Counter()

    @steady(400)
    @given(numbers(4), rows())
    def count(piece: Piece, listed: list[Row]) -> None:
        seen.update(compare(piece, listed))

    count()
    assert seen["by Python"] > 100
    assert min(seen[kind] for kind in ("decided all the same", "not known", "division by zero")) > 3


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("2 - 3 - 4", -5.0),
        ("2 / 4 / 2", 0.25),
        ("-2 * -3 - -1", 7.0),
        ("1 if 0 > 1 else 2 if 1 > 0 else 3", 2.0),
        ("not 1 > 2 and 2 > 3 or 3 > 2", 1.0),
    ],
)
def test_fixed_formulas_by_python(text: str, value: float) -> None:
    assert by_python(text, {}) == value
    assert parse(text, where="t").evaluate({}).tolist() == value
