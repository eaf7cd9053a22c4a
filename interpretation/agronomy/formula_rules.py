"""Rules of a formula in its place: it can be read, and its names are known there."""

from __future__ import annotations

from collections.abc import Iterator, Set
from typing import Literal

from interpretation.agronomy import scope_rules
from interpretation.agronomy.formula import Expression, parse
from interpretation.agronomy.problems import Path, Problem
from interpretation.agronomy.samples import SOIL_NAMES
from interpretation.agronomy.tables import TableSet
from interpretation.errors import FormulaError


def read(
    text: str,
    kind: str,
    table: str,
    path: Path,
    want: Literal["number", "condition"],
    constants: dict[str, float],
) -> Expression | Problem:
    """Read a formula, or say what is wrong with it."""
    place = ".".join(str(part) for part in path)
    try:
        return parse(text, where=place, constants=constants, want=want)
    except FormulaError as error:
        return Problem(kind, table, path, f"{error.where}: {error.what}", error.expected, error.fix)


def names(
    kind: str,
    table: str,
    path: Path,
    expression: Expression,
    tables: TableSet,
    not_yet_known: Set[str],
) -> Iterator[Problem]:
    """Names are known in this place, soil properties are measured by some method, and crops exist."""
    for name in sorted(not_yet_known & set(expression.names)):
        yield Problem(
            kind,
            table,
            path,
            f"{name} is not known in this place",
            "names of the soil, the crop and the manure; amounts and classes only in notes, "
            "soil_test and class_index only in rates",
            "use another name",
        )
    for name, text in expression.texts:
        if name == "texture" and text not in scope_rules.TEXTURES:
            yield scope_rules.unknown_texture(kind, table, path, text)
        elif name != "texture" and text not in tables.crops:
            yield scope_rules.unknown_crop(kind, table, path, text, tables)
    supplied = {(method.analyte, method.unit) for method in tables.methods.values()}
    for name in expression.names:
        if name in SOIL_NAMES and SOIL_NAMES[name] not in supplied:
            analyte, unit = SOIL_NAMES[name]
            yield Problem(
                kind,
                table,
                path,
                f"nothing supplies {name}: no method gives {analyte} in {unit}",
                "a soil property that is measured",
                "add the method, or leave the name out",
                severity="warning",
            )
