"""One recommended amount with its working: the figures of a row of RATED, in the order they were used."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from interpretation.agronomy.advise import Advice
from interpretation.agronomy.amounts import NITRATE
from interpretation.agronomy.formula import Expression
from interpretation.agronomy.materials import material_rates
from interpretation.agronomy.rates import KG_PER_HA, expression, limited
from interpretation.agronomy.samples import kg_per_ha
from interpretation.agronomy.tables import RateTable
from interpretation.quantities import RateUnit
from interpretation.results import Amount, Refusal, Step

# Names that have a step of their own.
_TOLD_APART = ("soil_test", "class_index", "crop")


def amount_of(advice: Advice, row: int, rated: Mapping[Hashable, Any]) -> Amount:
    """Turn one row of the rated frame into a record.

    Parameters
    ----------
    advice
        The batch.
    row
        Row number in ``advice.rated``.
    rated
        That row, by column.
    """
    lab_number = advice.context["lab_number"].iloc[rated["sample"]]
    nutrient = rated["nutrient"]
    if not isinstance(rated["table"], str):
        unit: RateUnit = "t/ha" if nutrient == "lime" else "kg/ha"
        refusal = _refusal(advice, rated)
        return Amount(
            lab_number=lab_number, nutrient=nutrient, rate=None, unit=unit, table=None, refusal=refusal
        )
    table = advice.tables.rates[rated["table"]]
    refused = bool(rated["refusal"])
    materials = [advice.tables.materials[key] for key in table.materials]
    return Amount(
        lab_number=lab_number,
        nutrient=nutrient,
        rate=None if refused else float(rated["rate"]),
        unit=table.unit,
        table=table.id,
        working=() if refused else _working(advice, row, rated, table),
        materials=(
            ()
            if refused
            else material_rates(table.nutrient, float(rated["rate"]) * KG_PER_HA[table.unit], materials)
        ),
        refusal=_refusal(advice, rated) if refused else None,
    )


def _refusal(advice: Advice, rated: Mapping[Hashable, Any]) -> Refusal:
    at = advice.context.iloc[rated["sample"]]
    told: dict[str, str | float] = {"nutrient": rated["nutrient"], "region": at["region"], "crop": at["crop"]}
    key, detail = rated["refusal"], rated["refusal_detail"]
    table = advice.tables.rates.get(rated["table"]) if isinstance(rated["table"], str) else None
    if table is not None:
        told |= {"table": table.id, "analyte": table.analyte or "", "method": table.method or ""}
    match key:
        case "missing-input":
            told["input"] = detail
        case "no-table":
            told["failed"] = detail
        case "soil-test-refused":
            told["reason"] = detail
        case "yield-goal-implausible":
            crop = advice.tables.crops[at["crop"]]
            told |= {"found": float(at["yield_goal"]), "unit": crop.yield_unit}
            told |= {"lowest": crop.yield_from, "highest": crop.yield_to}
    return Refusal(key=key, values=told)


def _working(advice: Advice, row: int, rated: Mapping[Hashable, Any], table: RateTable) -> tuple[Step, ...]:
    first = Step(key="table", values={"table": table.id, "nutrient": table.nutrient, "unit": table.unit})
    seen = _Seen(advice, rated, table)
    if not rated["due"]:
        condition = table.when or ""
        read = expression(table, condition, "condition")
        inputs = [*seen.inputs(read.names, told_apart=()), *_constants(table, [read])]
        return (first, *inputs, Step(key="not-due", values={"condition": condition}))
    raw = float(rated["raw"])
    taken = [float(amount) for amount in advice.rated.credits[row, : len(table.credits)]]
    net = raw - sum(taken)
    steps = [first, *seen.rule(), Step(key="raw-rate", values={"rate": raw, "unit": table.unit})]
    for credit, amount in zip(table.credits, taken, strict=True):
        steps.append(Step(key="credit", values={"credit": credit.key, "amount": amount, "unit": table.unit}))
    held = float(limited(table, np.array(net)))
    if held != net:
        steps.append(Step(key="floor" if held > net else "cap", values={"limit": held, "unit": table.unit}))
    rate = float(rated["rate"])
    steps.append(Step(key="rounding", values={"step": table.round_to, "rate": rate, "unit": table.unit}))
    return tuple(steps)


def _constants(table: RateTable, formulas: Sequence[Expression]) -> list[Step]:
    """The table's own figures in its formulas: without them nobody could follow the arithmetic."""
    used = sorted({name for formula in formulas for name in formula.constants})
    return [Step(key="constant", values={"name": name, "value": table.values[name]}) for name in used]


