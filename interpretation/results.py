"""What the science hands over: frozen records with numbers and keys, and no wording.

Frames become these records once, at the end of a chain (:func:`interpretation.laboratory.measure.run_sheet`,
:func:`interpretation.agronomy.advise.field_advice`). Reports read nothing else. Every ``key`` has its
sentence in ``reports/wording``; every number keeps its unit in its name or beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from pydantic import BaseModel, ConfigDict

from interpretation.quantities import Basis, RateUnit, SoilUnit


class Record(BaseModel):
    """Base of all records: frozen, and no field that is not declared."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


# ------------------------------------------------------------------------------------------ laboratory


class Verdict(StrEnum):
    """What is to become of a run."""

    ACCEPT = "accept"
    HOLD = "hold"
    REJECT = "reject"


class Outcome(StrEnum):
    """How one check came out; the worst outcome decides the verdict."""

    PASS = "pass"  # noqa: S105 - a check's outcome, no secret
    WARN = "warn"
    HOLD = "hold"
    REJECT = "reject"


class Flag(StrEnum):
    """What a step noticed about one cup. A flag never changes a number."""

    OVER_RANGE = "over-range"  # above the highest retained standard: dilute with extractant and rerun
    UNDER_RANGE = "under-range"  # below the lowest retained standard
    BELOW_LOQ = "below-loq"  # kept as a censored value
    BELOW_LOD = "below-lod"  # not detected; kept as a censored value
    EXCLUDED = "excluded"  # taken out by a person, with a reason
    NO_SIGNAL = "no-signal"  # the cup has no reading
    REPORTED_BELOW = "reported-below"  # the file itself says "< x"
    DRIFT_CORRECTED = "drift-corrected"  # an explicit, printed choice
    AFTER_FAILED_CHECK = "after-failed-check"  # read after the last good continuing check
    CARRY_OVER = "carry-over"  # the cup before may have added more than half the quantification limit
    DUPLICATE_DISAGREES = "duplicate-disagrees"
    BLANK_DOMINATES = "blank-dominates"  # the blank is as large as the sample
    NEGATIVE = "negative"  # blank-corrected value below zero
    MOISTURE_MISSING = "moisture-missing"  # no oven-dry value without moisture
    METHOD_NOT_VALID = "method-not-valid"  # e.g. an acid extract on a lime-rich soil
    RUN_NOT_ACCEPTED = "run-not-accepted"  # the run is on hold or rejected: nothing is released


class CheckName(StrEnum):
    """The checks of a run, in the order they are printed."""

    CURVE_RECOVERY = "curve-recovery"
    CURVE_RSE = "curve-rse"
    CALIBRATION_BLANK = "calibration-blank"
    METHOD_BLANK = "method-blank"
    BLANKS_AND_SAMPLES = "blanks-and-samples"
    SECOND_SOURCE = "second-source"
    CONTINUING_CHECK = "continuing-check"
    DRIFT = "drift"
    CARRY_OVER = "carry-over"
    TREND = "trend"
    DUPLICATE = "duplicate"
    REPLICATE = "replicate"
    SPIKE = "spike"
    REFERENCE_SOIL = "reference-soil"
    MATRIX = "matrix"
    RANGE = "range"


class StandardPoint(Record):
    """One standard cup on the curve."""

    position: int
    cup_id: str
    nominal_mg_per_l: float
    signal: float | None  # None when an excluded standard has no reading
    back_calculated_mg_per_l: float | None
    recovery_percent: float | None  # None for the zero standard
    residual: float | None  # signal minus fitted signal; None when excluded
    excluded: bool = False
    reason: str = ""  # why a person excluded it


class Alternative(Record):
    """One curve that was tried beside the chosen one."""

    model: str
    weighting: str
    rse_percent: float
    worst_recovery_percent: float
    r_squared: float
    usable: bool  # meets the recovery and relative-standard-error limits


