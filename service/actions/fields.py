"""Field actions: advise on soil values and issue a report per field."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict

from interpretation.agronomy.advise import advise as advise_on
from interpretation.agronomy.advise import field_ids
from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import TableSet
from interpretation.results import FieldAdvice
from interpretation.soil_values import COLUMNS
from reports.format import Units
from reports.render import pdf
from reports.view import LaboratoryCard
from service.actions.reportinputs import ReportInputs, page_of, rows_of
from service.files import safe_name, write_atomically


@dataclass(frozen=True)
class Style:
    """How a report is to be printed."""

    paper: Literal["a4", "letter"] = "a4"
    language: str = "en"
    units: Units = "metric"


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


def inputs_by_field(
    values: Sequence[pd.DataFrame], context: pd.DataFrame, convert: Sequence[str] = ()
) -> Mapping[str, dict[str, object]]:
    """What each field's report is made from, by field: its values, samples and equations."""
    soil = pd.concat(values, ignore_index=True)
    fields = soil["lab_number"].map(context.set_index("lab_number")["field_id"])
    none = soil.iloc[:0]
    soil_of = dict(iter(soil.groupby(fields, sort=False)))
    return {
        str(field_id): {
            "values": rows_of(soil_of.get(field_id, none), COLUMNS), "samples": rows_of(samples, CONTEXT),
            "convert": tuple(convert),
        }
        for field_id, samples in context.groupby("field_id", sort=False)
    }  # fmt: skip


def write_report(
    field: FieldAdvice,
    made_from: Mapping[str, object],
    card: LaboratoryCard,
    style: Style,
    issued_on: date,
    folder: Path,
    tables: TableSet,
) -> WrittenReport:
    """Write one field's report as PDF, named after the field, whole or not at all.

    Parameters
    ----------
    made_from
        The field's own of :func:`inputs_by_field`.
    tables
        What the field was advised by.
    """
    asked = {"language": style.language, "units": style.units, "paper": style.paper, "card": card}
    # The card of a folder of tables pins no release: the advice does, by the fingerprints of its tables.
    inputs = ReportInputs.model_validate({**made_from, **asked}).on(issued_on, field.model_dump_json())
    content = pdf(page_of(inputs, field, tables), style.paper)
    path = write_atomically(folder / f"{safe_name(field.field_id)}.report.pdf", content)
    return WrittenReport(
        field_id=field.field_id,
        report_id=inputs.card.report_id,
        file=path,
        sha256=hashlib.sha256(content).hexdigest(),
        refusals=refusals(field),
    )
