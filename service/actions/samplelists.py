"""A list of samples as rows of fields and growers, checked for what registering needs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from interpretation.agronomy.advise import checked_context
from interpretation.agronomy.tables import TableSet
from interpretation.errors import SampleListError
from service.registration import OF_THE_GROWER, OF_THE_SAMPLING
from service.samplefiles import OF_THE_FIELD, Samples

GrowerKey = tuple[str, ...]  # (number,) of the laboratory, or (farm, name) in this list alone

# Columns of the list that one visit to a field has once.
_OF_THE_VISIT = (
    *OF_THE_SAMPLING, "near_water", "example", "manure_n_kg_per_ha", "manure_p2o5_kg_per_ha",
    "manure_k2o_kg_per_ha", "manured_since_harvest", "manured_in_three_years",
)  # fmt: skip


@dataclass(frozen=True)
class ListedSamples:
    """A checked list: plain columns, and which rows belong to one field or grower.

    Attributes
    ----------
    columns
        Every column of the three frames as a list of plain values; None where nothing is known.
    """

    columns: Mapping[str, list[Any]]

    def __len__(self) -> int:
        return len(self.columns["lab_number"])

    def where(self, index: int) -> str:
        """Row of a sample, for a message."""
        return f"row {self.columns['row'][index]}, lab number {self.columns['lab_number'][index]}"

    @cached_property
    def field_of(self) -> list[str]:
        """Folded field id of each row."""
        return [code.casefold() for code in self.columns["field_id"]]

    @cached_property
    def grower_of(self) -> list[GrowerKey]:
        """Whose field each row is of: by the laboratory's number, else by this list's own words."""
        columns = self.columns
        named = zip(columns["grower_id"], columns["farm_name"], columns["grower_name"], strict=True)
        return [(number,) if number else (farm, name) for number, farm, name in named]

    @cached_property
    def first_of_field(self) -> dict[str, int]:
        """First row of each field, by folded field id."""
        return _firsts(self.field_of)

    @cached_property
    def first_of_grower(self) -> dict[GrowerKey, int]:
        """First row of each grower."""
        return _firsts(self.grower_of)

    def picked(self, index: int, names: Sequence[str]) -> dict[str, Any]:
        """Some cells of one row."""
        return {name: self.columns[name][index] for name in names}

    def rows(self, names: Sequence[str]) -> list[dict[str, Any]]:
        """Some cells of every row."""
        return [
            dict(zip(names, cells, strict=True))
            for cells in zip(*(self.columns[n] for n in names), strict=True)
        ]


def checked_list(samples: Samples, tables: TableSet) -> ListedSamples:
    """Check a list against the tables, and that rows of one field or grower agree.

    Raises
    ------
    SampleListError
        With the row, or the lab number, that is wrong.
    """
    frames = (checked_context(samples.context, tables), samples.preparation, samples.registration)
    columns = {str(name): _plain(frame[name]) for frame in frames for name in frame.columns}
    listed = ListedSamples(columns)
    _agree(listed, listed.field_of, OF_THE_FIELD, lambda row: f"field {listed.columns['field_id'][row]}")
    _agree(listed, listed.field_of, _OF_THE_VISIT, lambda row: f"field {listed.columns['field_id'][row]}")
    _agree(listed, listed.grower_of, ("grower_name", *OF_THE_GROWER), lambda _: "one grower")
    _check_other_crops(listed, tables)
    return listed


def _plain(column: pd.Series[Any]) -> list[Any]:
    """Cells as plain values; None for what is not known."""
    values = column.to_numpy()
    if np.issubdtype(values.dtype, np.datetime64):
        return list(values.astype("datetime64[D]").tolist())
    if values.dtype == np.float64:
        return [None if value != value else value for value in values.tolist()]
    return list(values.tolist())


def _firsts(keys: Sequence[Any]) -> dict[Any, int]:
    firsts: dict[Any, int] = {}
    for index, key in enumerate(keys):
        firsts.setdefault(key, index)
    return firsts


def _agree(
    listed: ListedSamples, keys: Sequence[Any], names: Sequence[str], called: Callable[[int], str]
) -> None:
    """Refuse two rows of one key that differ in a column."""
    firsts = _firsts(keys)
    for name in names:
        column = listed.columns[name]
        if len(set(column)) == 1 or len(set(zip(keys, column, strict=True))) == len(firsts):
            continue
        index = next(i for i, key in enumerate(keys) if column[firsts[key]] != column[i])
        raise SampleListError(
            f"{name} of {called(index)} is not the same in all rows",
            where=f"{listed.where(index)}; the other is in row {listed.columns['row'][firsts[keys[index]]]}",
            expected="one value: they are registered together",
            fix="correct one of them, or give the parts of a field their own field ids",
        )


def _check_other_crops(listed: ListedSamples, tables: TableSet) -> None:
    for index in listed.first_of_field.values():
        crop, others = listed.columns["crop"][index], listed.columns["other_crops"][index]
        for other in filter(None, others.split(";")):
            if other not in tables.crops or other == crop:
                raise SampleListError(
                    f"unknown crop {other!r}"
                    if other != crop
                    else f"{crop} is the crop of the field already",
                    where=f"{listed.where(index)}, column other_crops",
                    expected="ids of crops of the tables, others than the field's crop",
                    fix="correct the name, or leave the cell empty",
                )
