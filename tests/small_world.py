"""A small invented region for tests: builders of tables, samples and soil values, with plain defaults."""

import datetime

import numpy as np
import pandas as pd

from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.tables import (
    Conversion,
    Crop,
    Material,
    NoteRule,
    RateTable,
    Region,
    ScaleTable,
    Source,
    TableSet,
)
from interpretation.methods import Method
from interpretation.soil_values import COLUMNS

DAY = datetime.datetime(2026, 3, 10)  # noqa: DTZ001 - a day
_INVENTED = {"sources": ("made-up",), "standing": "invented", "effective_from": "2026-01-01"}


def classes(**lower):
    """Classes by name and lower bound, lowest first."""
    return [{"name": name.replace("_", " "), "from": bound} for name, bound in lower.items()]


def scale(**given):
    return ScaleTable.model_validate(
        {
            "id": "vale/p", "region": "vale", "crops": "any", "analyte": "P", "method": "bray",
            "unit": "mg/kg", "basis": "air-dry", "depth_cm": (0, 20), "round_to": 1,
            "classes": classes(low=0, medium=10, high=20),
        }
        | _INVENTED
        | given
    )  # fmt: skip


def region(**given):
    plain = {"id": "vale", "name": "Vale", "publisher": "nobody", "valid_for": "", "not_for": ""}
    return Region.model_validate(plain | {"standing": "invented"} | given)


def rate(**given):
    return RateTable.model_validate(
        {
            "id": "vale/p2o5",
            "region": "vale",
            "crops": "any",
            "nutrient": "P2O5",
            "unit": "kg/ha",
            "round_to": 5,
        }
        | _INVENTED
        | given
    )


def method(**given):
    return Method.model_validate(
        {"id": "bray", "title": "Bray", "analyte": "P", "form": "P", "unit": "mg/kg", "basis": "air-dry"}
        | given
    )


def conversion(**given):
    return Conversion.model_validate(
        {
            "id": "vale/bray-from-m3", "title": "Bray from Mehlich-3", "region": "vale", "analyte": "P",
            "from_method": "m3", "to_method": "bray", "formula": "-8.08 + 0.832 * soil_test",
            "highest": 200,
        }
        | _INVENTED
        | given
    )  # fmt: skip


def crop(**given):
    return Crop.model_validate(
        {"id": "maize", "name": "maize", "yield_unit": "t/ha", "yield_from": 1, "yield_to": 20} | given
    )


def note(**given):
    return NoteRule.model_validate(
        {"key": "n", "when": "always", "severity": "caution", "topic": "soil", "standing": "invented"} | given
    )


def material(**given):
    return Material.model_validate(
        {"id": "tsp", "name": "triple superphosphate", "sources": ("made-up",), "standing": "invented"}
        | given
    )


def world(*tables, regions=("vale",)):
    """TableSet of the records given, with the crops maize and wheat if none is given."""
    kinds = {
        "scales": ScaleTable,
        "rates": RateTable,
        "conversions": Conversion,
        "methods": Method,
        "crops": Crop,
        "materials": Material,
    }
    found = {name: {t.id: t for t in tables if type(t) is kind} for name, kind in kinds.items()}
    found["crops"] = found["crops"] or {name: crop(id=name, name=name) for name in ("maize", "wheat")}
    return TableSet(
        regions={name: region(id=name, name=name.title()) for name in regions},
        notes={t.key: t for t in tables if isinstance(t, NoteRule)},
        sources={"made-up": Source(id="made-up", title="Made up", read="invented")},
        fingerprints={"vale/p": "ab12", "vale/bray-from-m3": "cd34"},
        **found,
    )  # fmt: skip


def samples(*rows):
    """Context frame; each row is a dict laid over plain defaults."""
    plain = {
        "label": "a", "field_id": "f1", "field_name": "Long Acre", "farm_name": "Low Aldersey",
        "grower_name": "A. Grower", "region": "vale", "crop": "maize", "yield_goal": 8.0,
        "yield_unit": "", "previous_crop": "", "texture": "", "soil_group": "", "area_ha": 4.0,
        "depth_from_cm": 0.0, "depth_to_cm": 20.0, "sampled_on": DAY,
        "received_on": DAY, "cores": 20.0, "bulk_density_g_per_cm3": np.nan, "lime_percent": np.nan,
        "manure_n_kg_per_ha": 0.0, "manure_p2o5_kg_per_ha": 0.0, "manure_k2o_kg_per_ha": 0.0,
        "manured_since_harvest": np.nan, "manured_in_three_years": np.nan,
        "near_water": False, "example": False,
    }  # fmt: skip
    return pd.DataFrame([plain | {"lab_number": f"S{i}"} | row for i, row in enumerate(rows, 1)])[
        list(CONTEXT)
    ]


def values(*rows):
    """Soil-value frame; each row is a dict laid over a P value by the method "bray"."""
    plain = {
        "lab_number": "S1", "analyte": "P", "form": "P", "method": "bray", "value": np.nan, "unit": "mg/kg",
        "basis": "air-dry", "standard_uncertainty": np.nan, "below": np.nan, "depth_from_cm": 0.0,
        "depth_to_cm": 20.0, "sampled_on": DAY, "origin": "run BR-1",
    }  # fmt: skip
    return pd.DataFrame([plain | row for row in rows])[list(COLUMNS)].astype(COLUMNS)


def ph(value, lab_number="S1"):
    return {
        "lab_number": lab_number, "analyte": "pH", "form": "pH", "method": "ph-water-1:1", "value": value,
        "unit": "pH", "basis": "none", "origin": "bench pH",
    }  # fmt: skip
