"""Samples that nobody has taken, made up so that one table of amounts holds for all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.rates import names_in
from interpretation.agronomy.samples import SOIL_NAMES
from interpretation.agronomy.tables import Crop, RateTable, Region, ScaleTable, TableSet
from interpretation.agronomy.yields import yield_factor
from interpretation.methods import Method
from interpretation.quantities import ANALYTES
from interpretation.soil_values import COLUMNS

Floats = NDArray[np.float64]
EXAMPLES = 4
FINEST = 1e-6  # of the span: how near a limit is looked at where no value is rounded
NEAR = 1e-9  # of a step: what binary fractions may be off
# Ordinary soils, for whatever a formula asks besides what the curve runs over; in the unit of the name.
ORDINARY: Mapping[str, float] = {
    "ph": 5.8, "buffer_ph": 6.4, "om_percent": 3, "cec_cmol_per_kg": 15, "acidity_cmol_per_kg": 2,
    "p_mg_per_kg": 10, "k_mg_per_kg": 100, "ca_mg_per_kg": 1000, "mg_mg_per_kg": 100, "zn_mg_per_kg": 1,
    "mn_mg_per_kg": 10, "cu_mg_per_kg": 1, "fe_mg_per_kg": 10, "b_mg_per_kg": 0.5, "al_mg_per_kg": 100,
    "sulfate_mg_per_kg": 8, "na_percent": 2, "ec_ds_per_m": 1, "nitrate_mg_per_kg": 8,
}  # fmt: skip
SPANS: Mapping[str, tuple[float, float]] = {"ph": (4.5, 8), "buffer_ph": (5.5, 7.5)}
_OF_ANALYTE = {"pH": (4.5, 8.0), "buffer-pH": (5.5, 7.5)}
_DENSITY = 1.3
MONTH = 6
_PREFERRED = ("maize", "winter-wheat")


class Samples:
    """Samples made up so that one table of amounts holds for all of them."""

    def __init__(self, table: RateTable, scales: Sequence[ScaleTable], around: TableSet) -> None:
        self.table, self.around = table, around
        self.asked = names_in(table)
        self.method = around.methods.get(table.method or "")
        self.scale = next((each for each in scales if self._fits(each)), None)
        self.crop = self._crop()
        by_test = table.by_class is not None or self.asked & {"soil_test", "class_index"}
        self.runs_over = self._chosen(bool(by_test))
        goals = {name for name in self.asked if name == "yield_goal" or name.startswith("removal_")}
        self.asks_goal = self.runs_over != "yield_goal" and bool(goals)

    def _fits(self, scale: ScaleTable) -> bool:
        table = self.table
        if (scale.analyte, scale.method) != (table.analyte, table.method):
            return False
        return "any" in (scale.crops, table.crops) or bool({*scale.crops} & {*table.crops})

    def _crop(self) -> Crop | None:
        crops = self.around.crops
        wanted = [
            each for each in (self.table.crops, self.scale.crops if self.scale else "any") if each != "any"
        ]
        first = next((name for each in wanted for name in each if name in crops), None)
        if first is None:
            first = next((name for name in _PREFERRED if name in crops), next(iter(crops), None))
        return crops[first] if first else None

    def _chosen(self, by_test: bool) -> str:
        """The number to run over: that of the rows, or the one that matters most in the formula."""
        if self.table.by_value is not None and self.table.rows_of != "soil_test":
            return self.table.rows_of
        if by_test and self.table.analyte:
            return "soil_test"
        if "yield_goal" in self.asked:
            return "yield_goal"
        return next((name for name in sorted(self.asked) if name in SOIL_NAMES), "yield_goal")

    def lacks_a_test(self) -> bool:
        """Whether amounts cannot be shown: their soil test is not known, or their classes are not."""
        if self.runs_over == "soil_test" and (
            self.method is None or self.method.analyte != self.table.analyte
        ):
            return True
        if self.table.by_class is not None and self.scale is None:
            return True
        return self.runs_over not in ("soil_test", "yield_goal", *SOIL_NAMES)

    def span(self) -> tuple[float, float]:
        """From where to where the curve runs."""
        rows = [step.at for step in self.table.by_value or ()]
        if self.runs_over == "yield_goal":
            low, high = self._goals()
            return (low, high) if len(rows) < 2 else (max(low, rows[0]), min(high, max(rows[-1] * 1.15, low)))
        if self.runs_over == "soil_test" and self.scale is not None:
            top = self.scale.scale_top or self.scale.ends_at or self.scale.classes[-1].lower * 1.4
            analyte = _OF_ANALYTE.get(self.scale.analyte)
            return analyte or (0.0, max(float(top), *(row * 1.15 for row in rows), 1.0))
        if self.runs_over == "soil_test":
            analyte = _OF_ANALYTE.get(self.table.analyte or "")
            return analyte or (0.0, max([*(row * 1.4 for row in rows), 1.0]) if rows else 100.0)
        return SPANS.get(self.runs_over, (0.0, ORDINARY[self.runs_over] * 3))

    def _goals(self) -> tuple[float, float]:
        assert self.crop is not None
        factor = self._factor()
        return self.crop.yield_from * factor, min(self.crop.yield_to, self.crop.yield_from * 20) * factor

    def _factor(self) -> float:
        """How many of the table's unit of yield one of the crop's makes."""
        assert self.crop is not None
        found = yield_factor(self.crop, self.crop.yield_unit, self.unit_of_goal())
        return found if np.isfinite(found) else 1.0

    def unit_of_goal(self) -> str:
        assert self.crop is not None
        return self.table.yield_unit or self.crop.yield_unit

    def goal(self) -> tuple[float, str]:
        """A yield goal in the middle of what is plausible, and its unit."""
        low, high = self._goals()
        return float(np.round(low + 0.4 * (high - low), 1 if high < 50 else 0)), self.unit_of_goal()

    def examples(self) -> Floats:
        """A few values: in the middle of classes or rows, or spread evenly."""
        low, high = self.span()
        edges = [each for each, _ in self.limits() if low < each < high]
        if edges:
            middles = [(a + b) / 2 for a, b in zip([low, *edges], [*edges, high], strict=True)]
            chosen = np.unique(
                np.linspace(0, len(middles) - 1, min(EXAMPLES, len(middles))).round().astype(int)
            )
            found = np.array([middles[each] for each in chosen])
        else:
            found = np.linspace(low, high, EXAMPLES + 2)[1:-1]
        step = self.scale.round_to if self.runs_over == "soil_test" and self.scale else 0.1
        return np.asarray(np.round(np.floor(found / step + 0.5) * step, 6))

    def limits(self) -> tuple[tuple[float, str], ...]:
        """Where classes or rows begin, after the first."""
        if self.table.by_value is not None:
            return tuple((step.at, "") for step in self.table.by_value[1:])
        if self.runs_over == "soil_test" and self.scale is not None:
            return tuple((each.lower, each.name) for each in self.scale.classes[1:])
        return ()

    def jumps(self) -> tuple[tuple[float, float, float], ...]:
        """Where amounts step: the limit, and the last value below it and the first above it that may be met.

        Values of a soil test are met on the step they are rounded to. On straight lines nothing steps.
        """
        table = self.table
        rows = table.by_value is not None
        if (
            table.between_rows == "straight-line"
            if rows
            else not (table.by_class or "class_index" in self.asked)
        ):
            return ()
        low, high = self.span()
        stepped = self.runs_over == "soil_test" and self.scale is not None
        step = self.scale.round_to if stepped and self.scale else (high - low) * FINEST
        open_below = {each.lower: each.open_below for each in self.scale.classes} if self.scale else {}
        found = []
        for limit, _ in self.limits():
            if not low < limit < high:
                continue
            if stepped and not rows and open_below[limit]:
                before = np.floor(limit / step + NEAR) * step
            else:
                before = (np.ceil(limit / step - NEAR) - 1) * step if stepped else limit - step
            after = before + step
            found.append((limit, max(low, float(np.round(before, 9))), float(np.round(after, 9))))
        return tuple(found)

    def x_unit(self) -> str:
        """Unit of what the curve runs over."""
        if self.runs_over == "yield_goal":
            return self.unit_of_goal()
        if self.runs_over == "soil_test":
            return self.scale.unit if self.scale else self.method.unit if self.method else ""
        return SOIL_NAMES[self.runs_over][1]

    # ------------------------------------------------------------------------------------------ frames

    def tables(self) -> TableSet:
        """This table alone, so that no other can be meant."""
        table = self.table
        groups = dict.fromkeys((*table.soil_groups, *(self.scale.soil_groups if self.scale else ())), "shown")
        region = Region(
            id=table.region, name="-", publisher="-", valid_for="-", not_for="-", soil_groups=groups,
            standing="regional-draft",
        )  # fmt: skip
        return TableSet(
            regions={region.id: region}, methods=self.around.methods, crops=self.around.crops,
            materials=self.around.materials, rates={table.id: table},
            scales={self.scale.id: self._lasting(self.scale)} if self.scale else {},
        )  # fmt: skip

    def _lasting(self, scale: ScaleTable) -> ScaleTable:
        """The scale as if it held on the day of the samples."""
        return scale.model_copy(update={"effective_from": self.table.effective_from, "effective_to": None})

    def context(self, at: Floats) -> pd.DataFrame:
        """One made-up sample for each value."""
        assert self.crop is not None
        table, day = self.table, self._day()
        depth = table.depth_cm or (self.scale.depth_cm if self.scale else (0.0, 20.0))
        goal = at if self.runs_over == "yield_goal" else self.goal()[0]
        same: dict[str, Any] = dict.fromkeys(CONTEXT, "") | {
            "region": table.region, "crop": self.crop.id, "yield_unit": self.unit_of_goal(),
            "previous_crop": self._previous(), "texture": self._first("textures"),
            "soil_group": self._first("soil_groups"), "area_ha": 1.0, "depth_from_cm": depth[0],
            "depth_to_cm": depth[1], "sampled_on": day, "received_on": day, "cores": 20.0,
            "bulk_density_g_per_cm3": table.values.get("bulk_density_g_per_cm3", _DENSITY),
            "lime_percent": 0.0, "manure_n_kg_per_ha": 0.0, "manure_p2o5_kg_per_ha": 0.0,
            "manure_k2o_kg_per_ha": 0.0, "manured_since_harvest": 0.0, "manured_in_three_years": 0.0,
            "near_water": False, "example": True,
        }  # fmt: skip
        names = [str(number) for number in range(len(at))]
        frame = pd.DataFrame(
            {"lab_number": names, "field_id": names, "yield_goal": np.broadcast_to(goal, len(at))}
        )
        return frame.assign(**{name: value for name, value in same.items() if name not in frame})

    def _day(self) -> datetime:
        """A day in June on which the table holds, as some hold for early summer alone; or its first day."""
        first, last = self.table.effective_from, self.table.effective_to
        june = date(first.year + (first.month > MONTH), MONTH, 15)
        chosen = june if first <= june and (last is None or june <= last) else first
        return datetime.combine(chosen, time())

    def _previous(self) -> str:
        """A crop before that leaves nothing behind, if the table names one."""
        credited = [each.by_previous_crop for each in self.table.credits if each.by_previous_crop]
        named = [name for each in credited for name, amount in each.items() if amount == 0]
        assert self.crop is not None
        return next((name for name in named if name in self.around.crops), self.crop.id)

    def _first(self, name: str) -> str:
        for each in (self.table, self.scale):
            if each is not None and (found := getattr(each, name)):
                return str(found[0])
        return ""

    def soil(self, at: Floats) -> pd.DataFrame:
        """What is measured on each sample: the table's own soil test, and whatever its formulas ask."""
        measured = []
        if self.method is not None and self.method.analyte == self.table.analyte:
            usual = _OF_ANALYTE.get(self.method.analyte, (0.0, 0.0))
            fixed = sum(usual) / 2 or (self.scale.classes[1].lower if self.scale else 10.0)
            measured.append((self.method, at if self.runs_over == "soil_test" else fixed, self.scale))
        asked = {*self.asked} | ({"nitrate_mg_per_kg"} if "nitrate_kg_per_ha" in self.asked else set())
        for name in sorted(asked & SOIL_NAMES.keys()):
            analyte, unit = SOIL_NAMES[name]
            if self.method is not None and (self.method.analyte, self.method.unit) == (analyte, unit):
                continue
            method = self._method_of(name, analyte, unit)
            if method is not None:
                measured.append((method, at if self.runs_over == name else ORDINARY[name], None))
        parts = [self._values(*each, len(at)) for each in measured]
        return pd.concat(parts) if parts else pd.DataFrame(columns=list(COLUMNS))

    def _method_of(self, name: str, analyte: str, unit: str) -> Method | None:
        found = [
            each for each in self.around.methods.values()
            if (each.analyte, each.unit, each.form) == (analyte, unit, ANALYTES[analyte].form)
            and each.basis != "as-received" and (name != "ph" or "water" in each.id)
        ]  # fmt: skip
        return min(found, key=lambda each: each.id, default=None)

    def _values(self, method: Method, value: Any, scale: ScaleTable | None, n: int) -> pd.DataFrame:
        depth = self.table.depth_cm or (self.scale.depth_cm if self.scale else (0.0, 20.0))
        form = (scale.form if scale else None) or (self.table.form if scale else None) or method.form
        return pd.DataFrame(
            {
                "lab_number": [str(number) for number in range(n)], "analyte": method.analyte, "form": form,
                "method": method.id, "value": np.broadcast_to(np.asarray(value, dtype=float), n),
                "unit": scale.unit if scale else method.unit, "basis": scale.basis if scale else method.basis,
                "standard_uncertainty": np.nan, "below": np.nan, "depth_from_cm": depth[0],
                "depth_to_cm": depth[1], "sampled_on": self._day(), "origin": "example",
            }
        )  # fmt: skip
