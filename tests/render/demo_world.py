"""Builders of the invented demo world, shared by the tests of the reports."""

from __future__ import annotations

from datetime import date
from typing import Any

from interpretation.results import (
    Amount,
    ClassLimit,
    ClassProbability,
    FieldAdvice,
    MaterialRate,
    MethodLine,
    Note,
    Refusal,
    SampleLine,
    SoilResult,
    SourceLine,
    Step,
    TableLine,
)
from reports.view import LaboratoryCard

FIVE = ("very low", "low", "medium", "high", "very high")
LIMITS = {
    "P": (0.0, 6.0, 12.0, 20.0, 35.0),
    "K": (0.0, 60.0, 110.0, 160.0, 240.0),
    "nitrate": (0.0, 5.0, 10.0, 20.0, 30.0),
    "Zn": (0.0, 0.3, 0.6, 1.0, 2.0),
}
METHODS = {
    "P": ("bray1-1:10-colour", "Bray 1 phosphorus, 1:10, colour", "mg/kg", "air-dry", "P"),
    "K": ("k-nh4oac", "Potassium in ammonium acetate", "mg/kg", "air-dry", "K"),
    "nitrate": (
        "kcl-1:10-nitrate-colour",
        "Nitrate in potassium chloride, 1:10",
        "mg/kg",
        "oven-dry",
        "NO3-N",
    ),
    "Zn": ("zn-dtpa", "Zinc in DTPA", "mg/kg", "air-dry", "Zn"),
    "pH": ("ph-water-1:1", "pH in water, 1:1", "pH", "none", "pH"),
}


def laboratory(**changes: Any) -> LaboratoryCard:
    card = {
        "name": "Quillwater Soil Laboratory",
        "address": ("3 Weir Lane", "Quillwater", "Marrowdale"),
        "report_id": "MD-2026-0117",
        "issued_on": date(2026, 3, 18),
        "contact": "reports@quillwater.example",
        "phone": "555 0142",
        "authorised_by": "R. Osmund, head of laboratory",
        "tested_from": date(2026, 3, 9),
        "tested_to": date(2026, 3, 12),
        "sample_condition": "moist, bags closed",
        "sampled_by": "the customer",
    }
    return LaboratoryCard(**(card | changes))


def result(
    lab_number: str,
    analyte: str = "P",
    value: float | None = 9.0,
    index: int | None = 1,
    u: float | None = 0.5,
    **changes: Any,
) -> SoilResult:
    method, _, unit, basis, form = METHODS[analyte]
    lowers = LIMITS.get(analyte, ())
    fields: dict[str, Any] = {
        "lab_number": lab_number,
        "analyte": analyte,
        "form": form,
        "method": method,
        "unit": unit,
        "basis": basis,
        "value": value,
        "decimals": 1,
        "standard_uncertainty": u,
        "class_name": FIVE[index] if index is not None else None,
        "class_index": index,
        "limits": tuple(ClassLimit(name=n, lower=b) for n, b in zip(FIVE, lowers, strict=False)),
        "scale_top": None,
        "adequate_from": "high" if lowers else None,
        "table": f"marrowdale/{analyte.lower()}" if lowers else None,
        "origin": "run BR-0412" if analyte == "P" else "bench",
        "sampled_on": date(2026, 3, 2),
    }
    return SoilResult(**(fields | changes))


def ph(lab_number: str, value: float, name: str, index: int) -> SoilResult:
    names = ("strongly acid", "acid", "slightly acid", "neutral", "alkaline")
    lowers = (3.5, 5.0, 5.8, 6.6, 7.4)
    return result(
        lab_number,
        "pH",
        value,
        None,
        0.05,
        class_name=name,
        class_index=index,
        limits=tuple(ClassLimit(name=n, lower=b) for n, b in zip(names, lowers, strict=True)),
        scale_top=8.5,
        table="marrowdale/ph",
    )


TESTED = {"lime": ("pH", 5.6), "N": ("nitrate", 14.2), "P2O5": ("P", 7.2), "K2O": ("K", 131.0)}


