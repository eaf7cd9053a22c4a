"""What reports are made from, put together for many visits at once, and the report that follows from it.

A report follows from its inputs and the tables alone. So the inputs are kept with every report; where they
are the same, so is the report, and nothing need be worked out again to know it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Literal

import pandas as pd

from interpretation.agronomy.advise import advise, field_ids
from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import TableSet
from interpretation.results import FieldAdvice, Record
from interpretation.soil_values import COLUMNS
from reports.build import build_report
from reports.format import Units
from reports.view import EarlierResult, GrowerReport, LaboratoryCard
from service.actions.card import issued
from service.books import canonical
from service.reportdata.writing import data_text

Scalar = str | float | bool | None
MOST_EARLIER_VISITS = 8


class ReportInputs(Record):
    """Everything that one report is made from, besides the tables.

    Attributes
    ----------
    values
        Soil values, a mapping with the names of :data:`interpretation.soil_values.COLUMNS` for each.
    samples
        What is known of the samples, with the names of :data:`interpretation.agronomy.context.CONTEXT`.
    convert
        Equations between methods that were switched on.
    earlier
        What was found in earlier years.
    card
        Who answers for the report, with its identity and day once it is issued.
    """

    values: tuple[dict[str, Scalar], ...]
    samples: tuple[dict[str, Scalar], ...]
    convert: tuple[str, ...] = ()
    earlier: tuple[EarlierResult, ...] = ()
    card: LaboratoryCard
    language: str
    units: Units
    paper: Literal["a4", "letter"]

    def text(self) -> str:
        """Canonical JSON (RFC 8785)."""
        return canonical(self.model_dump(mode="json"))

    def on(self, day: date, also: str = "") -> ReportInputs:
        """The same inputs as issued on a day, with the identity that follows from all of them.

        Parameters
        ----------
        also
            What the report follows from besides, where the card does not pin the release of the tables.
        """
        return self.model_copy(update={"card": issued(self.card, self.text() + also, day)})


def rows_of(frame: pd.DataFrame, columns: Mapping[str, str]) -> tuple[dict[str, Scalar], ...]:
    """Write a frame as rows of plain values: days as ISO 8601, nothing for what is not known."""
    rows = frame[list(columns)].to_dict("records")
    return tuple({str(name): _plain(value) for name, value in row.items()} for row in rows)


def plain_rows(
    rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str]
) -> tuple[dict[str, Scalar], ...]:
    """Write rows from the database in the same way."""
    return tuple({name: _plain(row[name]) for name in columns} for row in rows)


def _plain(value: Any) -> Scalar:
    if value is None or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str | bool):
        return value
    return float(value)


def frame_of(rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str]) -> pd.DataFrame:
    """Read such rows as a typed frame."""
    return pd.DataFrame(list(rows), columns=list(columns)).astype(dict(columns))


def advise_each(inputs: Sequence[ReportInputs], tables: TableSet) -> tuple[FieldAdvice, ...]:
    """Advise on many reports in a few steps, instead of one by one.

    The advice is what each report would get alone.

    Raises
    ------
    FurrowsliceError
        If any of the inputs cannot be advised on; the others are then not advised on either.
    """
    found: dict[int, FieldAdvice] = {}
    for group in _together(inputs):
        chosen = [inputs[number] for number in group]
        values = frame_of([row for each in chosen for row in each.values], COLUMNS)
        samples = frame_of([row for each in chosen for row in each.samples], CONTEXT)
        advised = advise(values, tables, samples, chosen[0].convert)
        by_field = {name: field_advice(advised, name) for name in field_ids(advised)}
        found |= {number: by_field[_field(inputs[number])] for number in group}
    return tuple(found[number] for number in range(len(inputs)))


def _together(inputs: Sequence[ReportInputs]) -> Iterator[list[int]]:
    """Group inputs that can be advised on at once: no field twice, the same equations switched on."""
    waiting = list(range(len(inputs)))
    while waiting:
        group: list[int] = []
        fields: set[str] = set()
        for number in waiting:
            each = inputs[number]
            if _field(each) not in fields and each.convert == inputs[waiting[0]].convert:
                group.append(number)
                fields.add(_field(each))
        yield group
        waiting = [number for number in waiting if number not in set(group)]


def _field(inputs: ReportInputs) -> str:
    return str(inputs.samples[0]["field_id"])


def page_of(inputs: ReportInputs, advice: FieldAdvice, tables: TableSet) -> GrowerReport:
    """Word the report of inputs that were advised on, and write the data that it carries inside.

    Parameters
    ----------
    tables
        What was advised by; the records that the advice can depend on are carried along.
    """
    return build_report(
        advice, inputs.card, locale=inputs.language, units=inputs.units, earlier=inputs.earlier,
        attachment=data_text(inputs.model_dump(mode="json"), advice.model_dump(mode="json"), tables),
    )  # fmt: skip


def earlier_results(rows: Sequence[Mapping[str, Any]]) -> tuple[EarlierResult, ...]:
    """Values of the last few earlier visits, as the store has them, newest first."""
    days = list(dict.fromkeys(row["sampled_on"] for row in rows))[:MOST_EARLIER_VISITS]
    return tuple(EarlierResult(**row) for row in rows if row["sampled_on"] in days)
