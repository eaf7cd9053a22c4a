"""A laboratory method: how soil became an extract and the extract a number.

Two methods differ if any of analyte, extractant, ratio, ratio basis, time or finish differs: their results
are different quantities and never meet in one table.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from interpretation.quantities import ANALYTES, Basis, SoilUnit
from interpretation.results import Record

Standing = Literal[
    "published",
    "restated",
    "transcribed",
    "derived",
    "common-practice",
    "memory",
    "invented",
    "regional",
    "regional-draft",
]


# What a method's reagents can do to the person who works with them; each has its warning in reports/wording.
Hazard = Literal[
    "ammonium-chloride-buffer",
    "ammonium-nitrate-oxidiser",
    "antimony-tartrate",
    "barium-chloride",
    "cadmium",
    "carbon-dioxide-foam",
    "chlorine-from-dcic",
    "chloroform",
    "distillation-acids",
    "flammable-alcohol",
    "fluoride-in-acid",
    "hydrazine",
    "mercury-thiocyanate",
    "nitroprusside",
    "phenol",
    "sulfuric-acid",
]


class DigitRule(Record):
    """From this value upwards, so many decimals are reported."""

    at: float = Field(alias="from")
    decimals: int = Field(ge=0, le=4)


class Method(Record):
    """One file of ``tables/methods``.

    A method read as a run has ``extract_ml`` and either ``soil_g`` or ``scoop_cm3``; a bench method
    (pH, organic matter, a metal read elsewhere) has neither and enters as soil values.

    A method from memory is measured only in a laboratory that has confirmed it
    (:func:`interpretation.laboratory.measure.measure`).
    """

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9.:-]*$")
    title: str
    analyte: str
    form: str
    extractant: str = ""
    matrix: str = Field(
        default="", description="what the standards must be made in; compared with the run header"
    )
    soil_g: float | None = Field(default=None, gt=0)
    scoop_cm3: float | None = Field(default=None, gt=0)
    extract_ml: float | None = Field(default=None, gt=0)
    shake: str = ""
    finish: str = ""
    wavelength_nm: float | None = Field(default=None, gt=0)
    unit: SoilUnit
    basis: Basis
    weighed_basis: Basis = Field(
        default="air-dry", description="basis of the soil as it went into the extract"
    )
    soil_water_added: bool = Field(
        default=False,
        description="add the water of a moist soil to the extract volume; printed with the result",
    )
    digits: tuple[DigitRule, ...] = (DigitRule(**{"from": 0}, decimals=1),)
    valid_ph_min: float | None = Field(
        default=None, ge=0, le=14, description="not valid below this soil pH in water"
    )
    valid_ph_max: float | None = Field(
        default=None, ge=0, le=14, description="not valid above this soil pH in water"
    )
    valid_lime_percent_max: float | None = Field(
        default=None, ge=0, le=100, description="not valid above this carbonate content"
    )
    valid_om_percent_max: float | None = Field(
        default=None, ge=0, le=100, description="not valid above this content of organic matter"
    )
    use_instead: str = Field(default="", description="id of the method to use where this one is not valid")
    reproducibility_percent: float | None = Field(
        default=None, ge=0, description="relative standard deviation of the whole test within one laboratory"
    )
    calibrated_from_mg_per_l: float | None = None
    calibrated_to_mg_per_l: float | None = None
    working_from: float | None = Field(default=None, description="lowest soil value of the method's span")
    working_to: float | None = Field(default=None, description="highest soil value of the method's span")
    interferences: tuple[str, ...] = ()
    hazards: tuple[Hazard, ...] = ()
    procedure: str = Field(default="", description="code of the procedure in the GloSIS ontology (CC BY 4.0)")
    external_code: str = Field(default="", description="the laboratory's own code; empty as shipped")
    sources: tuple[str, ...] = ()
    standing: Standing = "invented"

    @field_validator("analyte")
    @classmethod
    def _known(cls, analyte: str) -> str:
        if analyte not in ANALYTES:
            raise ValueError(f"{analyte!r} is no analyte; expected one of {', '.join(ANALYTES)}")
        return analyte

    @model_validator(mode="after")
    def _one_way_of_measuring_soil(self) -> Method:
        forms = ANALYTES[self.analyte].factors
        if self.form not in forms:
            raise ValueError(f"{self.form!r} is not a form of {self.analyte}; expected {', '.join(forms)}")
        measured = [self.soil_g is not None, self.scoop_cm3 is not None]
        if self.extract_ml is not None and sum(measured) != 1:
            raise ValueError("a method with extract_ml needs exactly one of soil_g and scoop_cm3")
        if self.extract_ml is None and any(measured):
            raise ValueError("soil_g or scoop_cm3 without extract_ml: give the volume of extractant")
        if (self.scoop_cm3 is not None) != (self.basis == "scooped-volume") and self.extract_ml is not None:
            raise ValueError("scoop_cm3 and basis scooped-volume belong together")
        return self