def working(nutrient: str, rate: float) -> tuple[Step, ...]:
    table, unit = f"marrowdale/rate-{nutrient.lower()}", "t/ha" if nutrient == "lime" else "kg/ha"
    analyte, value = TESTED.get(nutrient, ("P", 7.2))
    method, _, soil_unit, _, _ = METHODS[analyte]
    return (
        Step(key="table", values={"table": table, "nutrient": nutrient, "unit": unit}),
        Step(
            key="soil-test",
            values={"analyte": analyte, "method": method, "value": value, "unit": soil_unit},
        ),
        Step(key="class-row", values={"class": "low"}),
        Step(
            key="raw-rate",
            values={"rate": rate + (8.4 if nutrient == "N" else 0.1) if rate else 0.0, "unit": unit},
        ),
        *(
            Step(key="credit", values={"amount": 7.0, "unit": unit, "credit": "previous-crop"})
            for _ in range(nutrient == "N" and rate > 0)
        ),
        Step(key="rounding", values={"step": 0.5 if nutrient == "lime" else 5.0, "rate": rate, "unit": unit}),
    )


def amount(lab_number: str, nutrient: str, rate: float | None, **changes: Any) -> Amount:
    fields: dict[str, Any] = {
        "lab_number": lab_number,
        "nutrient": nutrient,
        "rate": rate,
        "unit": "t/ha" if nutrient == "lime" else "kg/ha",
        "table": f"marrowdale/rate-{nutrient.lower()}",
        "working": working(nutrient, rate or 0.0),
    }
    return Amount(**(fields | changes))


def sample(lab_number: str, label: str, **changes: Any) -> SampleLine:
    fields: dict[str, Any] = {
        "lab_number": lab_number,
        "label": label,
        "depth_from_cm": 0.0,
        "depth_to_cm": 20.0,
        "sampled_on": date(2026, 3, 2),
        "received_on": date(2026, 3, 5),
        "texture": "silt loam",
        "cores": 16,
    }
    return SampleLine(**(fields | changes))


def tsp(rate: float) -> MaterialRate:
    return MaterialRate(
        material="triple-superphosphate", rate=rate, unit="kg/ha", supplies_kg_per_ha={"P2O5": rate * 0.46}
    )


def map_(rate: float) -> MaterialRate:
    return MaterialRate(
        material="map-11-52-0",
        rate=rate,
        unit="kg/ha",
        supplies_kg_per_ha={"P2O5": rate * 0.52, "N": rate * 0.11},
    )


def can(rate: float) -> MaterialRate:
    return MaterialRate(
        material="calcium-ammonium-nitrate", rate=rate, unit="kg/ha", supplies_kg_per_ha={"N": rate * 0.27}
    )


def lime(rate: float) -> MaterialRate:
    return MaterialRate(material="calcitic-lime", rate=rate, unit="t/ha")


TABLES = tuple(
    TableLine(
        id=f"marrowdale/{name}",
        title=title,
        standing="invented",
        effective_from=date(2026, 1, 1),
        sources=("marrowdale-guide",),
        fingerprint="3f9a0c57be42d118" * 4,
    )
    for name, title in (
        ("p", "Bray 1 phosphorus, field crops"),
        ("k", "Potassium, field crops"),
        ("ph", "Soil pH, field crops"),
        ("rate-p2o5", "Phosphate for maize"),
        ("rate-k2o", "Potash for maize"),
        ("rate-n", "Nitrogen for maize"),
    )
)


