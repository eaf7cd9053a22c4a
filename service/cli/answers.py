"""The JSON documents of the command line; ``furrowslice schema`` prints the schema of each."""

from __future__ import annotations

from datetime import date, datetime
from types import MappingProxyType
from typing import Literal

from pydantic import BaseModel, ConfigDict

from interpretation.agronomy.tables import (
    Conversion,
    Crop,
    Material,
    RateTable,
    Region,
    ScaleTable,
    Source,
)
from interpretation.methods import Method
from interpretation.results import CurveSummary, FieldAdvice
from service.actions.coverage import Entry
from service.actions.fields import WrittenReport
from service.actions.runs import MeasuredRun
from service.actions.tables import Kind, Named, ReportedClass, State
from service.entries.comparing import RecordChange
from service.work.partitions import Summary

Standing = Literal["in-force", "later", "past", "never"]


class Answer(BaseModel):
    """Base of all documents."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class CalibrateAnswer(Answer):
    """``furrowslice calibrate --json``."""

    run_id: str
    chosen_is_proposed: bool
    curve: CurveSummary


class MeasureAnswer(Answer):
    """``furrowslice measure --json``."""

    runs: tuple[MeasuredRun, ...]


class AdviseAnswer(Answer):
    """``furrowslice advise --json``."""

    fields: tuple[FieldAdvice, ...]


class AdviseDataAnswer(Answer):
    """``furrowslice advise --json`` over partitions."""

    folder: str
    done_before: int
    summary: Summary


class PartitionAnswer(Answer):
    """``furrowslice partition --json``."""

    folder: str
    partitions: tuple[str, ...]


class ReportAnswer(Answer):
    """``furrowslice report --json``."""

    reports: tuple[WrittenReport, ...]


class TablesProblem(Answer):
    """One mistake in a table file."""

    severity: str
    where: str
    message: str
    expected: str = ""
    fix: str = ""


class TablesAnswer(Answer):
    """``furrowslice tables check --json``."""

    problems: tuple[TablesProblem, ...]


class TablesListAnswer(Answer):
    """``furrowslice tables list --json``."""

    on: date
    records: tuple[Entry, ...]


class TablesShowAnswer(Answer):
    """``furrowslice tables show --json``: the record as its file has it, and what is worked out from it."""

    kind: Kind
    id: str
    state: State | None
    record: ScaleTable | RateTable | Conversion | Region | Method | Crop | Material | Source
    sources: tuple[Source, ...]
    classes: tuple[ReportedClass, ...]  # of a scale: the reported values of each class
    removal_kg_per_t: tuple[dict[str, float], ...]  # of a crop: one an edition, P and K as oxides
    named_by: tuple[Named, ...]


class TablesDiffAnswer(Answer):
    """``furrowslice tables diff --json``: what differs, record by record and cell by cell."""

    before: str
    after: str
    changes: tuple[RecordChange, ...]


class ReleaseTold(Answer):
    """One release of a region's tables, and whether it is used today."""

    number: int
    effective_on: date
    published_at: datetime
    published_by: str
    written_by: tuple[str, ...]
    approved_by: str
    why: str
    sha256: str
    standing: Standing


class TablesHistoryAnswer(Answer):
    """``furrowslice tables history --json``: releases, newest first."""

    book: str
    releases: tuple[ReleaseTold, ...]


class VerifiedBook(Answer):
    """The chain of one region's releases; ``breaks`` is empty where it is whole."""

    book: str
    releases: int
    breaks: tuple[str, ...]


class TablesVerifyAnswer(Answer):
    """``furrowslice tables verify --json``."""

    books: tuple[VerifiedBook, ...]


class DemoAnswer(Answer):
    """``furrowslice demo --json``."""

    runs: tuple[MeasuredRun, ...]
    reports: tuple[WrittenReport, ...]


class FindingTold(Answer):
    """One thing that was found in a report that was checked."""

    key: str
    page: int | None
    says: str
    told: dict[str, str | int]


class VerifiedFile(Answer):
    """One file that was checked."""

    file: str
    outcome: Literal["holds", "differs", "not-checked"]
    sha256: str
    report_id: str
    issued_on: str
    laboratory: str
    field_name: str
    made_by: str
    asked_database: bool
    findings: tuple[FindingTold, ...]
    confirmed: tuple[FindingTold, ...]
    remarks: tuple[FindingTold, ...]


class VerifyAnswer(Answer):
    """``furrowslice verify --json``."""

    files: tuple[VerifiedFile, ...]


ANSWERS: MappingProxyType[str, type[Answer]] = MappingProxyType(
    {
        "calibrate": CalibrateAnswer,
        "measure": MeasureAnswer,
        "advise": AdviseAnswer,
        "advise-partitions": AdviseDataAnswer,
        "partition": PartitionAnswer,
        "report": ReportAnswer,
        "tables-check": TablesAnswer,
        "tables-list": TablesListAnswer,
        "tables-show": TablesShowAnswer,
        "tables-diff": TablesDiffAnswer,
        "tables-history": TablesHistoryAnswer,
        "tables-verify": TablesVerifyAnswer,
        "demo": DemoAnswer,
        "verify": VerifyAnswer,
    }
)
