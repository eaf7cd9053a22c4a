"""A colour run of the invented demo world, as a laboratory sheet shows it."""

from __future__ import annotations

from datetime import date
from typing import Any

from interpretation.results import (
    Alternative,
    CheckLine,
    CheckName,
    CupLine,
    CurveSummary,
    Flag,
    Outcome,
    RunSheet,
    StandardPoint,
    Verdict,
)


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
        "hazards": ("fluoride-in-acid", "antimony-tartrate", "sulfuric-acid"),
        "example": True,
    }
    return RunSheet(**(fields | changes))
