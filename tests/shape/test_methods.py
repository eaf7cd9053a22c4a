"""The method library: every file complete in its kind, and no two of them one method."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
import yaml

from interpretation.conversions import per_mg_per_kg
from interpretation.methods import Method
from interpretation.quantities import analyte
from service.yamlfiles import load

TABLES = Path(__file__).parents[2] / "tables"
FILES = sorted((TABLES / "methods").glob("*.yaml"))
METHODS = {
    path.stem: Method.model_validate(load(path.read_text(encoding="utf-8"), path.name).value, strict=True)
    for path in FILES
}
RUN = [method for method in METHODS.values() if method.extract_ml is not None]
FROM_MEMORY = {
    "bray2-1:7-colour", "bray2-1:10-colour", "bray2-1:20-colour", "p-mehlich1", "k-mehlich1", "p-morgan",
    "p-modified-morgan", "cacl2-1:10-nitrate", "chloride-cano3-1:2.5-colour", "k-nh4oac-1:10-short",
}  # fmt: skip
# Codes of the GloSIS procedure module 1.5.1 that were seen, and what each may be said of.
PROCEDURES = {
    "extractableElementsProcedure-Extr_hcl-nh4f-bray1": r"bray1-",
    "extractableElementsProcedure-Extr_hcl-nh4f-bray2": r"bray2-",
    "extractableElementsProcedure-Extr_nahco3-olsen": r"olsen-",
    "extractableElementsProcedure-Extr_m3": r"[a-z]+-mehlich3",
    "extractableElementsProcedure-Extr_m1": r"[pk]-mehlich1$",
    "extractableElementsProcedure-Extr_naoac-morgan": r"(p-morgan$|([a-z]+-)?morgan-volume$)",
    "extractableElementsProcedure-Extr_capo4": r"sulfate-mcp",
    "extractableElementsProcedure-Extr_hotwater": r"b-hot-water$",
    "extractableElementsProcedure-Extr_dtpa": r"[a-z]+-dtpa$",
    "extractableElementsProcedure-Extr_cacl2": r"cacl2-",
    "electricalConductivityProcedure-ECe_sat": r"ec-saturation-extract$",
    "pHProcedure-pHH2O_ratio1-1": r"ph-water-1:1$",
}
CODE = re.compile(r"[A-Za-z]+Procedure-[A-Za-z0-9]+_[a-z0-9.-]+")
every = pytest.mark.parametrize("method", METHODS.values(), ids=METHODS)
every_run = pytest.mark.parametrize("method", RUN, ids=lambda method: method.id)


def sources() -> dict[str, dict[str, Any]]:
    listed = [
        yaml.safe_load(path.read_text(encoding="utf-8"))
        for path in sorted((TABLES / "sources").glob("*.yaml"))
    ]
    return {source["id"]: source for file in listed for source in file}


SOURCES = sources()


@every
def test_every_method_says_what_it_is(method: Method) -> None:
    assert method.title[0].isupper() or method.title.startswith("pH")
    assert method.extractant or method.finish
    assert method.sources
    assert method.standing != "invented"
    assert method.external_code == ""  # the laboratory's own, never shipped
    assert "—" not in method.title


@every_run
def test_a_method_read_as_a_run_is_complete(method: Method) -> None:
    assert method.extractant
    assert method.matrix
    assert method.shake
    assert method.finish
    scatter_not_printed = method.standing == "memory" or method.id == "cacl2-p-1:5-colour"
    assert (method.reproducibility_percent is None) == scatter_not_printed
    by_colour = "ICP" not in method.finish and "spectrometry" not in method.finish
    assert bool(method.wavelength_nm) <= by_colour
    if by_colour:
        assert method.hazards, "every colour reaction has a reagent to warn of"


@every_run
def test_a_run_can_be_brought_to_soil(method: Method) -> None:
    if method.scoop_cm3 is None:
        assert method.basis in (method.weighed_basis, "oven-dry")
        assert not method.unit.endswith("dm3")
    else:
        assert (method.basis, method.unit[-3:]) == ("scooped-volume", "dm3")
        assert not method.soil_water_added
    assert method.soil_water_added <= (method.weighed_basis == "as-received")
    if method.analyte != "CEC":  # read as ammonium
        assert per_mg_per_kg(method.analyte, method.form, method.unit) > 0


@every
def test_unit_basis_and_analyte_go_together(method: Method) -> None:
    assert (method.unit == "pH") == (method.analyte in ("pH", "buffer-pH"))
    assert (method.unit == "dS/m") == (method.analyte == "salinity")
    assert method.unit.endswith("dm3") == (method.basis == "scooped-volume")
    assert (method.basis == "none") == (
        method.unit in ("pH", "dS/m", "index") or method.analyte in ("base-saturation", "exchangeable-sodium")
    )
    assert method.unit.startswith("cmol") <= (analyte(method.analyte).charge > 0 or method.form == "charge")
    assert (method.analyte == "nitrogen-supply") <= (method.unit == "index")


@every
def test_a_method_somebody_only_reports_has_no_extraction_figures(method: Method) -> None:
    if "not named" in method.extractant or method.unit in ("index", "lb/ac", "kg/ha"):
        assert (method.soil_g, method.scoop_cm3, method.extract_ml) == (None, None, None)
        assert method.shake == ""


# The highest standard, through ratio and dilution, is the top of the span the source prints.
@every_run
def test_span_and_standards_agree(method: Method) -> None:
    if method.working_to is None:
        return
    assert method.working_from is not None
    assert 0 <= method.working_from < method.working_to
    if method.calibrated_to_mg_per_l is None:
        return
    if method.analyte == "CEC":  # as ammonium, counted as nitrogen
        per_mg = per_mg_per_kg("ammonium", "NH4-N", method.unit)
    else:
        per_mg = per_mg_per_kg(method.analyte, method.form, method.unit)
    assert method.extract_ml is not None
    amount = method.soil_g or method.scoop_cm3
    assert amount is not None
    dilution = 5 if "diluted 5 times" in method.finish else 1
    top = method.calibrated_to_mg_per_l * dilution * method.extract_ml / amount * per_mg
    assert top == pytest.approx(method.working_to, rel=0.001)


def test_no_two_files_are_one_method() -> None:
    def done(method: Method) -> tuple[object, ...]:
        amount = method.soil_g or method.scoop_cm3 or 1.0
        return (
            method.analyte, method.form, method.extractant, round((method.extract_ml or 0) / amount, 2),
            method.weighed_basis, method.basis, method.unit, method.shake, method.finish,
        )  # fmt: skip

    assert [(a.id, b.id) for a, b in combinations(RUN, 2) if done(a) == done(b)] == []
    titles = [method.title for method in METHODS.values()]
    assert len(set(titles)) == len(titles)


def test_what_is_from_memory_is_marked_and_nothing_else() -> None:
    marked = {method.id for method in METHODS.values() if method.standing == "memory"}
    assert marked == FROM_MEMORY
    for method in METHODS.values():
        read = {SOURCES[source]["read"] for source in method.sources}
        assert ("memory" in read) == (method.standing == "memory"), method.id


@every
def test_a_procedure_code_is_one_that_was_seen_and_fits(method: Method) -> None:
    if not method.procedure:
        return
    assert CODE.fullmatch(method.procedure)
    assert re.match(PROCEDURES[method.procedure], method.id)
    assert method.analyte != "CEC"  # the module has codes of that name for other solutions


def test_the_code_list_is_named_with_its_licence() -> None:
    assert "CC BY 4.0" in SOURCES["glosis-procedures"]["title"]
    assert "CC BY 4.0" in (TABLES / "README.md").read_text(encoding="utf-8")
    used = {method.procedure for method in METHODS.values() if method.procedure}
    assert used == PROCEDURES.keys()


def test_a_method_to_use_instead_has_no_such_limit() -> None:
    for method in METHODS.values():
        if method.use_instead:
            other = next(m for m in METHODS.values() if m.id == method.use_instead)
            assert other.analyte == method.analyte
            assert (other.valid_ph_max, other.valid_lime_percent_max) == (None, None)
        limited = (method.valid_ph_min, method.valid_ph_max, method.valid_lime_percent_max)
        assert (limited == (None, None, None)) or method.use_instead


@every
def test_interferences_are_short_phrases(method: Method) -> None:
    assert [phrase for phrase in method.interferences if len(phrase) > 90 or phrase.endswith(".")] == []