class CurveSummary(Record):
    """A fitted curve, everything an analyst needs to judge it."""

    model: str  # linear | quadratic
    weighting: str  # 1 | 1/x | 1/x2
    response: str  # rising | falling
    zero_standard: bool  # whether the zero standard took part
    coefficients: tuple[float, ...]  # signal = a + b x (+ c x2), x in mg/L
    standard_errors: tuple[float, ...]
    residual_sd: float
    degrees_of_freedom: int
    r_squared: float
    rse_percent: float  # relative standard error of back-calculated standards
    lowest_mg_per_l: float  # lowest retained non-zero standard
    highest_mg_per_l: float
    detection_limit_mg_per_l: float
    quantification_limit_mg_per_l: float
    limit_definition: str  # key: how the two limits were derived
    mandel_statistic: float | None  # Mandel linearity test value and its 99 % point
    mandel_critical: float | None
    ratio_worst_percent: float | None  # worst deviation of signal/nominal from its median
    proposed_model: str
    proposed_weighting: str
    alternatives: tuple[Alternative, ...]
    standards: tuple[StandardPoint, ...]


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One check, its figure, its limits and how it came out.

    A run has dozens, so they are not validated one by one, but together with the :class:`RunSheet`.
    """

    __pydantic_config__ = ConfigDict(extra="forbid", allow_inf_nan=False, revalidate_instances="always")

    check: CheckName
    outcome: Outcome
    position: int | None = None
    cup_id: str = ""
    found: float | None = None
    expected: float | None = None
    figure: float | None = None  # the number compared with the limits
    figure_unit: str = ""  # "%", "mg/L", "sd", ...
    limit_low: float | None = None
    limit_high: float | None = None
    source: str = ""  # id of the source of the limit
    detail: str = ""  # key of an explaining sentence, "" when the figure says it all


class CupLine(Record):
    """One cup and what came of it."""

    position: int
    kind: str
    cup_id: str
    signal: float | None
    dilution: float
    solution_mg_per_l: float | None
    solution_uncertainty_mg_per_l: float | None
    flags: tuple[Flag, ...]
    value: float | None = None  # soil value as reported, samples only
    below: float | None = None
    unit: str = ""
    standard_uncertainty: float | None = None
    decimals: int = 1


class RunSheet(Record):
    """A whole run for the laboratory's own page."""

    run_id: str
    laboratory: str
    analyte: str
    form: str
    method: str  # id
    method_title: str
    method_note: str  # ratio, shaking, finish in one line
    standards_matrix: str
    signal_kind: str
    run_on: date
    operator: str
    instrument: str
    basis: Basis
    unit: SoilUnit
    soil_water_added: bool  # whether soil water was added to the extract volume
    drift_corrected: bool
    curve: CurveSummary | None  # None when the file already holds concentrations
    checks: tuple[CheckLine, ...]
    verdict: Verdict
    cups: tuple[CupLine, ...]
    hazards: tuple[str, ...] = ()  # keys: what the method's reagents can do to people
    from_memory: bool = False  # the method's file was recalled, not looked up; this laboratory confirmed it
    example: bool = False  # invented data: marked on every page


# ------------------------------------------------------------------------------------------- agronomy


class ClassLimit(Record):
    """One class of a table; its lower bound belongs to it unless ``open_below``."""

    name: str
    lower: float
    open_below: bool = False


class ClassProbability(Record):
    """Probability that the true value lies in a class, from the value's uncertainty."""

    name: str
    probability: float


class Refusal(Record):
    """Why a value has no class or no amount: a key and what goes into its sentence."""

    key: str
    values: dict[str, str | float] = {}


class MeasuredAs(Record):
    """What was measured, where the value that is printed and classed was worked out from it."""

    value: float | None
    below: float | None
    decimals: int
    method: str
    unit: SoilUnit
    factor: float | None = None  # of the table's unit for one factor_unit, where the table says so
    factor_unit: SoilUnit | None = None  # the unit of the result's method
    layer_cm: tuple[float, float] | None = None  # where the factor turns a content into an amount on a field
    conversion: str | None = None  # id of the equation between methods that was switched on


