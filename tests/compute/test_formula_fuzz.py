"""The language of formulas under whatever is typed: a refusal in words or an amount, and nothing else.

Drawn always the same; ``./run fuzz 500`` draws more.
"""

from __future__ import annotations

import ast
import builtins
import math
import os
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from interpretation.agronomy.formula import (
    CONDITION_NAMES,
    MAX_DEPTH,
    MAX_LENGTH,
    NAMES,
    TEXT_NAMES,
    Expression,
    parse,
)
from interpretation.errors import FormulaError

EXAMPLES = max(100, int(os.environ.get("FUZZ_EXAMPLES", "0")))
often = settings(max_examples=EXAMPLES)
CONSTANTS = {"target_ph": 6.5, "price": 2.0}
ROWS = 1000
MEASURED = sorted(NAMES.keys() - TEXT_NAMES - CONDITION_NAMES)
PIECES = (
    ast.Expression, ast.Constant, ast.Name, ast.Load, ast.UnaryOp, ast.USub, ast.Not, ast.BinOp, ast.Add,
    ast.Sub, ast.Mult, ast.Div, ast.IfExp, ast.BoolOp, ast.And, ast.Or, ast.Compare, ast.Lt, ast.LtE, ast.Gt,
    ast.GtE, ast.Eq, ast.NotEq, ast.Call,
)  # fmt: skip


