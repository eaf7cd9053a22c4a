"""One rate table in words: its rows or formula, what is taken off, what limits it, and the amounts drawn."""

from __future__ import annotations

from interpretation.agronomy.tables import Credit, RateTable, TableSet
from reports.format import printed
from service.cli.console import WORDING
from service.cli.tabletext.amounts import (
    asked_for,
    drawn,
    labelled_rules,
    rules_of,
    test_unit,
    units_of,
    yield_unit,
)
from service.cli.tabletext.formulas import in_words, needs
from service.cli.tabletext.pictures import bars, strokes
from service.cli.tabletext.scales import rounding_words, scope_facts, tested_words
from service.cli.tabletext.words import (
    crop_name,
    exact,
    facts,
    headed,
    listed,
    material_name,
    method_name,
    nutrient_name,
    unit_words,
    wrapped,
)

REFUSED = "no single figure in the source: refused"
DEFERS = (
    "Amounts are starting points, not permission. Local law, nutrient-management rules and a licensed or "
    "certified adviser come first."
)
BETWEEN = (
    "Between two rows the amount lies on a straight line. Below the first row and above the last nothing is "
    "given: the amount is refused."
)


def rate_lines(tables: TableSet, table: RateTable) -> list[str]:
    """What a rate table is for, how the amount comes about, and the amounts drawn."""
    return [
        *facts(_rate_facts(tables, table)),
        *headed(f"AMOUNT, {printed(table.unit)}{_rows_over(tables, table)}", _amount_lines(tables, table)),
        *headed("TAKEN OFF IT", _credit_lines(tables, table)),
        *headed("THEN", _limit_lines(tables, table)),
        *headed(*drawn(tables, table)),
        "",
        *wrapped(DEFERS),
    ]


def plain(table: RateTable) -> bool:
    """Whether every amount is a number, or none: its rows are drawn as they stand."""
    return not any(isinstance(rule, str) for rule in rules_of(table))


def _rate_facts(tables: TableSet, table: RateTable) -> list[tuple[str, str]]:
    unit = test_unit(tables, table)
    condition, holds = (
        in_words(tables, text, table.values) if text else "" for text in (table.when, table.holds_if)
    )
    asked = sorted(asked_for(table), key=lambda name: (name not in ("soil_test", "yield_goal"), name))
    shown = unit_words(unit, table.basis)
    return [
        ("Amount of", nutrient_name(table.nutrient)),
        ("Soil test", f"{tested_words(table)}, in {shown}" if table.analyte else "none"),
        ("Method", method_name(tables, table.method) if table.method else ""),
        ("Asks for", needs(tuple(asked), yield_unit(tables, table), unit)),
        *scope_facts(tables, table),
        ("Holds only if", f"{holds}; otherwise the amount is refused, with this condition" if holds else ""),
        ("Due only if", f"{condition}; otherwise none is needed" if condition else ""),
    ]  # fmt: skip


def _rows_over(tables: TableSet, table: RateTable) -> str:
    if table.by_class:
        return " by class"
    return f" by {needs((table.rows_of,), *units_of(tables, table))}" if table.by_value else ""


def _amount_lines(tables: TableSet, table: RateTable) -> list[str]:
    rows = labelled_rules(tables, table)
    straight = wrapped(BETWEEN, "  ") if table.between_rows == "straight-line" else []
    if plain(table) and len(rows) > 1:
        drawn_rows = [(label, rule) for label, rule in rows if not isinstance(rule, str)]
        return [*bars(drawn_rows, REFUSED, strokes()), *straight]
    wide = max(len(label) for label, _ in rows)
    lines = []
    for label, rule in rows:
        begin = f"  {label:<{wide}}  " if wide else "  "
        lines += wrapped(_rule(tables, table, rule), begin, " " * len(begin))
    return [*lines, *straight]


def _rule(tables: TableSet, table: RateTable, rule: float | str | None) -> str:
    if rule is None:
        return REFUSED
    return in_words(tables, rule, table.values) if isinstance(rule, str) else exact(rule)


def _credit_lines(tables: TableSet, table: RateTable) -> list[str]:
    lines = []
    for credit in table.credits:
        name = WORDING.name("credits", credit.key)
        lines += wrapped(f"for {name}: {_credit(tables, table, credit)}", "  ", "    ")
    return lines


def _credit(tables: TableSet, table: RateTable, credit: Credit) -> str:
    said = []
    if credit.formula is not None:
        said.append(in_words(tables, credit.formula, table.values))
    if credit.by_previous_crop is not None:
        after = [f"{crop_name(tables, crop)} {exact(a)}" for crop, a in credit.by_previous_crop.items()]
        said.append(f"after {listed(after)}; after any other crop 0")
    return "; and ".join(said)


def _limit_lines(tables: TableSet, table: RateTable) -> list[str]:
    least = f"At least {exact(table.floor)}" if table.floor > 0 else "Never below 0"
    cap = f"at most {exact(table.cap)}" if table.cap is not None else ""
    rounded = f"rounded {rounding_words(table.round_to, table.unit)}, halves upwards"
    lines = wrapped(f"{listed(filter(None, (least, cap, rounded)))}.", "  ")
    if table.materials:
        names = listed((material_name(tables, key) for key in table.materials), "; ")
        lines += wrapped(f"It is turned into these, each alone: {names}.", "  ")
    return lines
