"""The JSON documents of the command line; ``furrowslice schema`` prints the schema of each."""

from __future__ import annotations

from types import MappingProxyType

from pydantic import BaseModel, ConfigDict

from interpretation.results import CurveSummary, FieldAdvice
from service.actions.fields import WrittenReport
from service.actions.runs import MeasuredRun


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


class DemoAnswer(Answer):
    """``furrowslice demo --json``."""

    runs: tuple[MeasuredRun, ...]
    reports: tuple[WrittenReport, ...]


ANSWERS: MappingProxyType[str, type[Answer]] = MappingProxyType(
    {
        "calibrate": CalibrateAnswer,
        "measure": MeasureAnswer,
        "advise": AdviseAnswer,
        "report": ReportAnswer,
        "tables-check": TablesAnswer,
        "demo": DemoAnswer,
    }
)
