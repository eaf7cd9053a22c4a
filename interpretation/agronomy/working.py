"""One recommended amount with its working: the figures of a row of RATED, in the order they were used."""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from interpretation.agronomy.advise import Advice
from interpretation.agronomy.amounts import NITRATE
from interpretation.agronomy.formula import Expression
from interpretation.agronomy.lookup import asked_for, in_force
from interpretation.agronomy.materials import material_rates
from interpretation.agronomy.meeting import soil_test_units
from interpretation.agronomy.rates import expression, limited
from interpretation.agronomy.samples import kg_per_ha
from interpretation.agronomy.tables import RateTable, ValueStep
from interpretation.agronomy.yields import yield_factor, yield_goals
from interpretation.quantities import KG_PER_HA, RateUnit
from interpretation.results import Amount, Refusal, Step

DENSITY = "bulk_density_g_per_cm3"
# Names that have a step of their own.
_SOIL_TEST = frozenset({"soil_test", "class_index"})
_TOLD_APART = frozenset({*_SOIL_TEST, "crop"})


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
    lab_number = advice.read["context"].cell(rated["sample"], "lab_number")
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
    at: Any = advice.read["context"].one(rated["sample"])
    told: dict[str, str | float] = {"nutrient": rated["nutrient"], "region": at["region"], "crop": at["crop"]}
    key, detail = rated["refusal"], rated["refusal_detail"]
    table = advice.tables.rates.get(rated["table"]) if isinstance(rated["table"], str) else None
    if table is not None:
        told |= {"table": table.id, "analyte": table.analyte or "", "method": table.method or ""}
    match key:
        case "missing-input":
            told["input"] = detail
            if detail == "yield_goal" and not pd.isna(at["yield_goal"]):
                # It was stated, and the weight of a bushel or bale that would turn it is not known.
                crop = advice.tables.crops[at["crop"]]
                unit, own = at["yield_unit"] or crop.yield_unit, crop.yield_unit
                wanted = own if table is None or table.yield_unit is None else table.yield_unit
                lost = pd.isna(yield_factor(crop, unit, own))
                told |= {"unit": unit, "wanted": own if lost else wanted}
        case "outside-table" if table is not None:
            told["condition"] = with_figures(detail, table.values)
        case "no-table":
            told["failed"] = detail
            failed = detail.split(",")
            regional = [
                one
                for one in advice.tables.rates.values()
                if (one.region, one.nutrient) == (at["region"], rated["nutrient"])
                and (one.crops == "any" or at["crop"] in one.crops)
                and not ("day" in failed and in_force(one, at["sampled_on"].date()))
            ]
            told |= asked_for(regional, failed, advice.tables)
        case "no-rate-row" if table is not None and table.by_value and table.between_rows == "straight-line":
            first, last = table.by_value[0].at, table.by_value[-1].at
            told |= {"input": table.rows_of, "lowest": first, "highest": last}
            told |= {"unit": table.yield_unit} if table.rows_of == "yield_goal" and table.yield_unit else {}
        case "soil-test-refused":
            told["reason"] = detail
            tested = advice.read["classed"].one(rated["soil_row"])
            units = soil_test_units(table, advice.tables) if table is not None else frozenset()
            # Its unit is the reason only where no scale could have had the value for another one.
            if tested["refusal_detail"] in ("analyte", "unit") and tested["unit"] not in units:
                told |= {"reason": "unit", "wanted_unit": ",".join(sorted(units))}
        case "yield-goal-implausible":
            crop = advice.tables.crops[at["crop"]]
            unit = at["yield_unit"] or crop.yield_unit
            factor = yield_factor(crop, crop.yield_unit, unit)
            told |= {"found": float(at["yield_goal"]), "unit": unit}
            told |= {"lowest": crop.yield_from * factor, "highest": crop.yield_to * factor}
    return Refusal(key=key, values=told)


def with_figures(condition: str, values: Mapping[str, float]) -> str:
    """A condition with the table's own figures in place of their names.

    Examples
    --------
    >>> with_figures("om_percent <= most", {"most": 5.0})
    'om_percent <= 5'
    """
    return re.sub(
        r'"[^"]*"|[a-z]\w*',
        lambda name: f"{values[name[0]]:g}" if name[0] in values else name[0],
        condition,
    )


