"""The small arithmetic language in which tables state amounts and conditions.

A formula is text such as ``(0.62 - 0.031 * soil_test) * yield_goal`` or ``ph < 6.0 and crop == "soybean"``.
It knows numbers, the names of :data:`NAMES`, the constants of its own table, ``+ - * /``, parentheses,
``< <= > >= == !=``, ``and or not``, ``min(...)``, ``max(...)``, ``x if condition else y`` and ``always``.
Python's parser is used to read it and Python never runs it: each allowed piece becomes one numpy step,
and everything else is refused with its column.

Three-valued conditions
-----------------------
A condition is 1.0 (holds), 0.0 (does not hold) or NaN (cannot be known). A comparison with NaN is NaN, and
so is a comparison with an empty text. ``and``, ``or``, ``not`` follow Kleene's strong logic: ``0 and NaN``
is 0, ``1 or NaN`` is 1, otherwise NaN wins. An ``if`` on NaN is NaN. So a missing figure surfaces as a
refusal further on and is never taken for "no".
"""

from __future__ import annotations

import ast
import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from interpretation.agronomy import formula_steps as steps
from interpretation.agronomy.formula_steps import Columns, Floats, Step
from interpretation.errors import FormulaError

Kind = Literal["number", "condition", "text"]

MAX_LENGTH = 400
MAX_DEPTH = 40

NAMES: Mapping[str, str] = {
    "soil_test": "the soil value the table is about, rounded as printed, in the scale's unit",
    "class_index": "number of its class, 0 is the lowest",
    "yield_goal": "yield goal in the table's yield_unit, or in the crop's own unit",
    "ph": "soil pH in water",
    "buffer_ph": "buffer pH",
    "om_percent": "organic matter, %",
    "cec_cmol_per_kg": "cation exchange capacity, cmol/kg",
    "acidity_cmol_per_kg": "exchangeable acidity, cmol/kg",
    "p_mg_per_kg": "soil-test P, mg/kg, by whichever method was used",
    "k_mg_per_kg": "soil-test K, mg/kg",
    "ca_mg_per_kg": "soil-test Ca, mg/kg",
    "mg_mg_per_kg": "soil-test Mg, mg/kg",
    "zn_mg_per_kg": "soil-test Zn, mg/kg",
    "mn_mg_per_kg": "soil-test Mn, mg/kg",
    "cu_mg_per_kg": "soil-test Cu, mg/kg",
    "fe_mg_per_kg": "soil-test Fe, mg/kg",
    "b_mg_per_kg": "soil-test B, mg/kg",
    "al_mg_per_kg": "exchangeable Al, mg/kg",
    "sulfate_mg_per_kg": "sulfate-S, mg/kg",
    "na_percent": "exchangeable sodium, % of the cation exchange capacity",
    "ec_ds_per_m": "electrical conductivity of the saturation extract, dS/m",
    "nitrate_mg_per_kg": "nitrate-N, mg/kg",
    "nitrate_kg_per_ha": "nitrate-N in the sampled layer, kg/ha",
    "p_class_index": "number of the class of soil-test P, 0 is the lowest",
    "k_class_index": "number of the class of soil-test K, 0 is the lowest",
    "p_top_class": "condition: soil-test P is in the highest class of its scale",
    "borderline": "condition: at least one class of the sample is borderline",
    "converted": "condition: a value of the sample was worked out by an equation from another method's",
    "depth_from_cm": "top of the sampled layer, cm below the surface",
    "depth_cm": "thickness of the sampled layer, cm",
    "bulk_density_g_per_cm3": "bulk density, g/cm3",
    "lime_percent": "free carbonate, %",
    "crop": "text: id of the crop",
    "previous_crop": "text: id of the crop before",
    "texture": "text: soil texture",
    "near_water": "condition: a ditch, stream, well or tile inlet borders the field",
    "manured_since_harvest": "condition: manured after the last harvest",
    "manured_in_three_years": "condition: manured in the three years before the last harvest",
    "manure_n_kg_per_ha": "plant-available N from manure this season, kg/ha",
    "manure_p2o5_kg_per_ha": "P2O5 from manure this season, kg/ha",
    "manure_k2o_kg_per_ha": "K2O from manure this season, kg/ha",
    "removal_n_kg_per_ha": "N that the yield goal carries away, by the crop's first removal figures, kg/ha",
    "removal_p2o5_kg_per_ha": "P2O5 that the yield goal carries away, kg/ha",
    "removal_k2o_kg_per_ha": "K2O that the yield goal carries away, kg/ha",
    "removal_s_kg_per_ha": "S that the yield goal carries away, kg/ha",
    "manure_n_counted": "condition: the amount of N was worked out with the manure's N",
    "manure_p2o5_counted": "condition: the amount of P2O5 was worked out with the manure's P2O5",
    "manure_k2o_counted": "condition: the amount of K2O was worked out with the manure's K2O",
    "n_rate": "amount of N recommended, kg/ha",
    "p2o5_rate": "amount of P2O5 recommended, kg/ha",
    "k2o_rate": "amount of K2O recommended, kg/ha",
    "s_rate": "amount of S recommended, kg/ha",
    "zn_rate": "amount of Zn recommended, kg/ha",
    "lime_rate": "amount of lime recommended as pure calcium carbonate, t/ha",
    "month": "month the soil was sampled, 1 to 12",
}
TEXT_NAMES = frozenset({"crop", "previous_crop", "texture"})
CONDITION_NAMES = frozenset(
    {
        "near_water",
        "p_top_class",
        "borderline",
        "converted",
        "manured_since_harvest",
        "manured_in_three_years",
        "manure_n_counted",
        "manure_p2o5_counted",
        "manure_k2o_counted",
    }
)
# A table may state these under ``values:``, for samples on which they were not measured.
ASSUMABLE = frozenset({"bulk_density_g_per_cm3"})
# Known only while a rate is worked out, or only once all amounts are.
RATE_NAMES = frozenset({"soil_test", "class_index"})
NOTE_NAMES = frozenset(
    {"n_rate", "p2o5_rate", "k2o_rate", "s_rate", "zn_rate", "lime_rate"}
    | {"p_class_index", "k_class_index", "p_top_class", "borderline", "converted"}
    | {"manure_n_counted", "manure_p2o5_counted", "manure_k2o_counted"}
)