def field(**changes: Any) -> FieldAdvice:
    """Three samples of one maize field: a close call, an over-range value, a method that does not apply."""
    north, west, south = "Q26-0411", "Q26-0412", "Q26-0413"
    fields: dict[str, Any] = {
        "field_id": "thistlecombe-7",
        "field_name": "Long Acre",
        "farm_name": "Thistlecombe Farm",
        "grower_name": "Ada Fennimore",
        "region": "marrowdale",
        "region_name": "Marrowdale",
        "region_publisher": "Marrowdale Example Board",
        "region_valid_for": "Nothing real. Samples of 0 to 20 cm.",
        "region_not_for": "Any real field.",
        "region_edition": "Invented in 2025.",
        "crop": "maize",
        "yield_goal": 9.5,
        "yield_unit": "t/ha",
        "previous_crop": "winter-wheat",
        "area_ha": 12.4,
        "samples": (sample(north, "North"), sample(west, "West"), sample(south, "South")),
        "results": (
            result(north, "P", 7.2, 1, 0.6),
            result(
                west,
                "P",
                11.4,
                1,
                0.9,
                borderline=True,
                probabilities=(
                    ClassProbability(name="low", probability=0.75),
                    ClassProbability(name="medium", probability=0.25),
                ),
            ),
            result(
                south,
                "P",
                18.0,
                None,
                0.8,
                limits=(),
                table=None,
                refusal=Refusal(
                    key="method-not-valid",
                    values={"input": "ph", "found": 8.1, "limit": 7.4, "use_instead": "olsen-1:20-colour"},
                ),
            ),
            result(north, "K", 131.0, 2, 6.0, decimals=0),
            result(west, "K", 172.0, 3, 8.0, decimals=0),
            result(south, "K", 288.0, 4, 12.0, decimals=0),
            ph(north, 5.6, "acid", 1),
            ph(west, 6.1, "slightly acid", 2),
            ph(south, 8.1, "alkaline", 4),
            result(north, "nitrate", 14.2, 2, 0.7),
            result(west, "nitrate", None, 0, None, below=2.0),
            result(south, "nitrate", None, None, None, limits=(), table=None),
        ),
        "amounts": (
            amount(north, "lime", 3.5, materials=(lime(3.9),)),
            amount(west, "lime", 0.0),
            amount(south, "lime", 0.0),
            amount(north, "N", 110.0, materials=(can(407.0),)),
            amount(west, "N", 145.0, materials=(can(537.0),)),
            amount(
                south,
                "N",
                None,
                table=None,
                working=(),
                refusal=Refusal(key="missing-input", values={"nutrient": "N", "input": "nitrate_kg_per_ha"}),
            ),
            amount(north, "P2O5", 60.0, materials=(tsp(130.0), map_(115.0))),
            amount(west, "P2O5", 45.0, materials=(tsp(98.0), map_(87.0))),
            amount(
                south,
                "P2O5",
                None,
                table=None,
                working=(),
                refusal=Refusal(
                    key="soil-test-refused", values={"nutrient": "P2O5", "reason": "method-not-valid"}
                ),
            ),
            amount(north, "K2O", 40.0),
            amount(west, "K2O", 0.0),
            amount(south, "K2O", 0.0),
        ),
        "notes": (
            Note(
                key="nitrate-leaching",
                severity="caution",
                topic="water",
                values={"rate": 145.0},
                lab_numbers=(west,),
                sources=("marrowdale-guide",),
            ),
            Note(key="frozen-ground", severity="danger", topic="water", sources=("marrowdale-guide",)),
            Note(key="seed-placed-salt", severity="caution", topic="crop"),
            Note(key="resample-interval", severity="advice", topic="soil", sources=("ohio-resampling",)),
            Note(key="no-manure-stated", severity="advice", topic="soil"),
        ),
        "tables": TABLES,
        "methods": tuple(
            MethodLine(id=i, title=t, note="shaken 5 min, colour at 882 nm", unit=u, basis=b)
            for i, t, u, b, _ in METHODS.values()
        ),
        "sources": (
            SourceLine(
                id="marrowdale-guide",
                title="Marrowdale field guide, invented for the example",
                publisher="Marrowdale Growers' Board",
                year=2026,
                locator="table 4",
                standing="invented",
            ),
            SourceLine(
                id="ohio-resampling",
                title="Sampling every 3 to 4 years, in the same season and to a fixed depth",
                publisher="Ohio State University",
                year=2021,
                url="https://ocj.com/2021/01/",
                standing="seen",
            ),
        ),
        "runs": ("BR-0412", "NI-0398"),
        "example": True,
    }
    return FieldAdvice(**(fields | changes))


def garden() -> FieldAdvice:
    """A vegetable garden of 2,500 square feet, with products that have a bulk density."""
    number = "MD-26-0471"
    urea = MaterialRate(
        material="urea", rate=100.0, unit="kg/ha", bulk_g_per_cm3=0.737, supplies_kg_per_ha={"N": 46.0}
    )
    potash = MaterialRate(material="potassium-chloride", rate=75.0, unit="kg/ha", bulk_g_per_cm3=0.985)
    return field(
        field_name="Kitchen garden",
        area_ha=2500 * 0.3048**2 / 10_000,
        samples=(sample(number, "vegetables"),),
        results=(
            result(number, "P", 41.0, 4, 2.0),
            result(number, "K", 90.0, 1, 6.0),
            ph(number, 5.6, "acid", 1),
        ),
        amounts=(
            amount(number, "lime", 3.5, materials=(lime(3.9),)),
            amount(number, "N", 46.0, materials=(urea,)),
            amount(number, "P2O5", 0.0),
            amount(number, "K2O", 45.0, materials=(potash,)),
        ),
    )