def _working(advice: Advice, row: int, rated: Mapping[Hashable, Any], table: RateTable) -> tuple[Step, ...]:
    first = Step(key="table", values={"table": table.id, "nutrient": table.nutrient, "unit": table.unit})
    seen = _Seen(advice, rated, table)
    if not rated["due"]:
        condition = table.when or ""
        read = expression(table, condition, "condition")
        names = {*read.names, *(NITRATE if "nitrate_kg_per_ha" in read.names else ())}
        inputs = [*seen.inputs(tuple(sorted(names)), told_apart=frozenset()), *_constants(table, [read])]
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
        self._soil = advice.read["classed"].one(soil_row) if soil_row >= 0 else None

    def rule(self) -> list[Step]:
        """The soil test, the row or formula that was used, and every further figure."""
        table, rule = self._table, self._rule_used()
        ruling = [expression(table, rule)] if isinstance(rule, str) else []
        rows_by = "class_index" if table.by_class is not None else table.rows_of
        asked = {name for formula in ruling for name in formula.names}
        if table.formula is None:
            asked.add(rows_by)
        steps = self._soil_test() if asked & _SOIL_TEST else []
        if table.by_class is not None:
            steps.append(Step(key="class-row", values={"class": self._class_name()}))
        elif table.by_value is not None:
            steps.append(self._rows_step(table.by_value))
        if isinstance(rule, str):
            steps.append(Step(key="formula", values={"formula": rule}))
        formulas = [*ruling, *self._others()]
        names = asked | {name for formula in formulas for name in formula.names}
        if any(credit.by_previous_crop is not None for credit in table.credits):
            names.add("previous_crop")
        if "nitrate_kg_per_ha" in names:
            names |= set(NITRATE)  # never an amount on a field without the layer and the density behind it
        return steps + self.inputs(tuple(sorted(names))) + _constants(table, formulas)

    def _others(self) -> list[Expression]:
        """Formulas of the credits, and the conditions under which the table holds and gives an amount."""
        table = self._table
        taken = [expression(table, credit.formula) for credit in table.credits if credit.formula]
        conditions = [text for text in (table.when, table.holds_if) if text is not None]
        return taken + [expression(table, text, "condition") for text in conditions]

    def _soil_test(self) -> list[Step]:
        soil = self._soil
        if soil is None:
            return []
        told: dict[str, str | float] = {name: soil[name] for name in ("analyte", "method", "unit")}
        if pd.isna(soil["reported"]):
            steps = [Step(key="soil-test-below", values=told | {"below": float(soil["below"])})]
        else:
            steps = [Step(key="soil-test", values=told | {"value": float(soil["reported"])})]
        return steps + self._measured()

    def _measured(self) -> list[Step]:
        """What the soil test was worked out from, where an equation between methods was switched on."""
        measured = self._advice.measured_behind.get(int(self._rated["soil_row"]))
        if measured is None:
            return []
        told: dict[str, str | float] = {name: measured[name] for name in ("method", "unit", "conversion")}
        if pd.isna(measured["value"]):
            return [Step(key="worked-out-below", values=told | {"below": float(measured["below"])})]
        return [Step(key="worked-out", values=told | {"value": float(measured["value"])})]

    def inputs(self, names: tuple[str, ...], told_apart: frozenset[str] = _TOLD_APART) -> list[Step]:
        found = [(name, self._value(name)) for name in names if name not in told_apart]
        return [self._input(name, value) for name, value in found if value != ""]

    def _input(self, name: str, value: float | str) -> Step:
        """One figure; a yield goal names its unit where that is not the one in which it was stated."""
        if name == "yield_goal":
            at = self._advice.read["context"].one(int(self._rated["sample"]))
            own = self._advice.tables.crops[at["crop"]].yield_unit
            unit = self._table.yield_unit or own
            if unit != own or at["yield_unit"] not in ("", own):
                return Step(key="yield-goal", values={"value": value, "unit": unit})
        assumed = name == DENSITY and np.isnan(self._advice.columns[DENSITY][int(self._rated["sample"])])
        return Step(key="input-assumed" if assumed else "input", values={"name": name, "value": value})

    def _rows_step(self, rows: tuple[ValueStep, ...]) -> Step:
        """The row that was used, or the two rows between which the amount lies."""
        position = self._position(rows)
        if self._table.between_rows == "step":
            return Step(key="value-row", values={"from": rows[position].at})
        low, high = rows[min(position, len(rows) - 2) :][:2]
        ends: dict[str, str | float] = {"from": low.at, "to": high.at}
        ends |= {name: row.rate for name, row in (("low", low), ("high", high)) if row.rate is not None}
        return Step(key="between-rows", values=ends | {"unit": self._table.unit})

    def _rule_used(self) -> float | str | None:
        table = self._table
        if table.formula is not None:
            return table.formula
        if table.by_class is not None:
            return table.by_class[self._class_name()]
        rows = table.by_value or ()
        return rows[self._position(rows)].rate

    def _class_name(self) -> str:
        assert self._soil is not None
        return self._advice.tables.scales[self._soil["table"]].classes[int(self._soil["class_index"])].name

    def _position(self, rows: tuple[ValueStep, ...]) -> int:
        """Which row the number that the rows run over has reached."""
        at = float(self._value(self._table.rows_of))
        return sum(row.at <= at + 1e-9 for row in rows) - 1

    def _value(self, name: str) -> float | str:
        """Value of a name as the formula saw it; "" where it was not known and did not matter."""
        advice, sample = self._advice, int(self._rated["sample"])
        columns = advice.columns
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
            case "yield_goal" if not np.isnan(columns["yield_goal"][sample]):
                found = yield_goals(advice.context.iloc[[sample]], advice.tables, self._table.yield_unit)[0]
            case "nitrate_kg_per_ha":
                content, depth = columns["nitrate_mg_per_kg"][sample], columns["depth_cm"][sample]
                found = kg_per_ha(content, depth, np.array(density))
            case _:
                found = columns[name][sample] if name in columns else ""
        if isinstance(found, str):
            return found
        return "" if pd.isna(found) else float(found)