_ALLOWED = "numbers, + - * /, parentheses, < <= > >= == !=, and, or, not, min(), max(), x if condition else y"
_TOKEN = re.compile(
    r"""(?P<space>\s+)|(?P<number>(?:\d+\.?\d*|\.\d+)(?![\w.]))"""
    r"""|(?P<text>"[^"\\\x00-\x1f\x7f\ud800-\udfff]*"|'[^'\\\x00-\x1f\x7f\ud800-\udfff]*')"""
    r"""|(?P<name>[A-Za-z_]\w*(?!["'\w]))|(?P<sign>[-+*/()<>=!,])""",
    re.ASCII,
)
_SPACE = re.compile(r"\s", re.ASCII)
_COMPARE: dict[type[ast.cmpop], Callable[[Any, Any], Any]] = {
    ast.Lt: np.less, ast.LtE: np.less_equal, ast.Gt: np.greater, ast.GtE: np.greater_equal,
    ast.Eq: np.equal, ast.NotEq: np.not_equal,
}  # fmt: skip
_ARITHMETIC: dict[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: np.add, ast.Sub: np.subtract, ast.Mult: np.multiply, ast.Div: np.divide,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Expression:
    """A formula that has been read and found harmless.

    Attributes
    ----------
    text
        As written in the table.
    names
        Names of :data:`NAMES` it needs, sorted.
    constants
        Constants of its table it uses, sorted.
    kind
        ``number`` or ``condition``.
    texts
        Every text compared with, as (name, text), e.g. ``("crop", "soybean")``.
    """

    text: str
    names: tuple[str, ...]
    constants: tuple[str, ...]
    kind: Kind
    texts: tuple[tuple[str, str], ...]
    _step: Step

    def evaluate(self, columns: Columns) -> Floats:
        """Work the formula out on whole columns.

        Parameters
        ----------
        columns
            Name to a column (shape ``(n,)``) or to one value for all rows. A name that is absent counts
            as not known in every row.

        Returns
        -------
        ndarray of float64
            Shape ``(n,)``, or ``()`` when no column was given. NaN where an input is missing, a divisor is
            zero or a condition cannot be known; conditions are 1.0, 0.0 or NaN.
        """
        shape = np.broadcast_shapes(*(np.shape(columns[name]) for name in columns))
        return np.array(np.broadcast_to(self._step(columns), shape), dtype=np.float64)


def parse(
    text: str,
    *,
    where: str,
    constants: Mapping[str, float] | None = None,
    want: Literal["number", "condition"] | None = None,
) -> Expression:
    """Read a formula, or refuse it.

    Parameters
    ----------
    text
        The formula.
    where
        File and place, for messages.
    constants
        Constants of the table the formula stands in (``values:``); they may be used like names. A constant
        called like one of :data:`NAMES` never hides the sample's own figure.
    want
        What the place needs: an amount (``number``) or a ``condition``; ``None`` takes either.

    Raises
    ------
    FormulaError
        With the offending piece, its column (1 is the first character) and what is allowed.

    Examples
    --------
    >>> rate = parse("max(0, (0.6 - 0.03 * soil_test) * yield_goal)", where="a table", want="number")
    >>> rate.evaluate({"soil_test": [5.0, 30.0], "yield_goal": 10.0}).tolist()
    [4.5, 0.0]
    """
    if len(text) > MAX_LENGTH:
        raise FormulaError(
            f"the formula has {len(text)} characters",
            where=where,
            expected=f"at most {MAX_LENGTH}",
            fix="name its constants under 'values', or split the table",
        )
    _check_tokens(text, where)
    reader = _Reader(text, where, dict(constants or {}))
    try:
        # Newlines of a folded YAML text become blanks: columns stay what the reader counts.
        tree = ast.parse(_SPACE.sub(" ", text).strip(), mode="eval")
    except SyntaxError as error:
        # The parser reports an unexpected end as offset 0.
        column = reader.lead + error.offset - 1 if error.offset else len(text.rstrip())
        raise reader.refusal(
            "the formula cannot be read here", column, "look for a missing sign or bracket"
        ) from None
    kind, step = reader.read(tree.body, 1)
    if kind == "text" or (want and kind != want):
        example = "a comparison, such as ph < 6" if want == "condition" else "an amount, such as 20"
        raise reader.refusal(f"this is a {kind}, and a {want or 'number'} is needed", 0, f"write {example}")
    return Expression(
        text, tuple(sorted(reader.names)), tuple(sorted(reader.used)), kind, tuple(reader.texts), step
    )


def _check_tokens(text: str, where: str) -> None:
    """Refuse any character sequence outside the language before Python's parser sees it."""
    position = 0
    while position < len(text):
        token = _TOKEN.match(text, position)
        if token is None:
            piece = re.match(r"[\w.]+|.", text[position:], re.DOTALL)
            raise FormulaError(
                f"{piece.group() if piece else text[position]!r} has no meaning in a formula",
                where=f"{where}, column {position + 1}",
                expected=_ALLOWED,
                fix="write numbers as 1200 or 0.5 and texts between double quotes",
            )
        position = token.end()
    if not text.strip():
        raise FormulaError(
            "the formula is empty", where=where, expected=_ALLOWED, fix="write one, or drop it"
        )


class _Reader:
    """Turns a parsed formula into numpy steps, piece by piece; knows where it is for messages."""

    def __init__(self, text: str, where: str, constants: dict[str, float]) -> None:
        self.text, self.where, self.constants = text, where, constants
        self.lead = len(text) - len(text.lstrip())
        self.names: set[str] = set()
        self.used: set[str] = set()
        self.texts: list[tuple[str, str]] = []

    def refusal(self, what: str, column: int, fix: str, expected: str = _ALLOWED) -> FormulaError:
        return FormulaError(what, where=f"{self.where}, column {column + 1}", expected=expected, fix=fix)

    def refuse(self, node: ast.expr, what: str, fix: str, expected: str = _ALLOWED) -> FormulaError:
        """Refusal that quotes the piece of the formula it is about."""
        start, end = self.column_of(node.col_offset), self.column_of(node.end_col_offset or 0)
        return self.refusal(f"{self.text[start:end]!r} {what}", start, fix, expected)

    def column_of(self, offset: int) -> int:
        """Where in the text a place of the parser's is: it counts the bytes of UTF-8."""
        return self.lead + len(self.text[self.lead :].encode()[:offset].decode())

    def read(self, node: ast.expr, depth: int) -> tuple[Kind, Step]:
        if depth > MAX_DEPTH:
            raise self.refuse(
                node, "is nested too deeply", "split the formula", f"at most {MAX_DEPTH} levels"
            )
        for reader in (self._leaf, self._operation, self._condition, self._call):
            if (found := reader(node, depth)) is not None:
                return found
        raise self.refuse(node, "is not arithmetic", "write it with the pieces that are allowed")

    def _leaf(self, node: ast.expr, _depth: int) -> tuple[Kind, Step] | None:
        match node:
            case ast.Constant(value=int() | float() as value) if not isinstance(value, bool):
                return "number", steps.constant(self._sensible(node, value))
            case ast.Name(id=name):
                return self._name(node, name)
            case ast.Constant(value=str()):
                raise self.refuse(node, "stands alone", 'compare it, as in crop == "maize"')
        return None

    def _operation(self, node: ast.expr, depth: int) -> tuple[Kind, Step] | None:
        match node:
            case ast.UnaryOp(op=ast.USub(), operand=inner):
                step = self._need("number", inner, depth)
                return "number", lambda c: -step(c)
            case ast.BinOp(left=left, op=op, right=right) if type(op) in _ARITHMETIC:
                parts = self._need("number", left, depth), self._need("number", right, depth)
                return "number", steps.arithmetic(_ARITHMETIC[type(op)], *parts)
            case ast.IfExp(test=test, body=body, orelse=orelse):
                condition = self._need("condition", test, depth)
                yes, no = self._need("number", body, depth), self._need("number", orelse, depth)
                return "number", steps.choose(condition, yes, no)
        return None

    def _condition(self, node: ast.expr, depth: int) -> tuple[Kind, Step] | None:
        match node:
            case ast.UnaryOp(op=ast.Not(), operand=inner):
                step = self._need("condition", inner, depth)
                return "condition", lambda c: 1.0 - step(c)
            case ast.BoolOp(op=op, values=joined):
                parts = [self._need("condition", part, depth) for part in joined]
                return "condition", steps.kleene(parts, decisive=0.0 if isinstance(op, ast.And) else 1.0)
            case ast.Compare(left=left, ops=[op], comparators=[right]) if type(op) in _COMPARE:
                return "condition", self._compare(left, op, right, depth)
            case ast.Compare(ops=[_, _, *_]):
                raise self.refuse(node, "compares twice in a row", "join two comparisons with 'and'")
        return None

    def _call(self, node: ast.expr, depth: int) -> tuple[Kind, Step] | None:
        match node:
            case ast.Call(func=ast.Name(id="min" | "max" as name), args=[_, _, *_] as amounts, keywords=[]):
                parts = [self._need("number", part, depth) for part in amounts]
                return "number", steps.fold(np.minimum if name == "min" else np.maximum, parts)
            case ast.Call(func=ast.Name(id="min" | "max")):
                raise self.refuse(node, "needs two or more amounts", "write min(a, b) or max(a, b)")
        return None

    def _need(self, want: Kind, node: ast.expr, depth: int) -> Step:
        kind, step = self.read(node, depth + 1)
        if kind != want:
            raise self.refuse(node, f"is a {kind}, and a {want} is needed here", f"put a {want} here")
        return step

    def _sensible(self, node: ast.expr, value: float) -> float:
        if abs(value) > 1e12:
            raise self.refuse(node, "is too large", "use a sensible unit", "at most 1e12")
        return float(value)

    def _name(self, node: ast.expr, name: str) -> tuple[Kind, Step]:
        if name == "always":
            return "condition", steps.constant(1.0)
        if name in NAMES:
            return self._sample_name(name)
        if name in self.constants:
            self.used.add(name)
            return "number", steps.constant(self.constants[name])
        known = [*NAMES, *self.constants]
        near = difflib.get_close_matches(name, known, n=1)
        fix = f"perhaps {near[0]} is meant" if near else "correct it, or give it a number under 'values'"
        raise self.refuse(node, "is not a known name", fix, ", ".join(known))

    def _sample_name(self, name: str) -> tuple[Kind, Step]:
        self.names.add(name)
        if name in TEXT_NAMES:
            return "text", steps.constant(name)
        return "condition" if name in CONDITION_NAMES else "number", steps.column(name)

    def _compare(self, left: ast.expr, op: ast.cmpop, right: ast.expr, depth: int) -> Step:
        match left, right:
            case ast.Name(id=name), ast.Constant(value=str() as text) if name in TEXT_NAMES:
                if not isinstance(op, ast.Eq | ast.NotEq):
                    raise self.refuse(left, "is text and has no order", "use == or != with a text")
                self.names.add(name)
                self.texts.append((name, text))
                return steps.same_text(name, text, wanted=isinstance(op, ast.Eq))
            case ast.Name(id=name), _ if name in TEXT_NAMES:
                raise self.refuse(
                    right, f"cannot be compared with {name}, which is text", "put a text in quotes"
                )
        parts = self._need("number", left, depth), self._need("number", right, depth)
        return steps.comparison(_COMPARE[type(op)], *parts)
