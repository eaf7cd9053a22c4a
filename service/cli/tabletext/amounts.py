"""Amounts of one rate table as they can be drawn: by class, by row, or along a formula."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from interpretation.agronomy.classing import decimals_of
from interpretation.agronomy.meeting import scales_of, soil_test_units
from interpretation.agronomy.rates import expression, rates
from interpretation.agronomy.tables import Crop, RateTable, TableSet
from interpretation.agronomy.yields import yield_factor
from reports.charts import nice_ticks
from reports.format import printed
from service.actions.tables import reported_classes
from service.cli.tabletext.formulas import needs
from service.cli.tabletext.pictures import bars, strokes
from service.cli.tabletext.scales import range_words
from service.cli.tabletext.words import exact, wrapped

Rule = float | str | None
Drawn = list[tuple[str, float | None]]


def rules_of(table: RateTable) -> list[Rule]:
    """Every amount of a table: of its rows, or its formula."""
    alone = () if table.formula is None else (table.formula,)
    return [*alone, *(table.by_class or {}).values(), *(step.rate for step in table.by_value or ())]


def test_unit(tables: TableSet, table: RateTable) -> str:
    """Unit of the soil test in a rate table; several, which only rows by class can take, with "or"."""
    return " or ".join(sorted(soil_test_units(table, tables)))


def yield_unit(tables: TableSet, table: RateTable) -> str:
    """Unit of the yield goal in a rate table."""
    own = {crop.yield_unit for crop in _crops(tables, table)}
    return table.yield_unit or (own.pop() if len(own) == 1 else "the crop's own unit")


def units_of(tables: TableSet, table: RateTable) -> tuple[str, str]:
    """Units of the yield goal and of the soil test."""
    return yield_unit(tables, table), test_unit(tables, table)


def asked_for(table: RateTable) -> set[str]:
    """Every figure that a table asks for: for its amounts, its credits and its conditions."""
    names = _needed(table)
    for credit in table.credits:
        names |= {*expression(table, credit.formula).names} if credit.formula is not None else set()
        names |= {"previous_crop"} if credit.by_previous_crop is not None else set()
    for text in (table.when, table.holds_if):
        names |= {*expression(table, text, "condition").names} if text is not None else set()
    return names - {"class_index"}


def labelled_rules(tables: TableSet, table: RateTable) -> list[tuple[str, Rule]]:
    """Every amount of a table with what it holds for."""
    if table.formula is not None:
        return [("", table.formula)]
    if table.by_class is not None:
        ranges = _class_ranges(tables, table)
        return [(f"{name} {ranges.get(name, '')}".strip(), rule) for name, rule in table.by_class.items()]
    steps = table.by_value or ()
    if table.between_rows == "straight-line":
        return [(f"at {exact(step.at)}", step.rate) for step in steps]
    ends = [*(f" to below {exact(step.at)}" for step in steps[1:]), " upwards"]
    return [(f"from {exact(step.at)}{end}", step.rate) for step, end in zip(steps, ends, strict=True)]


def drawn(tables: TableSet, table: RateTable) -> tuple[str, list[str]]:
    """Amounts along a formula, or by rows that are formulas; a heading and bars.

    Nothing is drawn of rows that are plain numbers, which are drawn as they stand, nor where an amount also
    depends on other figures than the soil test and the yield goal: then the page says on which.
    """
    if not any(isinstance(rule, str) for rule in rules_of(table)):
        return "PICTURE", []
    needed = _needed(table)
    others = needed - {"soil_test", "yield_goal", "class_index"}
    if others or (table.by_class and "soil_test" in needed):
        return "PICTURE", wrapped(f"None: the amount also depends on {needs(tuple(sorted(others)))}.", "  ")
    if not needed:
        return "PICTURE", []
    along = _along(table)
    goal, unit = _example_goal(tables, table)
    fixed = "yield_goal" in needed and along != "yield_goal"
    rows = _worked_rows(tables, table, along, goal)
    if not rows or (fixed and math.isnan(goal)):
        return "PICTURE", []
    example = f", for example at a yield goal of {exact(goal)} {unit}" if fixed else ""
    over = "class" if along == "class_index" else needs((along,), *units_of(tables, table))
    heading = f"PICTURE, {printed(table.unit)} by {over}, before anything is taken off{example}"
    return heading, bars(rows, "refused", strokes())


def _along(table: RateTable) -> str:
    """The figure that a picture runs over."""
    if table.by_class is not None:
        return "class_index"
    if table.by_value is not None:
        return table.rows_of
    return "soil_test" if "soil_test" in _needed(table) else "yield_goal"


def _needed(table: RateTable) -> set[str]:
    """Figures that the amounts themselves ask for, the number of the rows among them."""
    formulas = (expression(table, rule) for rule in rules_of(table) if isinstance(rule, str))
    names = {name for formula in formulas for name in formula.names}
    return names | ({table.rows_of} if table.by_value else set())


def _class_ranges(tables: TableSet, table: RateTable) -> dict[str, str]:
    """The soil tests of each class in brackets, where one scale alone classes them."""
    behind = scales_of(table, tables)
    if len(behind) != 1:
        return {}
    decimals = decimals_of(behind[0].round_to)
    return {each.name: f"({range_words(each, decimals)})" for each in reported_classes(behind[0])}


def _crops(tables: TableSet, table: RateTable) -> list[Crop]:
    names = () if table.crops == "any" else table.crops
    return [tables.crops[name] for name in names if name in tables.crops]


def _yield_range(crop: Crop, table: RateTable) -> tuple[float, float]:
    factor = yield_factor(crop, crop.yield_unit, table.yield_unit or crop.yield_unit)
    return crop.yield_from * factor, crop.yield_to * factor


def _example_goal(tables: TableSet, table: RateTable) -> tuple[float, str]:
    """A round yield goal near the middle of what the first crop's file takes for plausible, and its unit."""
    for crop in _crops(tables, table):
        low, high = _yield_range(crop, table)
        if math.isfinite(high):
            middle = (low + high) / 2
            goal = min(nice_ticks(low, high, 4), key=lambda tick: abs(tick - middle))
            return goal, table.yield_unit or crop.yield_unit
    return math.nan, ""


