"""What a page shows, as frozen records in which every string is final.

Localised, rounded and unit-bearing: a template only loops and branches over these. Coordinates are numbers
in the unit of the picture they belong to (CSS pixels before scaling).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Annotated

from pydantic import Field

from interpretation.results import Record
from reports.front import Afterwards, ClassTable, Found, ToDoTable, WorkingTable
from reports.logos import Logo

# What a page has room for.
LONGEST_LINE, MOST_LINES, LONGEST_REMARK, LONGEST_COMMENT = 200, 12, 1000, 4000
Line = Annotated[str, Field(max_length=LONGEST_LINE)]


class TablesRelease(Record):
    """The release of the region's tables that a report was made from, and that of what all regions share."""

    number: int
    effective_on: date
    sha256: Line
    shared_number: int
    shared_effective_on: date
    shared_sha256: Line


class LaboratoryCard(Record):
    """Who answers for a report, and what only the laboratory knows about it.

    Every field but the first four may stay empty; the page then says "not stated" or leaves the line out.
    """

    name: Annotated[Line, Field(pattern=r"\S")]
    address: Annotated[tuple[Line, ...], Field(min_length=1, max_length=MOST_LINES)]
    report_id: Line
    issued_on: date
    contact: Line = ""
    phone: Line = ""
    authorised_by: Line = ""
    place_of_work: Line = ""  # empty: at the address above
    customer_address: Line = ""
    tested_from: date | None = None
    tested_to: date | None = None
    sample_condition: Line = ""
    sampled_by: Line = ""
    sampling_method: Line = ""
    confirmed_methods: tuple[Line, ...] = ()  # ids of methods from memory that the laboratory vouches for
    deviations: Annotated[str, Field(max_length=LONGEST_REMARK)] = (
        ""  # additions to, deviations from and exclusions from the methods
    )
    replaces: Line = ""  # report id of the report this one amends
    agent_name: Line = ""
    agent_comment: Annotated[str, Field(max_length=LONGEST_COMMENT)] = ""
    # What is empty of these two is left out of what is written, so that a page without it stays the same page
    # to the byte. No release where the tables are files.
    logo: Logo = Field(default="", exclude_if=lambda logo: not logo)
    tables_release: TablesRelease | None = Field(default=None, exclude_if=lambda release: release is None)


class EarlierResult(Record):
    """One value of an earlier visit to the same field, by the same method as a value of this report."""

    sampled_on: date
    label: Line  # the grower's name for the place
    analyte: str
    method: str
    unit: str
    value: float | None
    below: float | None


@dataclass(frozen=True, slots=True)
class Fact:
    """One labelled fact."""

    label: str
    value: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table of final strings under its own heading; the first cell of a row is its header."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shared: str = ""  # what holds for all rows, told once
    widths: tuple[int, ...] = ()  # of the columns, in percent; none: as they need


# --------------------------------------------------------------------------------------- scale bars


@dataclass(frozen=True, slots=True)
class Segment:
    """One class on a scale bar."""

    x: float
    width: float
    lines: tuple[str, ...]  # class name, on as few lines as it needs; none where it does not fit
    word_x: float
    fill: str
    ink: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis with its number."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class ScaleBar:
    """A value on its table's classes. ``marker`` is ``value``, ``below`` or ``beyond``."""

    alt: str
    segments: tuple[Segment, ...]
    box_height: float  # of the classes' boxes; all that stands below them moves with it
    ticks: tuple[Tick, ...]
    marker: str
    marker_x: float
    reach_from: float  # interval that holds the true value 19 times in 20
    reach_to: float
    has_reach: bool


@dataclass(frozen=True, slots=True)
class BarRow:
    """One sample's result on one analyte."""

    sample: str
    bar: ScaleBar | None
    class_word: str
    value: str
    remark: str  # "close call", the reason there is no class, or ""


@dataclass(frozen=True, slots=True)
class BarGroup:
    """All samples of one analyte by one method."""

    title: str
    method: str
    rows: tuple[BarRow, ...]


# --------------------------------------------------------------------------------------- what to do


@dataclass(frozen=True, slots=True)
class Finding:
    """One nutrient in plain words."""

    nutrient: str
    sentences: str
    outlook: str  # "may run short" or ""


@dataclass(frozen=True, slots=True)
class AmountCell:
    """One amount, as it stands in the table. ``kind`` is ``amount``, ``none`` or ``refused``."""

    kind: str
    text: str
    mark: str = ""  # letter of the reason below the table


@dataclass(frozen=True, slots=True)
class AmountRow:
    """The amounts of one sample."""

    sample: str
    cells: tuple[AmountCell, ...]