class SoilResult(Record):
    """One soil value of one sample with its class, or the reason it has none."""

    lab_number: str
    analyte: str
    form: str
    method: str
    unit: SoilUnit
    basis: Basis
    value: float | None  # rounded to the reported digits; this number was classed
    decimals: int
    below: float | None = None
    standard_uncertainty: float | None = None
    class_name: str | None = None
    class_index: int | None = None  # 0 is the lowest class
    limits: tuple[ClassLimit, ...] = ()
    scale_top: float | None = None  # where a drawn scale ends
    adequate_from: str | None = None  # name of the first class in which the crop is rarely short
    probabilities: tuple[ClassProbability, ...] = ()
    borderline: bool = False
    table: str | None = None
    refusal: Refusal | None = None
    origin: str = ""
    sampled_on: date | None = None
    measured_as: MeasuredAs | None = None


class Step(Record):
    """One line of an amount's working: a key and the numbers that went in."""

    key: str
    values: dict[str, str | float] = {}


class MaterialRate(Record):
    """How much of one material supplies an amount."""

    material: str  # id
    rate: float
    unit: RateUnit
    litres_per_ha: float | None = None
    bulk_g_per_cm3: float | None = None  # dry, as poured; None for a liquid, and where no source states it
    supplies_kg_per_ha: dict[str, float] = {}  # nutrient -> kg/ha, the wanted one included
    cautions: tuple[str, ...] = ()  # keys


class Amount(Record):
    """One recommended amount for one sample, with its working."""

    lab_number: str
    nutrient: str  # N, P2O5, K2O, S, Cl, Zn, lime
    rate: float | None
    unit: RateUnit
    table: str | None
    working: tuple[Step, ...] = ()
    materials: tuple[MaterialRate, ...] = ()
    refusal: Refusal | None = None


class Note(Record):
    """One caution or piece of advice, chosen by a rule."""

    key: str
    severity: str  # danger | caution | advice
    topic: str  # water | crop | people | soil | law | result
    values: dict[str, str | float] = {}
    lab_numbers: tuple[str, ...] = ()  # samples it concerns; empty means the whole field
    sources: tuple[str, ...] = ()


class SourceLine(Record):
    """One published source as printed on a report."""

    id: str
    title: str
    publisher: str = ""
    year: int | None = None
    locator: str = ""
    url: str = ""
    standing: str = ""


class TableLine(Record):
    """One table that was used, pinned."""

    id: str
    title: str
    standing: str  # published | restated | derived | invented | regional-draft
    effective_from: date
    sources: tuple[str, ...] = ()
    fingerprint: str = ""  # SHA-256 of the record, as service.books writes it
    equation: str = ""  # of a conversion between two methods, over soil_test


class MethodLine(Record):
    """One laboratory method as printed at the back of a report."""

    id: str
    title: str
    note: str = ""
    unit: str = ""
    basis: str = ""
    soil_water_added: bool | None = None  # to the extract volume; None where the soil is not weighed moist
    from_memory: bool = False  # the method's file was recalled, not looked up
    measured: bool = True  # False where values of this method were only worked out from another's
    run_here: bool = False  # a value of it comes from a run, and not from a list that was typed


class SampleLine(Record):
    """One soil sample of a field."""

    lab_number: str
    label: str  # what the grower calls it: "north", "A", "whole field"
    depth_from_cm: float
    depth_to_cm: float
    sampled_on: date | None = None
    received_on: date | None = None
    texture: str = ""
    soil_group: str = ""  # a word of the region's own
    cores: int | None = None


class FieldAdvice(Record):
    """Everything one field's report is made from."""

    field_id: str
    field_name: str
    farm_name: str
    grower_name: str
    region: str  # id
    region_name: str
    region_publisher: str = ""
    region_valid_for: str = ""  # laboratories, methods and soils the region's numbers are valid for
    region_not_for: str = ""
    region_edition: str = ""  # how old they are, and what has replaced them
    crop: str  # id
    yield_goal: float | None
    yield_unit: str
    previous_crop: str
    area_ha: float | None
    samples: tuple[SampleLine, ...]
    results: tuple[SoilResult, ...]
    amounts: tuple[Amount, ...]
    notes: tuple[Note, ...]
    tables: tuple[TableLine, ...]
    methods: tuple[MethodLine, ...]
    sources: tuple[SourceLine, ...]
    runs: tuple[str, ...] = ()
    example: bool = False  # made from invented tables or data: every page is marked
    draft: bool = False  # made from tables that nobody has published yet: every page is marked
