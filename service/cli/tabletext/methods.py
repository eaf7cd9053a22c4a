"""One laboratory method as a card for the bench."""

from __future__ import annotations

from interpretation.agronomy.tables import TableSet
from interpretation.methods import Method
from service.cli.console import WORDING
from service.cli.tabletext.scales import FORMLESS
from service.cli.tabletext.words import (
    analyte_name,
    exact,
    facts,
    headed,
    listed,
    method_name,
    phrase,
    point,
    typed_row,
    unit_words,
    wrapped,
)

NOT_RELEASED = (
    "refused for release until your laboratory confirms it: compare the figures with your own procedure, "
    "then name the method under confirmed_methods in the laboratory card"
)
GLOSIS = "code of the procedure in the GloSIS web ontology, used under CC BY 4.0"


def method_lines(tables: TableSet, method: Method) -> list[str]:
    """Everything a bench needs to know of a method, and when not to use it."""
    return [
        *facts(_result_facts(method)),
        *headed("EXTRACTION AND FINISH", facts(_bench_facts(method))),
        *headed("WHEN IT IS VALID", _validity_lines(tables, method)),
        *headed("INTERFERENCES", [line for one in method.interferences for line in point(one)]),
        *headed("HAZARDS", _hazard_lines(method)),
    ]


def ratio_words(method: Method) -> str:
    """Soil to extractant, by mass (m/v) or by scooped volume (v/v)."""
    if method.extract_ml is None:
        return ""
    ml = exact(method.extract_ml)
    if method.soil_g is not None:
        ratio = f"{method.extract_ml / method.soil_g:.3g}"
        return f"{exact(method.soil_g)} g of soil to {ml} mL, 1:{ratio} by mass (m/v)"
    assert method.scoop_cm3 is not None  # the record has one of the two
    ratio = f"{method.extract_ml / method.scoop_cm3:.3g}"
    return f"{exact(method.scoop_cm3)} cm³ of scooped soil to {ml} mL, 1:{ratio} by volume (v/v)"


def _result_facts(method: Method) -> list[tuple[str, str]]:
    form = method.form if method.form not in FORMLESS else ""
    return [
        ("Measures", analyte_name(method.analyte) + (f", counted as {form}" if form else "")),
        ("Reported in", unit_words(method.unit, method.basis)),
        ("Typed in as", typed_row(method)),
        ("Decimals", _digits(method)),
        ("Working range", _span(method)),
        ("Reproduces to", _percent(method.reproducibility_percent)),
        ("Release", NOT_RELEASED if method.standing == "memory" else ""),
        ("Procedure", f"{method.procedure} ({GLOSIS})" if method.procedure else ""),
        ("Own code", method.external_code or "none yet: external_code is your laboratory's to fill in"),
    ]


def _bench_facts(method: Method) -> list[tuple[str, str]]:
    run = method.extract_ml is not None
    calibrated = [method.calibrated_from_mg_per_l, method.calibrated_to_mg_per_l]
    curve = " to ".join(exact(each) for each in calibrated if each is not None)
    return [
        ("  Extractant", method.extractant),
        ("  Ratio", ratio_words(method) or "not stated: its values are entered, not worked out from a run"),
        ("  Shaking", method.shake),
        ("  Finish", method.finish),
        ("  Wavelength", f"{exact(method.wavelength_nm)} nm" if method.wavelength_nm else ""),
        ("  Standards", f"made in {method.matrix}" if method.matrix else ""),
        ("  Calibrated", f"{curve} mg/L in the extract" if curve else ""),
        ("  Weighed", WORDING.name("bases", method.weighed_basis) if run else ""),
        ("  Soil water", "joins the extract, and the sheet says so" if method.soil_water_added else ""),
    ]


def _digits(method: Method) -> str:
    said = []
    for rule in method.digits:
        count = {0: "whole numbers", 1: "1 decimal"}.get(rule.decimals, f"{rule.decimals} decimals")
        said.append(count if rule is method.digits[0] else f"{count} from {exact(rule.at)} up")
    return listed(said)


def _span(method: Method) -> str:
    low, high = (exact(v) if v is not None else "" for v in (method.working_from, method.working_to))
    said = f"{low} to {high}" if low and high else f"from {low}" if low else f"up to {high}" if high else ""
    return f"{said} {unit_words(method.unit)}" if said else ""


def _percent(value: float | None) -> str:
    return (
        f"{exact(value)} % relative standard deviation of the whole test, within one laboratory"
        if value
        else ""
    )


def _validity_lines(tables: TableSet, method: Method) -> list[str]:
    ph = [
        f"{word} {exact(value)}"
        for word, value in (("at least", method.valid_ph_min), ("at most", method.valid_ph_max))
        if value is not None
    ]
    limits = [f"soil pH in water {' and '.join(ph)}"] if ph else []
    for name, most in (
        ("free lime", method.valid_lime_percent_max),
        ("organic matter", method.valid_om_percent_max),
    ):
        if most is not None:
            limits.append(f"{name} at most {exact(most)} %")
    if not limits:
        return []
    instead = f" Use {method_name(tables, method.use_instead)} instead." if method.use_instead else ""
    return [
        *(line for limit in limits for line in point(limit)),
        *wrapped(f"Outside of that a value is refused, with the reason.{instead}", "  "),
    ]


def _hazard_lines(method: Method) -> list[str]:
    if not method.hazards:
        return []
    return [
        *(line for key in method.hazards for line in point(phrase("hazards", key))),
        *wrapped(WORDING.page("hazards-defer"), "  "),
    ]
