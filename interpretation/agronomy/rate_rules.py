"""Rules of a rate table: its formulas, its rows, and how its amounts run with the soil test."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from interpretation.agronomy import formula_rules, row_rules, scope_rules
from interpretation.agronomy.formula import ASSUMABLE, NAMES, NOTE_NAMES, RATE_NAMES, TEXT_NAMES, Expression
from interpretation.agronomy.meeting import scales_of
from interpretation.agronomy.problems import Path, Problem
from interpretation.agronomy.tables import RateTable, ScaleTable, TableSet

Floats = NDArray[np.float64]
KIND = "rates"
SAMPLES = 101  # soil tests at which the run of the amounts is looked at
# Ordinary values of the other inputs, only for looking at how an amount runs with the soil test.
_ORDINARY: Mapping[str, float] = dict.fromkeys(set(NAMES) - TEXT_NAMES, 0.0) | {
    "yield_goal": 8.0, "ph": 5.8, "buffer_ph": 6.4, "om_percent": 3.0, "cec_cmol_per_kg": 15.0,
    "acidity_cmol_per_kg": 2.0, "depth_cm": 20.0, "bulk_density_g_per_cm3": 1.3, "k_mg_per_kg": 100.0,
    "p_mg_per_kg": 10.0, "ca_mg_per_kg": 1000.0, "mg_mg_per_kg": 100.0, "month": 3.0,
}  # fmt: skip


def check(table: RateTable, tables: TableSet) -> Iterator[Problem]:
    """Everything one rate table must keep."""
    problems, expressions = _formulas(table)
    problems += [
        *scope_rules.scope(table, KIND, tables),
        *scope_rules.method(table, KIND, tables),
        *_one_way(table),
        *_constants(table, list(expressions.values())),
        *_limits(table),
        *_credits(table, tables),
        *_materials(table, tables),
        *_rows(table, tables, list(expressions.values())),
        *row_rules.check(table, tables),
    ]
    for path, expression in expressions.items():
        problems += formula_rules.names(KIND, table.id, path, expression, tables, not_yet_known=NOTE_NAMES)
    yield from problems
    if not any(problem.severity == "error" for problem in problems):
        yield from _run(table, tables, expressions)


def _one_way(table: RateTable) -> Iterator[Problem]:
    given = [name for name in ("by_class", "by_value", "formula") if getattr(table, name) is not None]
    if len(given) != 1:
        yield Problem(
            KIND,
            table.id,
            (given[-1],) if given else (),
            f"the amount is given {' and '.join(given) or 'in no way'}",
            "exactly one of by_class, by_value and formula",
            "keep the one that is meant",
        )


def _formulas(table: RateTable) -> tuple[list[Problem], dict[Path, Expression]]:
    """Read every formula of the table."""
    rows = _row_rates(table)
    rows["formula",] = table.formula
    rows |= {("credits", i, "formula"): credit.formula for i, credit in enumerate(table.credits)}
    wanted: dict[Path, tuple[str, Literal["number", "condition"]]] = {
        path: (rate, "number") for path, rate in rows.items() if isinstance(rate, str)
    }
    for name, condition in (("when", table.when), ("holds_if", table.holds_if)):
        if condition is not None:
            wanted[name,] = condition, "condition"
    problems: list[Problem] = []
    expressions: dict[Path, Expression] = {}
    for path, (text, want) in wanted.items():
        found = formula_rules.read(text, KIND, table.id, path, want, table.values)
        if isinstance(found, Problem):
            problems.append(found)
        else:
            expressions[path] = found
    return problems, expressions


def _row_rates(table: RateTable) -> dict[Path, float | str | None]:
    """Amount of each row, by its place in the record; None where the source gives no single figure."""
    rows: dict[Path, float | str | None] = {
        ("by_class", name): rate for name, rate in (table.by_class or {}).items()
    }
    return rows | {("by_value", i, "rate"): step.rate for i, step in enumerate(table.by_value or ())}


def _constants(table: RateTable, expressions: list[Expression]) -> Iterator[Problem]:
    used = {name for expression in expressions for name in expression.constants}
    for name in table.values:
        if name in ASSUMABLE:
            continue
        if name in NAMES:
            yield Problem(
                KIND,
                table.id,
                ("values", name),
                f"{name} is the sample's own figure",
                "a name of its own, such as target_ph",
                "rename the constant",
            )
        elif name not in used:
            yield Problem(
                KIND,
                table.id,
                ("values", name),
                f"the constant {name} is in no formula",
                "only constants that are used",
                "use it, or remove it",
                severity="warning",
            )


def _has_steps(floor: float, cap: float, step: float) -> bool:
    """Whether some amount above 0 can be rounded to: a whole step from floor to cap."""
    highest, lowest = np.floor(cap / step + 1e-9), np.ceil(floor / step - 1e-9)
    return bool(highest >= max(lowest, 1))


def _limits(table: RateTable) -> Iterator[Problem]:
    if table.floor < 0:
        yield Problem(
            KIND, table.id, ("floor",), f"the floor is {table.floor:g}", "0 or more", "raise it to 0"
        )
    if table.cap is not None and table.cap <= table.floor:
        yield Problem(
            KIND,
            table.id,
            ("cap",),
            f"the cap {table.cap:g} is not above the floor {table.floor:g}",
            "a cap above the floor",
            "correct one of the two",
        )
    elif table.cap is not None and not _has_steps(table.floor, table.cap, table.round_to):
        yield Problem(
            KIND,
            table.id,
            ("round_to",),
            f"no step of {table.round_to:g} lies from the floor {table.floor:g} to the cap {table.cap:g}",
            "a step that leaves at least one amount between them",
            "round to a smaller step, or correct floor or cap",
        )
    for path, rate in _row_rates(table).items():
        if isinstance(rate, float) and rate < 0:
            yield Problem(KIND, table.id, path, f"the amount is {rate:g}", "0 or more", "correct the sign")


def _credits(table: RateTable, tables: TableSet) -> Iterator[Problem]:
    seen: set[str] = set()
    for position, credit in enumerate(table.credits):
        path = ("credits", position)
        if credit.key in seen:
            yield Problem(
                KIND,
                table.id,
                (*path, "key"),
                f"the credit {credit.key} is given twice",
                "each credit once",
                "join the two",
            )
        seen.add(credit.key)
        if credit.formula is None and not credit.by_previous_crop:
            yield Problem(
                KIND,
                table.id,
                path,
                f"the credit {credit.key} takes nothing off",
                "formula or by_previous_crop",
                "give one of the two, or remove the credit",
            )
        for crop, amount in (credit.by_previous_crop or {}).items():
            if crop not in tables.crops:
                yield scope_rules.unknown_crop(
                    KIND, table.id, (*path, "by_previous_crop", crop), crop, tables
                )
            if amount < 0:
                yield Problem(
                    KIND,
                    table.id,
                    (*path, "by_previous_crop", crop),
                    f"the credit is {amount:g}",
                    "0 or more: a credit is taken off",
                    "correct the sign",
                )


def _materials(table: RateTable, tables: TableSet) -> Iterator[Problem]:
    for position, name in enumerate(table.materials):
        material = tables.materials.get(name)
        if material is None:
            yield Problem(
                KIND,
                table.id,
                ("materials", position),
                f"there is no material {name!r}",
                ", ".join(tables.materials),
                "correct the id, or add a file to tables/materials",
            )
        elif not (
            material.neutralising_value_percent
            if table.nutrient == "lime"
            else material.analysis_percent.get(table.nutrient)
        ):
            yield Problem(
                KIND,
                table.id,
                ("materials", position),
                f"{name} supplies no {table.nutrient}",
                f"materials that supply {table.nutrient}",
                "remove it here, or correct its analysis",
            )


def _rows(table: RateTable, tables: TableSet, expressions: list[Expression]) -> Iterator[Problem]:
    """What rests on a soil test names it, and rows by class belong to the scale's classes."""
    by_row = table.by_class is not None or (table.by_value is not None and table.rows_of in RATE_NAMES)
    by_formula = any(RATE_NAMES & set(expression.names) for expression in expressions)
    if (by_row or by_formula) and not (table.method and table.analyte):
        yield Problem(
            KIND,
            table.id,
            (),
            f"{'rows' if by_row else 'a formula'} of a soil test, and no analyte and method to test it by",
            "analyte and method",
            "name both",
        )
        return
    if table.by_class is not None:
        scales = scales_of(table, tables)
        if not scales:
            yield Problem(
                KIND,
                table.id,
                ("by_class",),
                f"no scale of {table.region} classes {table.analyte} by "
                f"{table.method} for these crops and days",
                "a scale that gives the classes",
                "add the scale, or give the amounts by_value",
            )
        for scale in scales:
            names = [one.name for one in scale.classes]
            for name in sorted(set(names) ^ set(table.by_class), key=str):
                known = name in table.by_class
                what = "there is no class" if known else "there is no amount for the class"
                yield Problem(
                    KIND,
                    table.id,
                    ("by_class", name),
                    f"{what} {name!r} of {scale.id}",
                    ", ".join(names),
                    "write one row for each class of the scale",
                )


