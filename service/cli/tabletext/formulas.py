"""Formulas of the tables in words: ``6 × yield goal`` for ``take_off * yield_goal``.

The text has been read by :mod:`interpretation.agronomy.formula` before, so nothing else can be in it.
"""

from __future__ import annotations

import ast
from collections.abc import Mapping

from interpretation.agronomy.formula import CONDITION_NAMES, NAMES, TEXT_NAMES
from interpretation.agronomy.tables import TableSet
from service.cli.console import WORDING
from service.cli.tabletext.words import crop_name, exact

_SIGNS: Mapping[type[ast.AST], tuple[str, int]] = {
    ast.Add: ("+", 4), ast.Sub: ("−", 4), ast.Mult: ("×", 5), ast.Div: ("/", 5),
}  # fmt: skip
_VERBS: Mapping[type[ast.AST], str] = {
    ast.Lt: "is below", ast.LtE: "is at most", ast.Gt: "is above", ast.GtE: "is at least",
    ast.Eq: "is", ast.NotEq: "is not",
}  # fmt: skip
UNITLESS = frozenset({"pH", "index", "ratio"})  # their name says what they count
# How tightly a piece holds together: choice, or, and, not and comparison, sum, product, single word.
_CHOICE, _OR, _AND, _SAID, _SUM, _WORD = 0, 1, 2, 3, 4, 7


def in_words(tables: TableSet, text: str, constants: Mapping[str, float] | None = None) -> str:
    """Say a formula in words, its constants as numbers.

    Parameters
    ----------
    tables
        For the names of crops.
    text
        A formula of a table.
    constants
        The table's ``values``.

    Examples
    --------
    >>> in_words(TableSet(), "max(0, a - 0.2 * soil_test) * yield_goal", {"a": 7.6})
    '(the larger of 0 and (7.6 − 0.2 × soil test)) × yield goal'
    >>> in_words(TableSet(), 'ph < 6 and crop == "maize"')
    'soil pH is below 6 and the crop is maize'
    """
    tree = ast.parse(text.replace("\n", " ").strip(), mode="eval")
    return _Teller(tables, constants or {}).say(tree.body)[0]


def needs(names: tuple[str, ...], yield_unit: str = "", test_unit: str = "") -> str:
    """Say which figures a formula asks for, with their units."""
    units = {"yield_goal": yield_unit, "soil_test": "" if test_unit in UNITLESS else test_unit}
    said = [_name(name) for name in names]
    told = [units.get(name, "") or _unit(name) for name in names]
    return ", ".join(f"{each} in {unit}" if unit else each for each, unit in zip(said, told, strict=True))


def _name(key: str) -> str:
    """Name of a figure without its unit: ``organic matter`` for ``organic matter, %``."""
    return WORDING.name("inputs", key).rpartition(", ")[0] or WORDING.name("inputs", key)


def _unit(key: str) -> str:
    name, _, unit = WORDING.name("inputs", key).rpartition(", ")
    return unit if name else ""


class _Teller:
    """Says one formula, piece by piece; each piece with how tightly it holds together."""

    def __init__(self, tables: TableSet, constants: Mapping[str, float]) -> None:
        self.tables, self.constants = tables, constants

    def say(self, node: ast.expr) -> tuple[str, int]:
        match node:
            case ast.Constant(value=int() | float() as value):
                return exact(value), _WORD
            case ast.Name(id=name):
                return self._name(name), _WORD
            case ast.UnaryOp(op=ast.USub(), operand=inner):
                return f"−{self._at_least(inner, _WORD)}", _SUM
            case ast.BinOp(left=left, op=op, right=right):
                sign, tight = _SIGNS[type(op)]
                return f"{self._at_least(left, tight)} {sign} {self._at_least(right, tight + 1)}", tight
            case ast.Call(func=ast.Name(id=name), args=parts):
                return f"the {'smaller' if name == 'min' else 'larger'} of {self._joined(parts)}", _CHOICE
            case ast.IfExp(test=test, body=body, orelse=orelse):
                yes, no = self._at_least(body, _OR), self._at_least(orelse, _OR)
                return f"{yes} if {self._at_least(test, _OR)}, otherwise {no}", _CHOICE
        return self._condition(node)

    def _condition(self, node: ast.expr) -> tuple[str, int]:
        match node:
            case ast.BoolOp(op=op, values=parts):
                word, tight = ("and", _AND) if isinstance(op, ast.And) else ("or", _OR)
                return f" {word} ".join(self._at_least(part, tight + 1) for part in parts), tight
            case ast.UnaryOp(op=ast.Not(), operand=ast.Name(id=name)) if name in CONDITION_NAMES:
                return f"no {self._name(name)}", _SAID
            case ast.UnaryOp(op=ast.Not(), operand=inner):
                return f"not {self._at_least(inner, _WORD)}", _SAID
            case ast.Compare(left=ast.Name(id=name), ops=[op], comparators=[ast.Constant(value=str() as to)]):
                return f"{_text_name(name)} {_VERBS[type(op)]} {self._text(name, to)}", _SAID
            case ast.Compare(left=left, ops=[op], comparators=[right]):
                return (
                    f"{self._at_least(left, _SUM)} {_VERBS[type(op)]} {self._at_least(right, _SUM)}",
                    _SAID,
                )
        raise AssertionError(f"no formula has {ast.dump(node)}")  # it was read before

    def _at_least(self, node: ast.expr, tight: int) -> str:
        """A piece as part of another; in brackets where it would fall apart."""
        said, own = self.say(node)
        return said if own >= tight else f"({said})"

    def _joined(self, parts: list[ast.expr]) -> str:
        said = [self._at_least(part, _SUM + 1) for part in parts]
        return f"{', '.join(said[:-1])} and {said[-1]}"

    def _name(self, name: str) -> str:
        if name in NAMES or name == "always":
            return "always" if name == "always" else _name(name)
        return exact(self.constants[name])

    def _text(self, name: str, text: str) -> str:
        return crop_name(self.tables, text) if name != "texture" else text


def _text_name(name: str) -> str:
    said = WORDING.name("inputs", name)
    return said if said.startswith("the ") or name not in TEXT_NAMES else f"the {said}"
