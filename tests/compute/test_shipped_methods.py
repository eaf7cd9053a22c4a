"""The shipped methods in use: what they refuse, what they never share, what they make of a reading."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import TableSet
from interpretation.laboratory.measure import run_sheet
from interpretation.methods import Method
from interpretation.results import SoilResult
from reports.format import Format
from reports.wording import Wording
from service.yamlfiles import load
from tests.compute.laboratory_runs import checked, measured, samples
from tests.small_world import ph, scale, values, world
from tests.small_world import samples as listed

METHODS = Path(__file__).parents[2] / "tables" / "methods"
MEHLICH_3 = ("p-mehlich3-icp", "p-mehlich3-colour", "p-mehlich3-volume-icp", "p-mehlich3-volume-colour",
             "p-mehlich3-unstated")  # fmt: skip


def shipped(name: str) -> Method:
    text = (METHODS / f"{name.replace(':', '-')}.yaml").read_text(encoding="utf-8")
    return Method.model_validate(load(text, name).value, strict=True)


def phosphorus(method: Method, table: Method, *, lime_percent: float, ph_water: float | None) -> SoilResult:
    """A phosphorus value of 12 by one method, where the region has a table for one method."""
    tables: TableSet = world(
        scale(method=table.id, unit=table.unit, basis=table.basis), method, shipped("olsen-1:20-colour")
    )
    value: dict[str, Any] = {"method": method.id, "unit": method.unit, "basis": method.basis, "value": 12.0}
    soil = values(value, *([] if ph_water is None else [ph(ph_water)]))
    found = field_advice(advise(soil, tables, listed({"lime_percent": lime_percent})), "f1")
    return next(result for result in found.results if result.analyte == "P")


@pytest.mark.parametrize("ratio", ["bray1-1:5-colour", "bray1-1:7-colour", "bray1-1:10-colour"])
@pytest.mark.parametrize(
    ("ph_water", "lime_percent", "reason"),
    [
        (7.4, 0.0, ""),
        (7.5, 0.0, "The soil pH is 7.5, and the limit is 7.4."),
        (7.0, 2.0, ""),
        (7.0, 2.1, "The free lime, % is 2.1, and the limit is 2."),
    ],
)
def test_bray_is_refused_on_soils_rich_in_lime(
    ratio: str, ph_water: float, lime_percent: float, reason: str
) -> None:
    bray = shipped(ratio)
    found = phosphorus(bray, bray, lime_percent=lime_percent, ph_water=ph_water)
    if not reason:
        assert (found.class_name, found.refusal) == ("medium", None)
        return
    assert found.class_name is None
    assert found.refusal is not None
    assert (found.refusal.key, found.refusal.values["use_instead"]) == (
        "method-not-valid", "olsen-1:20-colour",
    )  # fmt: skip
    told = Wording(Format("en")).refusal(found.refusal)
    assert told == f"This test does not suit this soil. {reason} Ask the lab for Olsen phosphorus."


@pytest.mark.parametrize(("measured_by", "table"), list(permutations(MEHLICH_3, 2)))
def test_mehlich_3_by_one_finish_or_measure_never_meets_a_table_of_another(
    measured_by: str, table: str
) -> None:
    method = shipped(measured_by)
    found = phosphorus(method, shipped(table), lime_percent=0.0, ph_water=6.5)
    assert found.class_name is None
    assert found.refusal is not None
    assert found.refusal.key == "no-table"
    assert "method" in str(found.refusal.values["failed"]).split(",")
    own = phosphorus(method, method, lime_percent=0.0, ph_water=6.5)
    assert own.class_name == "medium"


def test_a_typed_value_by_a_method_from_memory_is_taken_and_the_report_is_told() -> None:
    mehlich_1 = shipped("p-mehlich1")
    tables = world(scale(method=mehlich_1.id), mehlich_1)
    found = field_advice(advise(values({"method": mehlich_1.id, "value": 12.0}), tables, listed({})), "f1")
    assert found.results[0].class_name == "medium"
    assert [line.from_memory for line in found.methods] == [True]


# What one mg/L of extract makes of soil, by the factor each source prints or that its ratio is; 1 cmol/kg is
# 390.98, 200.4, 121.53 and 229.9 mg/kg of K, Ca, Mg and Na (Rayment and Lyons 2011, 15D3).
FACTORS = {
    "bray1-1:7-colour": 7.003, "bray1-1:10-colour": 10, "bray1-1:5-colour": 5, "olsen-1:20-colour": 20,
    "olsen-1:20-high-colour": 20, "colwell-1:100-colour": 100, "p-mehlich3-icp": 10, "p-mehlich3-colour": 10,
    "p-mehlich3-volume-icp": 10, "p-mehlich3-volume-colour": 10, "k-mehlich3": 10, "k-mehlich3-volume": 10,
    "cacl2-p-1:5-colour": 5000, "kcl-1:5-nitrate-colour": 5, "nitrate-caso4-1:15-colour": 15,
    "nitrate-water-1:5-colour": 5, "nitrate-water-1:5-hydrazine-colour": 5, "chloride-water-1:5-colour": 5,
    "chloride-caso4-1:3-colour": 3, "sulfate-mcp": 2.5, "sulfate-mcp-ph4-1:5-colour": 5,
    "sulfate-mcp-ph4-1:5-icp": 5, "s-kcl40-icp": 6.667, "k-nh4oac": 10,
    "k-nh4oac-1:5": 5, "k-nh4oac-1:10": 10 / 390.98,
    "ca-nh4oac-1:10": 10 / 200.4, "mg-nh4oac-1:10": 10 / 121.53, "na-nh4oac-1:10": 10 / 229.9, "zn-dtpa": 2,
    "mn-dtpa": 2,
}  # fmt: skip


@pytest.mark.parametrize("name", FACTORS)
def test_the_factor_of_each_extract_is_the_printed_one(name: str) -> None:
    method = shipped(name)
    done = measured(checked(samples(3.0)), method, standards_matrix=method.matrix)
    (value,) = done.soil_values["value"]
    assert value == pytest.approx(3.0 * FACTORS[name], rel=1e-4)
    assert set(done.soil_values["unit"]) == {method.unit}
    assert set(done.soil_values["basis"]) == {method.basis}


# 3.0 mg/L, soil with 25 % of water on dry mass. 10 g hold 8 g of dry soil and 2 mL of water.
@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("kcl-1:10-nitrate-colour", 3.0 * 102 / 8),  # the water joins the extract
        ("kcl-1:10-nitrate-hydrazine-colour", 3.0 * 102 / 8),
        ("kcl-1:10-ammonium-colour", 3.0 * 102 / 8),
        ("kcl1-moist-nitrate-colour", 3.0 * 100 / 8),  # it is left out
        ("kcl1-moist-ammonium-colour", 3.0 * 100 / 8),
        ("kcl-moist-nitrate-colour", 3.0 * 20 / 3.2),
        ("kcl-moist-ammonium-colour", 3.0 * 20 / 3.2),
        ("kcl-moist-1:15-ammonium-colour", 3.0 * 30 / 1.6),
    ],
)
def test_moist_soil_is_brought_to_oven_dry_with_or_without_its_water(name: str, expected: float) -> None:
    method = shipped(name)
    listed_moist = [{"lab_number": "001", "moisture_percent": 25.0}]
    done = measured(checked(samples(3.0)), method, listed_moist, standards_matrix=method.matrix)
    assert done.soil_values["value"].tolist() == pytest.approx([expected])
    assert run_sheet(done).soil_water_added is method.soil_water_added
