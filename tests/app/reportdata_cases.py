"""Fields of every shipped region for the tests of a report's data: values and plans, right and wrong."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.tables import ScaleTable, TableSet
from interpretation.quantities import ANALYTES
from interpretation.soil_values import COLUMNS

SAMPLE: Mapping[str, Any] = dict.fromkeys(CONTEXT) | {
    "lab_number": "1", "label": "North", "field_id": "F-1", "field_name": "Long Meadow", "farm_name": "Farm",
    "grower_name": "Grower", "yield_unit": "", "previous_crop": "", "texture": "silt loam", "soil_group": "",
    "area_ha": 4.0, "depth_from_cm": 0.0, "depth_to_cm": 20.0, "sampled_on": "2026-03-10", "near_water": True,
    "example": False, "lime_percent": 0.0, "bulk_density_g_per_cm3": 1.3, "manure_n_kg_per_ha": 0.0,
    "manure_p2o5_kg_per_ha": 0.0, "manure_k2o_kg_per_ha": 0.0, "manured_since_harvest": 0.0,
    "manured_in_three_years": 0.0,
}  # fmt: skip
VALUE: Mapping[str, Any] = dict.fromkeys(COLUMNS) | {
    "lab_number": "1", "depth_from_cm": 0.0, "depth_to_cm": 20.0, "sampled_on": "2026-03-10",
    "origin": "run A-1", "standard_uncertainty": 0.4,
}  # fmt: skip


def soil_value(
    analyte: str, form: str, method: str, unit: str, basis: str, value: float, **more: Any
) -> dict[str, Any]:
    """One soil value as a report's data hold it."""
    kind = {"analyte": analyte, "form": form, "method": method, "unit": unit, "basis": basis}
    return dict(VALUE) | kind | {"value": value} | more


def in_scale(scale: ScaleTable, tables: TableSet, value: float, **more: Any) -> dict[str, Any]:
    """A value that a scale is for."""
    basis = scale.basis or tables.methods[scale.method].basis
    form = scale.form or ANALYTES[scale.analyte].form
    return soil_value(scale.analyte, form, scale.method, scale.unit, basis, value, **more)


def fields_of(region: str, tables: TableSet) -> Iterator[dict[str, Any]]:
    """A few fields of a region: for some of its crops, values of all its scales from low to high.

    The last has no crop, layer and method that the region's tables are for.
    """
    scales = [each for each in tables.scales.values() if each.region == region]
    rates = [each for each in tables.rates.values() if each.region == region]
    named = {crop for each in (*scales, *rates) if each.crops != "any" for crop in each.crops}
    crops = sorted(named) or ["maize", "winter-wheat"]
    equations = tuple(name for name, each in tables.conversions.items() if each.region == region)
    for number, crop in enumerate(crops[:: max(1, len(crops) // 4)][:5]):
        depth = next((each.depth_cm for each in scales if each.crops == "any" or crop in each.crops), (0, 20))
        soil = next((word for each in scales for word in each.soil_groups), "") if number % 2 else ""
        texture = next((word for each in scales for word in each.textures), "silt loam")
        goal = (tables.crops[crop].yield_from + tables.crops[crop].yield_to) / 2
        layer = {"depth_from_cm": float(depth[0]), "depth_to_cm": float(depth[1])}
        tested: dict[tuple[str, str], dict[str, Any]] = {}
        for position, scale in enumerate(
            each for each in scales if each.crops == "any" or crop in each.crops
        ):
            at = scale.classes[(number + position) % len(scale.classes)].lower + scale.round_to
            tested[scale.analyte, scale.method] = in_scale(scale, tables, at, **layer)
        tested["pH", "ph-water-1:1"] = soil_value(
            "pH", "pH", "ph-water-1:1", "pH", "none", 5.4 + 0.5 * number, **layer
        )
        yield {
            "values": tuple(tested.values()),
            "samples": (
                dict(SAMPLE) | layer | {"region": region, "crop": crop, "previous_crop": crops[-1],
                "yield_goal": goal, "soil_group": soil, "texture": texture},
            ),
            "convert": equations[:1] if number % 2 else (),
        }  # fmt: skip
    yield {
        "values": (
            soil_value("P", "P", "bray1-1:7-colour", "mg/kg", "air-dry", 12.0, depth_to_cm=33.0),
            soil_value("pH", "pH", "ph-water-1:1", "pH", "none", 8.4),
            soil_value("K", "K", "by-nobody", "mg/kg", "air-dry", 90.0),
            soil_value("nitrate", "NO3", "kcl-1:5-nitrate-colour", "mg/kg", "as-received", 9.0),
        ),
        "samples": (dict(SAMPLE) | {"region": region, "crop": "cassava", "depth_to_cm": 33.0},),
        "convert": tuple(tables.conversions)[:1],
    }  # fmt: skip