class _Seen:
    """What the formulas of one table saw for one sample."""

    def __init__(self, advice: Advice, rated: Mapping[Hashable, Any], table: RateTable) -> None:
        self._advice, self._rated, self._table = advice, rated, table
        soil_row = int(rated["soil_row"])
        self._soil = advice.classed.frame.iloc[soil_row] if soil_row >= 0 else None

    def rule(self) -> list[Step]:
        """The soil test, the row or formula that was used, and every further figure."""
        table, soil = self._table, self._soil
        rule = self._rule_used()
        formulas = [expression(table, rule)] if isinstance(rule, str) else []
        names = {name for formula in formulas for name in formula.names}
        tested = table.by_class is not None or table.by_value is not None or bool(names & {*_TOLD_APART[:2]})
        steps: list[Step] = []
        if tested and soil is not None:
            told: dict[str, str | float] = {name: soil[name] for name in ("analyte", "method", "unit")}
            if pd.isna(soil["reported"]):
                told["below"] = float(soil["below"])
                steps.append(Step(key="soil-test-below", values=told))
            else:
                told["value"] = float(soil["reported"])
                steps.append(Step(key="soil-test", values=told))
        if table.by_class is not None:
            steps.append(Step(key="class-row", values={"class": self._class_name()}))
        elif table.by_value is not None:
            steps.append(Step(key="value-row", values={"from": self._value_row()}))
        if isinstance(rule, str):
            steps.append(Step(key="formula", values={"formula": rule}))
        formulas += [expression(table, credit.formula) for credit in table.credits if credit.formula]
        if table.when is not None:
            formulas.append(expression(table, table.when, "condition"))
        names = {name for formula in formulas for name in formula.names}
        if any(credit.by_previous_crop is not None for credit in table.credits):
            names.add("previous_crop")
        if "nitrate_kg_per_ha" in names:
            names |= set(NITRATE)
        return steps + self.inputs(tuple(sorted(names))) + _constants(table, formulas)

    def inputs(self, names: tuple[str, ...], told_apart: tuple[str, ...] = _TOLD_APART) -> list[Step]:
        found = [(name, self._value(name)) for name in names if name not in told_apart]
        return [
            Step(key="input", values={"name": name, "value": value}) for name, value in found if value != ""
        ]

    def _rule_used(self) -> float | str:
        table = self._table
        if table.formula is not None:
            return table.formula
        if table.by_class is not None:
            return table.by_class[self._class_name()]
        return next(step.rate for step in table.by_value or () if step.at == self._value_row())

    def _class_name(self) -> str:
        assert self._soil is not None
        return self._advice.tables.scales[self._soil["table"]].classes[int(self._soil["class_index"])].name

    def _value_row(self) -> float:
        assert self._soil is not None
        return max(
            step.at for step in self._table.by_value or () if step.at <= self._rated["soil_test"] + 1e-9
        )

    def _value(self, name: str) -> float | str:
        """Value of a name as the formula saw it; "" where it was not known and did not matter."""
        sample, columns = int(self._rated["sample"]), self._advice.columns
        density = float(self._rated["bulk_density_g_per_cm3"])
        found: Any
        match name:
            case "soil_test" | "class_index" if self._soil is None:
                return ""
            case "soil_test" if self._soil is not None:
                found = self._rated["soil_test"]
            case "class_index" if self._soil is not None:
                found = self._soil["class_index"]
            case "bulk_density_g_per_cm3":
                found = density
            case "nitrate_kg_per_ha":
                content, depth = columns["nitrate_mg_per_kg"][sample], columns["depth_cm"][sample]
                found = kg_per_ha(content, depth, np.array(density))
            case _:
                found = columns[name][sample] if name in columns else ""
        if isinstance(found, str):
            return found
        return "" if pd.isna(found) else float(found)