def columns() -> dict[str, object]:
    """A thousand samples, of which every third lacks each figure."""
    figures = np.where(np.arange(ROWS) % 3 == 0, np.nan, np.linspace(-5, 5, ROWS))
    found: dict[str, object] = dict.fromkeys(MEASURED, figures)
    found |= dict.fromkeys(CONDITION_NAMES, np.arange(ROWS) % 2 == 0)
    texts = np.array(["maize", ""] * (ROWS // 2), dtype=object)
    return found | dict.fromkeys(TEXT_NAMES, texts)


COLUMNS = columns()


def taken(text: str) -> Expression | None:
    """What a text is read as, None where it is refused; whatever is read is harmless and soon worked out."""
    found, refused = read(text)
    if refused is not None:
        assert refused.what
        assert refused.expected
        assert refused.fix
        assert refused.where.startswith("a table")
    if found is None:
        return None
    assert len(text) <= MAX_LENGTH
    tree = ast.parse(" ".join(text.split()), mode="eval")
    for node in ast.walk(tree):  # no attribute, no import, no call but of two names
        assert isinstance(node, PIECES), node
        if isinstance(node, ast.Call):
            assert isinstance(node.func, ast.Name)
            assert node.func.id in ("min", "max")
        if isinstance(node, ast.Name):
            assert node.id in NAMES.keys() | CONSTANTS.keys() | {"always", "min", "max"}
    assert size(found._step) <= len(text)  # each step passes over the rows once
    result = found.evaluate(COLUMNS)
    assert result.shape == (ROWS,)
    assert result.dtype == np.float64
    assert not np.isinf(result).any()
    return found


def read(text: str) -> tuple[Expression | None, FormulaError | None]:
    try:
        return parse(text, where="a table", constants=CONSTANTS), None
    except FormulaError as refused:
        return None, refused


def size(step: object) -> int:
    """How many steps a formula's evaluation takes: one for each that it was put together from."""
    count = 1
    for cell in getattr(step, "__closure__", None) or ():
        parts = cell.cell_contents if isinstance(cell.cell_contents, list) else [cell.cell_contents]
        count += sum(size(each) for each in parts if getattr(each, "__module__", "").startswith("interp"))
    return count


# Formulas that are right, with their value worked out another way: None is not known.

Value = Callable[[dict[str, float | None]], float | None]


@dataclass(frozen=True)
class Made:
    """A formula and what it comes to, for one sample."""

    text: str
    depth: int
    value: Value


def number(text: str) -> Made:
    return Made(text, 1, lambda _: float(text))


def name(text: str) -> Made:
    return Made(text, 1, lambda sample: sample[text])


def finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def arithmetic(sign: str, a: Made, b: Made) -> Made:
    def value(sample: dict[str, float | None]) -> float | None:
        x, y = a.value(sample), b.value(sample)
        if x is None or y is None or (sign == "/" and y == 0):
            return None
        return finite({"+": x + y, "-": x - y, "*": x * y}[sign] if sign != "/" else x / y)

    return Made(f"({a.text} {sign} {b.text})", 1 + max(a.depth, b.depth), value)


def extreme(which: str, parts: list[Made]) -> Made:
    def value(sample: dict[str, float | None]) -> float | None:
        found = [part.value(sample) for part in parts]
        known = [each for each in found if each is not None]
        return None if len(known) < len(found) else {"min": min, "max": max}[which](known)

    text = f"{which}({', '.join(part.text for part in parts)})"
    return Made(text, 1 + max(part.depth for part in parts), value)


def compared(sign: str, a: Made, b: Made) -> Made:
    def value(sample: dict[str, float | None]) -> float | None:
        x, y = a.value(sample), b.value(sample)
        if x is None or y is None:
            return None
        answers = {"<": x < y, "<=": x <= y, ">": x > y, ">=": x >= y, "==": x == y, "!=": x != y}
        return float(answers[sign])

    return Made(f"{a.text} {sign} {b.text}", 1 + max(a.depth, b.depth), value)


def joined(word: str, parts: list[Made]) -> Made:
    decisive = 0.0 if word == "and" else 1.0

    def value(sample: dict[str, float | None]) -> float | None:
        found = [part.value(sample) for part in parts]
        if decisive in found:
            return decisive
        return None if None in found else 1.0 - decisive

    text = f" {word} ".join(f"({part.text})" for part in parts)
    return Made(text, 1 + max(part.depth for part in parts), value)


def denied(a: Made) -> Made:
    def value(sample: dict[str, float | None]) -> float | None:
        return None if (x := a.value(sample)) is None else 1.0 - x

    return Made(f"not ({a.text})", 1 + a.depth, value)


def negative(a: Made) -> Made:
    def value(sample: dict[str, float | None]) -> float | None:
        return None if (x := a.value(sample)) is None else -x

    return Made(f"-{a.text}", 1 + a.depth, value)


def chosen(a: Made, test: Made, b: Made) -> Made:
    def value(sample: dict[str, float | None]) -> float | None:
        holds = test.value(sample)
        return None if holds is None else a.value(sample) if holds else b.value(sample)

    depth = 1 + max(a.depth, test.depth, b.depth)
    return Made(f"({a.text} if {test.text} else {b.text})", depth, value)


numbers = st.one_of(
    st.integers(0, 10**12).map(str), st.decimals(0, 1000, places=3).map(str), st.sampled_from([".5", "4."])
).map(number)
SAMPLED = ("ph", "soil_test", "yield_goal", "om_percent")
leaves = numbers | st.sampled_from(SAMPLED).map(name)


def longer(parts: st.SearchStrategy[Made]) -> st.SearchStrategy[Made]:
    tests = st.one_of(
        st.builds(compared, st.sampled_from(["<", "<=", ">", ">=", "==", "!="]), parts, parts),
        st.builds(
            joined, st.sampled_from(["and", "or"]),
            st.lists(st.builds(compared, st.sampled_from("<>"), parts, parts), min_size=2, max_size=4),
        ),
        st.builds(denied, st.builds(compared, st.sampled_from("<>"), parts, parts)),
    )  # fmt: skip
    return st.one_of(
        st.builds(arithmetic, st.sampled_from("+-*/"), parts, parts), st.builds(negative, parts),
        st.builds(extreme, st.sampled_from(["min", "max"]), st.lists(parts, min_size=2, max_size=4)),
        st.builds(chosen, parts, tests, parts),
    )  # fmt: skip


formulas = st.recursive(leaves, longer, max_leaves=12)
figures = st.none() | st.floats(-1e6, 1e6) | st.sampled_from([0.0, 5.0, 7.0])


@often
@given(formulas, st.fixed_dictionaries(dict.fromkeys(SAMPLED, figures)))
def test_a_formula_comes_to_what_it_says(made: Made, sample: dict[str, float | None]) -> None:
    found = taken(made.text)
    if len(made.text) > MAX_LENGTH or made.depth > MAX_DEPTH:
        assert found is None
        return
    assert found is not None
    value = found.evaluate({key: math.nan if each is None else each for key, each in sample.items()})
    expected = made.value(sample)
    np.testing.assert_array_equal(value, math.nan if expected is None else expected)


# What people and others type

WORDS = [*NAMES, *CONSTANTS, "always", "min", "max", "and", "or", "not", "if", "else", "lambda", "import",
         "await", "yield", "for", "in", "is", "None", "True", "False", "__builtins__", "__class__", "self",
         "=", ":=", "**", "//", ">>", "->", "...", "@", "[", "]", "{", "}", ";", ":", "\\", "#", "'", '"',
         "'''", "f'", "b'", "0x1", "1e9", "1_0", "1j", "\n", "\t", "\r", "\f", "\v", "\0", "\u200b", "\u00a0",
         "\ud800", "\u2028", "１", "ｐｈ", "é", "🌽", "−", "×"]  # fmt: skip


@often
@given(st.text(max_size=MAX_LENGTH + 20))
def test_any_text(text: str) -> None:
    taken(text)


@often
@given(st.text(st.characters(categories=["Cs", "Cc", "Cf", "Zs", "Nd", "Nl", "No", "Mn"]), max_size=30))
def test_text_of_the_odd_ends_of_unicode(text: str) -> None:
    for within in (text, f'crop == "{text}"', f"crop != '{text}'", f"ph{text}+ 1", f"(ph +{text} 1)"):
        taken(within)


@often
@given(st.lists(st.sampled_from(WORDS) | st.integers().map(str), max_size=30), st.sampled_from(["", " "]))
def test_words_of_the_language_and_of_python_in_any_order(words: list[str], between: str) -> None:
    taken(between.join(words))


@often
@given(
    formulas,
    st.lists(
        st.tuples(st.integers(0, MAX_LENGTH), st.integers(0, 12), st.sampled_from(["", *WORDS])),
        min_size=1, max_size=4,
    ),
)  # fmt: skip
def test_a_right_formula_that_was_spoilt(made: Made, edits: list[tuple[int, int, str]]) -> None:
    text = made.text
    for at, gone, new in edits:
        at %= len(text) + 1
        text = text[:at] + new + text[at + gone :]
    taken(text)


@often
@given(
    st.sampled_from(["(", "-", "not ", "min(", "max(1, ", "1 if ", "[", "{", "ph if ph < ", "(ph) and ("]),
    st.integers(1, MAX_LENGTH + 2), st.sampled_from(["1", "ph", "ph < 1", ""]),
    st.sampled_from([")", " ", ""]),
)  # fmt: skip
def test_what_is_nested_deeply(opening: str, times: int, core: str, closing: str) -> None:
    taken(opening * times + core + closing * times)


@pytest.mark.parametrize(
    ("piece", "sign", "most"),
    [("1", "+", MAX_DEPTH), ("1", "*", MAX_DEPTH), ("ph<1", " or ", 400), ("ph<1", " and ", 400),
     ("1", ", ", 400), ("1 if ph<1", " else ", MAX_DEPTH)],
)  # fmt: skip
def test_long_chains_are_taken_up_to_the_limits_and_no_further(piece: str, sign: str, most: int) -> None:
    for times in (2, most - 1, most, most + 1, 200):
        text = sign.join([piece] * times)
        if sign == ", ":
            text = f"max({text})"
        if sign == " else ":
            text += " else 1"
        fits = len(text) <= MAX_LENGTH and times < most + (sign != " else ")
        assert (taken(text) is not None) == fits, (times, text)


@pytest.mark.parametrize(
    ("text", "fits"),
    [("9" * MAX_LENGTH, False), ("9" * 390 + ".0", False), ("1" + "0" * 12 + ".1", False), ("1" * 13, False),
     ("1" + "0" * 12, True), ("0." + "0" * 390 + "1", True), ("0" * 300, True)],
)  # fmt: skip
def test_huge_and_tiny_numbers(text: str, fits: bool) -> None:
    assert (taken(text) is not None) == fits


PYTHON = [
    *dir(builtins), *dir(object()), *dir(ast), "os", "sys", "subprocess", "np", "numpy", "columns", "steps",
    "__globals__", "__subclasses__", "__mro__", "__code__", "__loader__", "__spec__", "gi_frame",
]  # fmt: skip


@pytest.mark.parametrize(
    "shape",
    ["{}", "{}()", "{}(1, 2)", "ph.{}", "ph.{}()", "(1).{}", "'a'.{}", "crop == {}", "max({}, 1)", "{}['a']",
     "max.{}", "min(1, 2).{}.{}", "crop == 'a'.{}", "{} if ph < 1 else 1", "max(1, key={})", "max(*{}, 1)",
     "max(**{}, 1)", "({} := 1)", "[{} for {} in crop]", "lambda {}: 1", "f'{{{}}}'", "1 + __import__('{}')"],
)  # fmt: skip
def test_nothing_of_python_is_reached(shape: str) -> None:
    for word in PYTHON:
        if word not in ("min", "max"):
            assert taken(shape.replace("{}", word)) is None, (shape, word)


@pytest.mark.parametrize(
    ("text", "column", "piece"),
    [
        ('1 if crop == "maïs" else foo', 26, "'foo'"),
        ("1 if crop == '🌽' else 1 + bar", 27, "'bar'"),
        ('  1 if crop == "é" else 2 ** 3', 25, "'2 ** 3'"),
        ("(ph\r\n+ foo)", 8, "'foo'"),
        ("(ph\f+ foo)", 7, "'foo'"),
    ],
)
def test_a_place_is_counted_in_characters(text: str, column: int, piece: str) -> None:
    with pytest.raises(FormulaError) as caught:
        parse(text, where="t")
    assert caught.value.where == f"t, column {column}"
    assert caught.value.what.startswith(piece)


@pytest.mark.parametrize("character", ["\0", "\x1b", "\t", "\r", "\n", "\ud800", "\x7f"])
def test_a_text_holds_no_character_that_is_none(character: str) -> None:
    assert taken(f'crop == "a{character}b"') is None
