"""How classes and amounts of many samples change from one set of tables to another, as plain records."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from interpretation.results import Record


class State(Record):
    """What became of a soil value: a class, a reason for none, or nothing where none was to be had."""

    kind: Literal["class", "refusal", "none"]
    name: str = Field(default="", description="name of the class, or key of the reason")


class Flow(Record):
    """How the values of one analyte by one method move from what they were to what they would be.

    ``counts[i][j]`` values went from ``before[i]`` to ``after[j]``.
    """

    analyte: str
    method: str
    values: int
    changed: int
    before: tuple[State, ...]
    after: tuple[State, ...]
    counts: tuple[tuple[int, ...], ...]


class Bin(Record):
    """How many amounts change by so much; the end further from nought belongs to it, and nought to none."""

    low_kg_per_ha: float
    high_kg_per_ha: float
    samples: int


class Refused(Record):
    """How many amounts were, or would be, not given for one reason; "" where the region asks for none."""

    reason: str
    samples: int


class Quantiles(Record):
    """How the change of an amount is spread, over the samples that have one before and after; kg/ha."""

    least: float
    p5: float
    p25: float
    median: float
    p75: float
    p95: float
    most: float


class AmountChange(Record):
    """How the amounts of one nutrient change; lime as pure calcium carbonate.

    Totals are over visits to fields of known area, each sample standing for an equal part of it. They count
    the samples that have an amount before and after, or an amount that is no longer given would look saved.
    """

    nutrient: str
    samples: int = Field(description="with an amount before and after")
    more: int
    less: int
    same: int
    gained: tuple[Refused, ...] = Field(description="amounts newly given, by why there was none")
    lost: tuple[Refused, ...] = Field(description="amounts no longer given, by why")
    mean_before_kg_per_ha: float | None
    mean_after_kg_per_ha: float | None
    change_kg_per_ha: Quantiles | None
    bins: tuple[Bin, ...]
    area_ha: float
    total_before_kg: float
    total_after_kg: float

    @property
    def total_change_kg(self) -> float:
        """What would be applied more, or less where it is below zero."""
        return self.total_after_kg - self.total_before_kg
