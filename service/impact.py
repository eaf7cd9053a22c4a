"""What a draft of the tables would do to past samples: what is asked, and the answer as plain records.

No record here says whose a field is. A field is named by its laboratory's code for it.
"""

from __future__ import annotations

from datetime import date

from pydantic import Field

from interpretation.agronomy.changes import AmountChange, Flow, State
from interpretation.quantities import SoilUnit
from interpretation.results import Amount, Record

MOST_CHOSEN = 60  # years, counties or crops that can be named


class Filter(Record):
    """Which past samples are looked at; what is left empty leaves nothing out."""

    years: tuple[int, ...] = Field(default=(), max_length=MOST_CHOSEN, description="years of sampling")
    counties: tuple[str, ...] = Field(default=(), max_length=MOST_CHOSEN, description="ids of counties")
    crops: tuple[str, ...] = Field(default=(), max_length=MOST_CHOSEN, description="ids of crops")
    as_if_year: int | None = Field(
        default=None, ge=1900, le=2100,
        description="tables are chosen as if each sample had been taken in this year; null: on its own day",
    )  # fmt: skip


class ValueChange(Record):
    """One soil value of an affected field whose class changes."""

    lab_number: str
    analyte: str
    method: str
    unit: SoilUnit
    value_before: float | None = Field(description="as reported by the tables before; null: below a limit")
    value_after: float | None
    below: float | None
    decimals: int
    before: State
    after: State


class AmountPair(Record):
    """One amount of an affected field, before and after, each with its working; null where none is asked."""

    lab_number: str
    nutrient: str
    before: Amount | None
    after: Amount | None


class AffectedField(Record):
    """One of the visits that change most."""

    visit_id: int
    field_code: str
    county: str
    laboratory: str
    crop: str
    sampled_on: date
    area_ha: float | None
    samples: int
    classes_changed: int
    values: tuple[ValueChange, ...]
    amounts: tuple[AmountPair, ...] = Field(description="amounts that change")


class NotReached(Record):
    """A table of the draft that differs and begins after every day it was asked for."""

    table: str
    effective_from: date


class Impact(Record):
    """What a draft would do to past samples, against the last release."""

    draft_id: int
    revision: int
    region: str
    release: int | None = Field(description="number of the release it is held against; null: none")
    asked: Filter
    samples: int
    visits: int
    values: int = Field(description="soil values of the analytes that the draft can class otherwise")
    left_out: int = Field(description="samples of a crop or soil group that the tables do not know")
    analytes: tuple[str, ...] = Field(description="what the draft can class otherwise")
    nutrients: tuple[str, ...] = Field(description="what the draft can give other amounts of")
    flows: tuple[Flow, ...]
    amounts: tuple[AmountChange, ...]
    affected_visits: int = Field(description="visits of which a class or an amount changes")
    fields: tuple[AffectedField, ...] = Field(description="the most affected ones, the most affected first")
    not_reached: tuple[NotReached, ...]

    @property
    def classes_changed(self) -> int:
        """How many soil values change class, or get or lose one."""
        return sum(flow.changed for flow in self.flows)