def _run(table: RateTable, tables: TableSet, expressions: dict[Path, Expression]) -> Iterator[Problem]:
    """Warn when an amount rises with the soil test, or falls below 0 where no floor was thought of."""
    if table.by_value is not None and table.rows_of != "soil_test":
        return  # more for a higher yield goal is as it should be
    path: Path = next(
        ((name,) for name in ("formula", "by_value", "by_class") if getattr(table, name) is not None), ()
    )
    tests, amounts = _amounts(table, scales_of(table, tables), expressions)
    rising = np.flatnonzero(np.diff(np.maximum(amounts, table.floor)) > 1e-9)
    if rising.size:
        low, high = (f"{amounts[i]:.4g} at {tests[i]:.4g}" for i in (rising[0], rising[0] + 1))
        yield Problem(
            KIND,
            table.id,
            path,
            f"the amount rises with the soil test: {low}, {high}",
            "less, or as much, on a richer soil",
            "correct the row or the sign in the formula",
            severity="warning",
        )
    below = np.flatnonzero(amounts < 0)
    if below.size and "floor" not in table.model_fields_set:
        yield Problem(
            KIND,
            table.id,
            path,
            f"the amount falls below 0: {amounts[below[0]]:.4g} at {tests[below[0]]:.4g}",
            "a floor, to say that it is meant to stop there",
            "write floor: 0",
            severity="warning",
        )


