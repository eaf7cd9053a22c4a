"""Builders of the invented demo world, shared by the tests of the reports."""

from __future__ import annotations

from datetime import date
from typing import Any

from interpretation.results import (
    Alternative,
    Amount,
    CheckLine,
    CheckName,
    ClassLimit,
    ClassProbability,
    CupLine,
    CurveSummary,
    FieldAdvice,
    Flag,
    MaterialRate,
    MethodLine,
    Note,
    Outcome,
    Refusal,
    RunSheet,
    SampleLine,
    SoilResult,
    SourceLine,
    StandardPoint,
    Step,
    TableLine,
    Verdict,
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


def working(nutrient: str, rate: float) -> tuple[Step, ...]:
    table, unit = f"marrowdale/rate-{nutrient.lower()}", "t/ha" if nutrient == "lime" else "kg/ha"
    return (
        Step(key="table", values={"table": table, "nutrient": nutrient, "unit": unit}),
        Step(
            key="soil-test",
            values={"analyte": "P", "method": "bray1-1:10-colour", "value": 7.2, "unit": "mg/kg"},
        ),
        Step(key="class-row", values={"class": "low"}),
        Step(key="raw-rate", values={"rate": rate + 8.4, "unit": unit}),
        Step(key="credit", values={"amount": 7.0, "unit": unit, "credit": "previous-crop"}),
        Step(key="rounding", values={"step": 5.0, "rate": rate, "unit": unit}),
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
            Note(key="resample-interval", severity="advice", topic="soil"),
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
        ),
        "runs": ("BR-0412", "NI-0398"),
        "example": True,
    }
    return FieldAdvice(**(fields | changes))


def curve(**changes: Any) -> CurveSummary:
    """A straight line, 0.042 absorbance per mg/L, with one standard taken out by a person."""
    made = (
        (0.5, 0.024),
        (1.0, 0.045),
        (2.0, 0.088),
        (5.0, 0.213),
        (10.0, 0.428),
        (15.0, 0.702),
        (20.0, 0.846),
    )
    a, b = 0.0031, 0.0422
    points = tuple(
        StandardPoint(
            position=position,
            cup_id=f"S{position}",
            nominal_mg_per_l=x,
            signal=y,
            back_calculated_mg_per_l=(y - a) / b,
            recovery_percent=100 * (y - a) / b / x,
            residual=None if x == 15.0 else y - a - b * x,
            excluded=x == 15.0,
            reason="bubble in the cuvette" if x == 15.0 else "",
        )
        for position, (x, y) in enumerate(made, start=2)
    )
    fields: dict[str, Any] = {
        "model": "linear",
        "weighting": "1/x",
        "response": "rising",
        "zero_standard": False,
        "coefficients": (a, b),
        "standard_errors": (0.00031, 0.00012),
        "residual_sd": 0.00184,
        "degrees_of_freedom": 4,
        "r_squared": 0.99981,
        "rse_percent": 2.91,
        "lowest_mg_per_l": 0.5,
        "highest_mg_per_l": 20.0,
        "detection_limit_mg_per_l": 0.061,
        "quantification_limit_mg_per_l": 0.2,
        "limit_definition": "calibration",
        "mandel_statistic": 2.31,
        "mandel_critical": 34.1,
        "ratio_worst_percent": 6.8,
        "proposed_model": "linear",
        "proposed_weighting": "1/x",
        "alternatives": tuple(
            Alternative(
                model=m, weighting=w, rse_percent=r, worst_recovery_percent=p, r_squared=0.9997, usable=ok
            )
            for m, w, r, p, ok in (
                ("linear", "1", 7.4, 118.2, False),
                ("linear", "1/x", 2.9, 97.1, True),
                ("quadratic", "1/x", 2.8, 97.6, True),
            )
        ),
        "standards": points,
    }
    return CurveSummary(**(fields | changes))


