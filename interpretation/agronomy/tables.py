"""What an agronomist edits, as typed records: scales, rates, crops, materials, notes, sources, regions.

The files are read by ``service.tablefiles``; this module knows what they must say. Every number carries
sources and a standing. Records are plain data: classing is in ``classing``, amounts in ``rates``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Annotated, Literal, get_args

from pydantic import Field

from interpretation.methods import Method, Standing
from interpretation.quantities import Basis, RateUnit, SoilUnit
from interpretation.results import Record

Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9./:-]*$", max_length=120)]
Formula = str  # arithmetic over the names of interpretation.agronomy.formula.NAMES
Nutrient = Literal["N", "P2O5", "K2O", "S", "Cl", "Mg", "Zn", "Cu", "Mn", "B", "lime"]
YieldUnit = Literal["t/ha", "bu/ac", "ton/ac", "lb/ac", "bale/ac"]
YIELD_UNITS: tuple[str, ...] = get_args(YieldUnit)
Crops = tuple[Id, ...] | Literal["any"]


class Source(Record):
    """Where a number was printed."""

    id: Id
    region: Id | None = Field(default=None, description="the region that alone cites it; none: shared by all")
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
    edition: str = Field(default="", description="how old the numbers are, and what has replaced them")
    soil_groups: dict[str, str] = Field(
        default={}, description="the region's own words for kinds of soil, each with what it means"
    )
    cautions_of: tuple[Id, ...] = Field(
        default=(), description="regions whose own cautions are printed here too: those it was copied from"
    )
    standing: Standing
    sources: tuple[Id, ...] = ()
    remark: str = Field(default="", max_length=4000, description="of the agronomist's, about the region")


class SoilClass(Record):
    """One class; classes are listed rising, and a lower bound belongs to its class.

    ``open_below: true`` is for sources that print "above 20" and mean it: the bound itself then belongs
    to the class underneath. ``to`` is the upper end where the source prints one; it decides nothing, and is
    held against the next class.
    """

    name: str
    lower: float = Field(alias="from")
    printed_end: float | None = Field(default=None, alias="to")
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
    soil_groups: tuple[str, ...] = ()  # words of the region's own soil_groups; empty: every soil
    unit: str
    basis: Basis | None = None
    effective_from: date
    effective_to: date | None = Field(default=None, description="last day, inclusive")
    sources: tuple[Id, ...] = Field(min_length=1)
    standing: Standing
    remark: str = Field(default="", max_length=4000, description="of the agronomist's, about the numbers")


class ScaleTable(Scoped):
    """Sufficiency classes of one analyte by one method: a file of ``tables/<region>/scales``."""

    analyte: str
    method: Id
    depth_cm: tuple[float, float]
    unit: SoilUnit
    basis: Basis
    per_method_unit: float | None = Field(
        default=None,
        gt=0,
        description="how many of the table's unit one of the method's unit makes, by the publisher's own "
        "rule: 2 lb/ac for each mg/kg. Values are turned into the table's unit, then rounded and classed",
    )
    round_to: float = Field(gt=0, description="report and class on this step")
    classes: tuple[SoilClass, ...] = Field(min_length=2, max_length=12)
    ends_at: float | None = Field(
        default=None,
        description="highest value the source classes; above it nothing is classed. None: open above",
    )
    adequate_from: str | None = Field(
        default=None, description="first class in which the crop is rarely short"
    )
    scale_top: float | None = None


class ValueStep(Record):
    """From this soil test upwards, this rate (half-open steps); ``null`` where the source gives none."""

    at: float = Field(alias="from")
    rate: float | Formula | None


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
    by_class: dict[str, float | Formula | None] | None = None
    by_value: tuple[ValueStep, ...] | None = None
    rows_of: str = Field(default="soil_test", description="the number that the rows of by_value run over")
    between_rows: Literal["step", "straight-line"] = Field(
        default="step",
        description="a row holds up to the next, or amounts lie on straight lines between the rows; then "
        "nothing is given below the first row or above the last",
    )
    formula: Formula | None = None
    yield_unit: YieldUnit | None = Field(
        default=None,
        description="unit of yield_goal in this table's formulas and rows; the crop's own if none",
    )
    holds_if: Formula | None = Field(
        default=None, description="the amount is refused unless this holds, e.g. om_percent <= 5"
    )
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
    """What a harvest carries away, as one edition of one list prints it.

    The keys say what is counted: ``P2O5`` and ``K2O`` are oxides, ``P`` and ``K`` elements. Percentages are
    of the harvested mass. The first edition for the harvested part that is not ``doubtful`` is the one used.
    """

    edition: str = ""
    part: Literal["harvest", "harvest-and-straw", "straw"] = "harvest"
    per: Literal["kg/t", "lb/bu", "lb/ton", "%"] = "kg/t"
    N: float | None = None
    P2O5: float | None = None
    K2O: float | None = None
    P: float | None = None
    K: float | None = None
    S: float | None = None
    MgO: float | None = None
    doubtful: str = Field(default="", description="why these figures must not be used as they stand")
    source: Id
    standing: Standing


class Crop(Record):
    """One file of ``tables/crops``."""

    id: Id
    name: str
    yield_unit: YieldUnit
    bushel_lb: float | None = Field(default=None, gt=0, description="mass of a bushel, in pounds")
    yield_from: float = Field(ge=0, description="lowest plausible yield goal; anything else is asked about")
    yield_to: float = Field(gt=0)
    target_ph: float | None = None
    removal: tuple[Removal, ...] = ()


class SaltIndex(Record):
    """How much a material salts the soil water, as one list prints it. Lists and their bases differ."""

    value: float = Field(ge=0)
    basis: Literal["equal-weight", "per-unit-of-nitrogen"] = Field(
        description="against the same weight of sodium nitrate, which is 100; or that index for each percent "
        "of nitrogen in the material"
    )
    source: Id
    standing: Standing


class BulkDensity(Record):
    """What a dry material weighs as it is poured, by one source: it turns a weight into cups and spoons."""

    g_per_cm3: float = Field(gt=0)
    source: Id
    standing: Standing


class Material(Record):
    """A fertiliser or liming material. Percentages are mass of material, oxide convention for P and K."""

    id: Id
    name: str
    analysis_percent: dict[Nutrient, float] = Field(default={})
    neutralising_value_percent: float | None = Field(default=None, description="pure CaCO3 = 100")
    density_kg_per_l: float | None = Field(default=None, description="liquids only")
    bulk_densities: tuple[BulkDensity, ...] = Field(
        default=(), description="dry materials only, one for each source; the first counts"
    )
    salt_indices: tuple[SaltIndex, ...] = Field(default=(), description="one for each list; never mixed")
    cautions: tuple[str, ...] = ()
    sources: tuple[Id, ...] = Field(min_length=1)
    standing: Standing


class Conversion(Record):
    """A published equation from one method's value to another's: a file of ``tables/<region>/conversions``.

    Never applied unless a person names it; the report says that it was.
    """

    id: Id
    title: str
    region: Id
    analyte: str
    from_method: Id
    to_method: Id
    formula: Formula = Field(description="over soil_test, the value measured, in its method's unit")
    lowest: float = Field(default=0.0, description="lowest measured value the equation is used for")
    highest: float = Field(description="highest measured value the equation is used for")
    effective_from: date
    effective_to: date | None = Field(default=None, description="last day, inclusive")
    sources: tuple[Id, ...] = Field(min_length=1)
    standing: Standing
    remark: str = Field(default="", max_length=4000, description="of the agronomist's, about the equation")


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
    conversions: dict[str, Conversion] = field(default_factory=dict)
    crops: dict[str, Crop] = field(default_factory=dict)
    materials: dict[str, Material] = field(default_factory=dict)
    notes: dict[str, NoteRule] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    fingerprints: dict[str, str] = field(default_factory=dict)