def _worked_rows(tables: TableSet, table: RateTable, along: str, goal: float) -> Drawn:
    """Labels and amounts, by the program's own arithmetic with nothing taken off."""
    if along == "class_index":
        labels = list(table.by_class or ())
        at: Sequence[float] = range(len(labels))
    elif table.by_value is not None:
        labels = [label for label, _ in labelled_rules(tables, table)]
        at = [step.at for step in table.by_value]
    else:
        at = _points(tables, table, along)
        labels = [exact(point) for point in at]
    columns = {"yield_goal": np.full(len(at), goal)} | {along: np.array(at, dtype=float)}
    bare = table.model_copy(update={"credits": (), "when": None, "holds_if": None})
    found = rates(bare, columns, len(at), tuple(table.by_class or ())).rate.tolist()
    return [(label, None if math.isnan(one) else one) for label, one in zip(labels, found, strict=True)]


def _points(tables: TableSet, table: RateTable, along: str) -> Sequence[float]:
    """Where a formula is looked at: over the scale of the soil test, or over plausible yield goals."""
    if along == "soil_test":
        behind = scales_of(table, tables)
        method = tables.methods.get(table.method or "")
        tops = [each.scale_top or 1.2 * each.classes[-1].lower for each in behind]
        top = max(tops, default=None) or (method.working_to if method else None)
        return nice_ticks(0.0, top, 8) if top else ()
    for crop in _crops(tables, table):
        low, high = _yield_range(crop, table)
        if math.isfinite(high):
            return nice_ticks(low, high, 8)
    return ()
