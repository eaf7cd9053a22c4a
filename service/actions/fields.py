"""Field actions: advise on soil values and issue a report per field."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict

from interpretation.agronomy.advise import advise as advise_on
from interpretation.agronomy.advise import field_ids
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import TableSet
from interpretation.results import FieldAdvice
from reports.build import build_report
from reports.render import pdf
from reports.view import LaboratoryCard
from service.actions.card import issued
from service.files import safe_name, write_atomically


@dataclass(frozen=True)
class Style:
    """How a report is to be printed."""

    paper: Literal["a4", "letter"] = "a4"
    language: str = "en"
    units: Literal["metric", "us"] = "metric"


class WrittenReport(BaseModel):
    """One report as it was written."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    field_id: str
    report_id: str
    file: Path
    sha256: str
    refusals: int


def advise(
    values: Sequence[pd.DataFrame], tables: TableSet, context: pd.DataFrame, convert: Sequence[str] = ()
) -> tuple[FieldAdvice, ...]:
    """Class all values together and gather the advice of every field, in the order of the sample list.

    ``convert`` names the equations between methods that a person switched on.
    """
    advice = advise_on(pd.concat(values, ignore_index=True), tables, context, convert)
    return tuple(field_advice(advice, field_id) for field_id in field_ids(advice))


def refusals(field: FieldAdvice) -> int:
    """How many values of a field have no class, and amounts no rate, where one was asked for."""
    refused = (*(r.refusal for r in field.results), *(a.refusal for a in field.amounts))
    return sum(refusal is not None for refusal in refused)


def write_report(
    field: FieldAdvice, card: LaboratoryCard, style: Style, issued_on: date, folder: Path
) -> WrittenReport:
    """Write one field's report as PDF, named after the field, whole or not at all."""
    lab = issued(card, field.model_dump_json(), issued_on)
    content = pdf(build_report(field, lab, locale=style.language, units=style.units), style.paper)
    path = write_atomically(folder / f"{safe_name(field.field_id)}.report.pdf", content)
    return WrittenReport(
        field_id=field.field_id,
        report_id=lab.report_id,
        file=path,
        sha256=hashlib.sha256(content).hexdigest(),
        refusals=refusals(field),
    )