def _amounts(
    table: RateTable, scales: list[ScaleTable], expressions: dict[Path, Expression]
) -> tuple[Floats, Floats]:
    """Soil tests and the amounts at them, before credits; other inputs ordinary, texts not known."""

    def amount(path: Path, rate: float | str | None, at: Floats) -> Floats:
        if not isinstance(rate, str):
            return np.full(len(at), np.nan if rate is None else rate)
        return expressions[path].evaluate({**_ORDINARY, "soil_test": at})

    if table.by_class is not None:
        lower = {one.name: one.lower for scale in scales[:1] for one in scale.classes}
        named = [name for name in lower if name in table.by_class]
        tests = np.array([lower[name] for name in named])
        rows = [amount(("by_class", name), table.by_class[name], tests[:1])[0] for name in named]
        return tests, np.array(rows)
    tops = [scale.scale_top or 1.5 * scale.classes[-1].lower for scale in scales]
    bounds = [step.at for step in table.by_value or ()]
    tests = np.union1d(np.linspace(0.0, max(tops, default=100.0), SAMPLES), bounds)
    if table.formula is not None:
        return tests, amount(("formula",), table.formula, tests)
    amounts = np.full(len(tests), np.nan)
    if table.between_rows == "straight-line":
        rates_at = [step.rate for step in table.by_value or ()]
        return tests, np.interp(tests, bounds, np.array(rates_at, dtype=np.float64))
    for position, step in enumerate(table.by_value or ()):
        rows_from = tests >= step.at
        amounts[rows_from] = amount(("by_value", position, "rate"), step.rate, tests[rows_from])
    return tests, amounts