@dataclass(frozen=True, slots=True)
class AmountTable:
    """Amounts by sample and nutrient, and why some are missing."""

    caption: str
    corner: str
    nutrients: tuple[Fact, ...]  # name and unit
    rows: tuple[AmountRow, ...]
    reasons: tuple[Fact, ...]  # letter and sentence
    no_tables: tuple[str, ...]  # nutrients that were tested and have no amounts in the region


@dataclass(frozen=True, slots=True)
class MaterialLine:
    """How much of one material would supply the amounts of one nutrient."""

    nutrient: str
    material: str
    amounts: str
    remark: str  # what else it brings, and its cautions
    total: str = ""  # on the whole field


@dataclass(frozen=True, slots=True)
class NoteView:
    """One caution or piece of advice."""

    topic: str
    text: str
    samples: str  # "" when it concerns the whole field
    sources: str


@dataclass(frozen=True, slots=True)
class NoteGroup:
    """Notes of one severity."""

    severity: str  # danger | caution | advice: names the style
    title: str
    notes: tuple[NoteView, ...]


# --------------------------------------------------------------------------------- for the agronomist


@dataclass(frozen=True, slots=True)
class Working:
    """How one amount came about, in order."""

    title: str
    steps: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """What every printed page has."""

    language: str
    title: str
    report_id: str
    issued_on: str  # ISO 8601, for the file's own dates
    laboratory: str
    laboratory_lines: tuple[str, ...]
    logo: str  # source of an image, or nothing
    foot: str  # stands on every page
    page_word: str
    of_word: str
    band: str  # stands on every page of an example, else ""
    end: str
    attachment: str  # its data as JSON, or nothing
    attachment_name: str


@dataclass(frozen=True, slots=True)
class GrowerReport(Page):
    """One field's report."""

    words: dict[str, str]  # headings and labels by name
    field_name: str
    grower: str
    facts: tuple[Fact, ...]
    findings: tuple[Finding, ...]
    groups: tuple[BarGroup, ...]
    found: tuple[Found, ...]
    classes: tuple[ClassTable, ...]  # of many samples
    scale_help: str
    todo: ToDoTable | None
    amounts: AmountTable | None
    by_sample: bool  # whether the amounts are set out by sample, too
    no_amounts: str
    silent: str  # main nutrients on which nothing is said, or nothing
    materials: tuple[MaterialLine, ...]
    notes: tuple[NoteGroup, ...]
    afterwards: Afterwards
    frame: tuple[str, ...]  # the deferral: always there
    comment: str
    comment_by: str
    back_facts: tuple[Fact, ...]
    sampling: Table
    results: Table
    methods: Table
    tables: Table
    back_tables: tuple[Table, ...]  # the same as they are printed: nothing is said twice
    region_facts: tuple[Fact, ...]
    workings: tuple[Working, ...]
    wide_workings: tuple[WorkingTable, ...]  # likewise
    conversions: tuple[str, ...]
    sources: tuple[Fact, ...]
    declarations: tuple[str, ...]


# --------------------------------------------------------------------------------- laboratory sheet


@dataclass(frozen=True, slots=True)
class Dot:
    """A point on a picture; ``hollow`` points took no part in the fit."""

    x: float
    y: float
    hollow: bool


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture with two axes: points, an optional line, bands and level lines."""

    alt: str
    title: str
    width: float
    height: float
    left: float
    top: float
    right: float
    bottom: float
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    x_label: str
    y_label: str
    dots: tuple[Dot, ...]
    line: str  # SVG points
    band: tuple[float, float, float, float] | None  # x, y, width, height of the shaded range
    levels: tuple[float, ...]  # y of full-width lines
    dashed: tuple[float, ...]  # y of dashed limit lines


@dataclass(frozen=True, slots=True)
class CurveView:
    """The curve's part of a laboratory sheet."""

    plots: tuple[Plot, ...]
    key: str
    facts: tuple[Fact, ...]
    coefficients: Table
    standards: Table
    alternatives: Table
    proposal: str


@dataclass(frozen=True, slots=True)
class RunPage(Page):
    """One run's laboratory sheet."""

    words: dict[str, str]
    facts: tuple[Fact, ...]
    verdict: str  # accept | hold | reject: names the style
    verdict_word: str
    verdict_text: str
    reasons: tuple[str, ...]
    curve: CurveView | None
    no_curve: str
    checks: Table
    cups: Table
    flags: tuple[Fact, ...]
    hazards: tuple[str, ...]  # the last line defers to safety data sheets and hygiene plan
    declarations: tuple[str, ...]


# ------------------------------------------------------------------------------------------- notice


@dataclass(frozen=True, slots=True)
class Notice:
    """A heading and a sentence on a page of their own."""

    language: str
    title: str
    sentence: str