def run_sheet(**changes: Any) -> RunSheet:
    """A Bray run on hold: one check drifted, one sample is above the highest standard."""

    def check(name: CheckName, outcome: Outcome, **values: Any) -> CheckLine:
        return CheckLine(check=name, outcome=outcome, source="laboratory", **values)

    def cup(position: int, kind: str, cup_id: str, signal: float | None, **values: Any) -> CupLine:
        fields: dict[str, Any] = {
            "solution_mg_per_l": None if signal is None else (signal - 0.0031) / 0.0422,
            "solution_uncertainty_mg_per_l": None if signal is None else 0.05,
            "dilution": 1.0,
            "flags": (),
        }
        return CupLine(position=position, kind=kind, cup_id=cup_id, signal=signal, **(fields | values))

    soil = {"unit": "mg/kg", "standard_uncertainty": 0.6, "decimals": 1}
    fields: dict[str, Any] = {
        "run_id": "BR-0412",
        "laboratory": "Quillwater Soil Laboratory",
        "analyte": "P",
        "form": "P",
        "method": "bray1-1:10-colour",
        "method_title": "Bray 1 phosphorus, 1:10, colour",
        "method_note": "2.0 g soil, 20 mL extractant, shaken 5 min, read at 882 nm",
        "standards_matrix": "bray-1 extractant",
        "signal_kind": "absorbance",
        "run_on": date(2026, 3, 9),
        "operator": "T. Hale",
        "instrument": "bench photometer, 10 mm cell",
        "basis": "air-dry",
        "unit": "mg/kg",
        "soil_water_added": False,
        "drift_corrected": False,
        "curve": curve(),
        "checks": (
            *(
                check(
                    CheckName.CURVE_RECOVERY,
                    Outcome.PASS,
                    position=p.position,
                    cup_id=p.cup_id,
                    found=p.back_calculated_mg_per_l,
                    expected=p.nominal_mg_per_l,
                    figure=p.recovery_percent,
                    figure_unit="%",
                    limit_low=90.0,
                    limit_high=110.0,
                )
                for p in curve().standards
                if not p.excluded
            ),
            check(
                CheckName.CALIBRATION_BLANK,
                Outcome.PASS,
                position=1,
                cup_id="B1",
                figure=0.02,
                figure_unit="mg/L",
                limit_high=0.25,
            ),
            check(
                CheckName.CONTINUING_CHECK,
                Outcome.HOLD,
                position=20,
                cup_id="C2",
                found=4.41,
                expected=5.0,
                figure=88.2,
                figure_unit="%",
                limit_low=90.0,
                limit_high=110.0,
            ),
            check(
                CheckName.TREND,
                Outcome.WARN,
                figure=-4.2,
                figure_unit="%",
                limit_low=-3.0,
                limit_high=3.0,
                detail="trend-significant",
            ),
            check(
                CheckName.REFERENCE_SOIL,
                Outcome.PASS,
                position=12,
                cup_id="ridge soil",
                found=21.3,
                expected=20.8,
                figure=0.6,
                figure_unit="sd",
                limit_low=-2.0,
                limit_high=2.0,
            ),
            check(CheckName.MATRIX, Outcome.PASS),
            check(
                CheckName.RANGE,
                Outcome.HOLD,
                position=16,
                cup_id="Q26-0415",
                found=24.9,
                figure_unit="mg/L",
                limit_high=20.0,
                detail="dilute-with-extractant-and-rerun",
            ),
        ),
        "verdict": Verdict.HOLD,
        "cups": (
            cup(1, "blank", "B1", 0.004),
            cup(10, "check", "C1", 0.215),
            cup(12, "reference soil", "ridge soil", 0.091, value=21.3, **soil),
            cup(14, "sample", "Q26-0411", 0.034, value=7.2, **soil),
            cup(15, "sample", "Q26-0412", 0.006, below=2.0, unit="mg/kg", flags=(Flag.BELOW_LOQ,)),
            cup(16, "sample", "Q26-0415", 1.054, flags=(Flag.OVER_RANGE, Flag.RUN_NOT_ACCEPTED)),
            cup(17, "duplicate", "Q26-0411", 0.036, value=7.8, **soil),
            cup(18, "wash", "", None, flags=(Flag.NO_SIGNAL,)),
            cup(20, "check", "C2", 0.189),
        ),
        "example": True,
    }
    return RunSheet(**(fields | changes))
