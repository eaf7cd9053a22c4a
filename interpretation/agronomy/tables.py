"""What an agronomist edits, as typed records: scales, rates, crops, materials, notes, sources, regions.

The files are read by ``service.tablefiles``; this module knows what they must say. Every number carries
sources and a standing. Records are plain data: classing is in ``classing``, amounts in ``rates``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from interpretation.methods import Method, Standing
from interpretation.quantities import Basis, RateUnit, SoilUnit
from interpretation.results import Record

Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9./:-]*$", max_length=120)]
Formula = str  # arithmetic over the names of interpretation.agronomy.formula.NAMES
Nutrient = Literal["N", "P2O5", "K2O", "S", "Cl", "Mg", "Zn", "Cu", "Mn", "B", "lime"]
Crops = tuple[Id, ...] | Literal["any"]


class Source(Record):
    """Where a number was printed."""

    id: Id
    title: str
    publisher: str = ""
    year: int | None = Field(default=None, ge=1900, le=2100)
    locator: str = Field(default="", description="page or table")
    url: str = ""
    read: Literal["seen", "restated", "common-practice", "memory", "invented"]


class Region(Record):
    """Who publishes a set of tables, and for whom they are valid."""

    id: Id
    name: str
    publisher: str
    valid_for: str = Field(description="laboratories, methods and soils the numbers are valid for")
    not_for: str = Field(description="when not to use them")
    standing: Standing
    sources: tuple[Id, ...] = ()


class SoilClass(Record):
    """One class; classes are listed rising, and a lower bound belongs to its class.

    ``open_below: true`` is for sources that print "above 20" and mean it: the bound itself then belongs
    to the class underneath.
    """

    name: str
    lower: float = Field(alias="from")
    open_below: bool = False


class Scoped(Record):
    """What a scale and a rate share: where, for what and when they hold."""

    id: Id
    title: str = ""
    region: Id
    crops: Crops
    analyte: str | None = None
    form: str | None = None
    method: Id | None = None
    depth_cm: tuple[float, float] | None = None
    textures: tuple[str, ...] = ()  # empty: every texture
    unit: str
    basis: Basis | None = None
    effective_from: date
    effective_to: date | None = Field(default=None, description="last day, inclusive")
    sources: tuple[Id, ...] = Field(min_length=1)
    standing: Standing


class ScaleTable(Scoped):
    """Sufficiency classes of one analyte by one method: a file of ``tables/<region>/scales``."""

    analyte: str
    method: Id
    depth_cm: tuple[float, float]
    unit: SoilUnit
    basis: Basis
    round_to: float = Field(gt=0, description="report and class on this step")
    classes: tuple[SoilClass, ...] = Field(min_length=2, max_length=12)
    adequate_from: str | None = Field(
        default=None, description="first class in which the crop is rarely short"
    )
    scale_top: float | None = None


class ValueStep(Record):
    """From this soil test upwards, this rate (half-open steps)."""

    at: float = Field(alias="from")
    rate: float | Formula


class Credit(Record):
    """An amount taken off a rate, never below zero in total."""

    key: str = Field(description="wording key, e.g. previous-crop, soil-nitrate, manure, organic-matter")
    formula: Formula | None = None
    by_previous_crop: dict[str, float] | None = None


class RateTable(Scoped):
    """How much of a nutrient, or of lime, to apply: a file of ``tables/<region>/rates``.

    Exactly one of ``by_class``, ``by_value`` and ``formula`` is given. Rates are in ``unit``. For lime the
    amount is pure calcium carbonate; the material's neutralising value is applied afterwards.
    """

    nutrient: Nutrient
    unit: RateUnit
    by_class: dict[str, float | Formula] | None = None
    by_value: tuple[ValueStep, ...] | None = None
    formula: Formula | None = None
    when: Formula | None = Field(
        default=None, description="no amount is due unless this holds, e.g. ph < 6.2"
    )
    values: dict[str, float] = Field(default={}, description="named constants of this table, e.g. target_ph")
    credits: tuple[Credit, ...] = ()
    floor: float = 0.0
    cap: float | None = None
    round_to: float = Field(gt=0)
    materials: tuple[Id, ...] = Field(default=(), description="materials to convert the amount into")


class Removal(Record):
    """What a harvest carries away, in kg per unit of yield."""

    N: float | None = None
    P2O5: float | None = None
    K2O: float | None = None
    S: float | None = None
    source: Id
    standing: Standing


class Crop(Record):
    """One file of ``tables/crops``."""

    id: Id
    name: str
    yield_unit: Literal["t/ha", "bu/ac"]
    yield_from: float = Field(ge=0, description="lowest plausible yield goal; anything else is asked about")
    yield_to: float = Field(gt=0)
    target_ph: float | None = None
    removal: tuple[Removal, ...] = ()


class Material(Record):
    """A fertiliser or liming material. Percentages are mass of material, oxide convention for P and K."""

    id: Id
    name: str
    analysis_percent: dict[Nutrient, float] = Field(default={})
    neutralising_value_percent: float | None = Field(default=None, description="pure CaCO3 = 100")
    density_kg_per_l: float | None = Field(default=None, description="liquids only")
    salt_index: float | None = None
    salt_index_source: Id | None = None
    cautions: tuple[str, ...] = ()
    sources: tuple[Id, ...] = Field(min_length=1)
    standing: Standing


class NoteRule(Record):
    """When a caution or a piece of advice is printed. The wording is in ``reports/wording``."""

    key: str
    when: Formula = Field(description="condition over the names of formula.NAMES; 'always' for every report")
    severity: Literal["danger", "caution", "advice"]
    topic: Literal["water", "crop", "people", "soil", "law", "result"]
    order: int = 100
    regions: tuple[Id, ...] = ()  # empty: every region
    sources: tuple[Id, ...] = ()
    standing: Standing


@dataclass(frozen=True)
class TableSet:
    """Every table in force, by id. ``fingerprints`` holds the SHA-256 of each file by table id."""

    regions: dict[str, Region] = field(default_factory=dict)
    methods: dict[str, Method] = field(default_factory=dict)
    scales: dict[str, ScaleTable] = field(default_factory=dict)
    rates: dict[str, RateTable] = field(default_factory=dict)
    crops: dict[str, Crop] = field(default_factory=dict)
    materials: dict[str, Material] = field(default_factory=dict)
    notes: dict[str, NoteRule] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    fingerprints: dict[str, str] = field(default_factory=dict)
