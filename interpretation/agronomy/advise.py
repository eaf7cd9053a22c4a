"""The agronomy's one public step: soil values, tables and what is known of the samples become advice."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.amounts import rate_samples
from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.extractants import convert_values
from interpretation.agronomy.notes import choose_notes
from interpretation.agronomy.rated import RatedSamples, rate_columns
from interpretation.agronomy.samples import Column, context_columns, kg_per_ha, soil_columns
from interpretation.agronomy.scopes import Reader, RowsOf, codes_of, groups
from interpretation.agronomy.tables import YIELD_UNITS, TableSet
from interpretation.agronomy.values import ClassedValues, class_values
from interpretation.errors import SampleListError
from interpretation.soil_values import soil_values as checked_soil_values

# What a field's report says once, for all its samples.
FIELD_COLUMNS = (
    "field_name", "farm_name", "grower_name", "region", "crop", "yield_goal", "yield_unit", "previous_crop",
    "area_ha",
)  # fmt: skip


@dataclass(frozen=True)
class Advice:
    """Everything worked out for a batch of samples.

    Attributes
    ----------
    context
        One row a sample: :data:`interpretation.agronomy.context.CONTEXT`.
    classed
        One row a soil value, with its class: :mod:`interpretation.agronomy.values`.
    rated
        One row for each sample and nutrient, with its working: :mod:`interpretation.agronomy.rated`.
    noted
        One row for each sample and note: :mod:`interpretation.agronomy.notes`.
    columns
        What formulas saw: one column a name, one element a sample.
    tables
        The tables all of it was worked out from.
    measured
        What stands behind each value that was worked out from another method's:
        :data:`interpretation.agronomy.extractants.MEASURED`, indexed by the rows of ``classed``.
    """

    context: pd.DataFrame
    classed: ClassedValues
    rated: RatedSamples
    noted: pd.DataFrame
    columns: dict[str, Column]
    tables: TableSet
    measured: pd.DataFrame

    @cached_property
    def measured_behind(self) -> dict[int, dict[Hashable, Any]]:
        """Rows of ``measured`` by row of ``classed``."""
        rows = zip(self.measured.index, self.measured.to_dict("records"), strict=True)
        return {int(row): values for row, values in rows}

    @cached_property
    def turned_behind(self) -> dict[int, dict[Hashable, Any]]:
        """Rows of ``classed.turned`` by row of ``classed``."""
        turned = self.classed.turned
        return dict(zip(turned.index, turned.to_dict("records"), strict=True))

    @cached_property
    def samples_of_field(self) -> dict[str, NDArray[np.int64]]:
        """Rows of the context for each field, fields in the order of the list of samples."""
        field = self.context["field_id"]
        return dict(zip(field.drop_duplicates(), groups(codes_of(field)), strict=True))

    @cached_property
    def read(self) -> dict[str, Reader]:
        """Rows of ``context``, ``classed``, ``rated`` and ``noted``, for those who take them one by one."""
        frames = {"context": self.context, "classed": self.classed.frame, "rated": self.rated.frame}
        return {name: Reader(frame) for name, frame in (frames | {"noted": self.noted}).items()}

    @cached_property
    def rows_of_sample(self) -> dict[str, RowsOf]:
        """Where each sample's rows stand in ``classed``, ``rated`` and ``noted``."""
        frames = {"classed": self.classed.frame, "rated": self.rated.frame, "noted": self.noted}
        return {name: RowsOf(frame["sample"].to_numpy(), len(self.context)) for name, frame in frames.items()}


def advise(
    soil_values: pd.DataFrame, tables: TableSet, context: pd.DataFrame, convert: Sequence[str] = ()
) -> Advice:
    """Class soil values, work out amounts and choose notes, for any number of samples.

    Parameters
    ----------
    soil_values
        Columns of :data:`interpretation.soil_values.COLUMNS`, one row a value, any order. They may come
        from many runs and benches.
    tables
        Everything in force.
    context
        Columns of :data:`interpretation.agronomy.context.CONTEXT`, one row a sample. A sample without soil
        values keeps its place.
    convert
        Ids of the published equations between methods that a person switched on; none if left out. See
        :func:`interpretation.agronomy.extractants.convert_values`.

    Returns
    -------
    Advice

    Raises
    ------
    SampleListError
        A column is missing, a lab number is listed twice or not at all, a region, crop or unit of yield is
        unknown, or a soil group is none of its region's.
    FurrowsliceError
        A conversion is unknown, or two are switched on for one method of a region.

    Notes
    -----
    Everything is worked out on whole columns; a table is looked up once for each combination of region,
    crop, method, depth and period that occurs.

    Examples
    --------
    ``interpretation.agronomy.records.field_advice`` turns the result into one field's record:

    >>> from interpretation.agronomy.context import CONTEXT
    >>> from interpretation.soil_values import COLUMNS
    >>> nothing = pd.DataFrame(columns=list(COLUMNS)), pd.DataFrame(columns=list(CONTEXT))
    >>> len(advise(nothing[0], TableSet(), nothing[1]).rated.frame)
    0
    """
    known = checked_context(context, tables)
    soil = checked_soil_values(soil_values).reset_index(drop=True)
    converted = convert_values(soil, known, tables, convert)
    classed = class_values(converted, known, tables)
    columns = context_columns(known, tables) | soil_columns(classed, tables, len(known))
    columns["nitrate_kg_per_ha"] = kg_per_ha(
        columns["nitrate_mg_per_kg"], columns["depth_cm"], columns["bulk_density_g_per_cm3"]
    )
    columns["converted"] = np.zeros(len(known))
    columns["converted"][classed.frame["sample"].to_numpy()[converted.measured.index]] = 1.0
    rated = rate_samples(classed, columns, known, tables)
    columns |= rate_columns(rated.frame, tables, len(known))
    noted = choose_notes(tables, columns, known["region"])
    return Advice(known, classed, rated, noted, columns, tables, converted.measured)


def field_ids(advice: Advice) -> tuple[str, ...]:
    """Fields of a batch, in the order of the list of samples."""
    return tuple(advice.samples_of_field)


def checked_context(context: pd.DataFrame, tables: TableSet) -> pd.DataFrame:
    """Type what is known of samples, and refuse what no table could be looked up by.

    Parameters
    ----------
    context, tables
        As for :func:`advise`.

    Returns
    -------
    pandas.DataFrame
        The columns of ``CONTEXT``, typed, one row a sample.

    Raises
    ------
    SampleListError
        As :func:`advise`.
    """
    missing = [name for name in CONTEXT if name not in context]
    if missing:
        raise SampleListError(
            f"the list of samples lacks the column {missing[0]!r}",
            expected=", ".join(CONTEXT),
            fix="add the column; leave a cell empty where a figure is not known",
        )
    known = context[list(CONTEXT)].astype(CONTEXT).reset_index(drop=True)
    twice = known["lab_number"].duplicated()
    if twice.any():
        raise SampleListError(
            f"lab number {known['lab_number'][twice].iloc[0]} is listed twice",
            where=f"sample {int(twice.to_numpy().argmax()) + 1}",
            expected="one row a sample",
            fix="give every sample its own number",
        )
    for column, allowed in (
        ("region", [*tables.regions]),
        ("crop", [*tables.crops]),
        ("previous_crop", ["", *tables.crops]),
        ("yield_unit", ["", *YIELD_UNITS]),
    ):
        unknown = ~known[column].isin(allowed)
        if unknown.any():
            raise SampleListError(
                f"unknown {column.replace('_', ' ')} {known[column][unknown].iloc[0]!r}",
                where=f"lab number {known['lab_number'][unknown].iloc[0]}",
                expected=f"one of {', '.join(name or '(empty)' for name in sorted(allowed))}",
                fix="correct the name" + ("" if column == "yield_unit" else ", or add it to the tables"),
            )
    _refuse_unknown_soil_groups(known, tables)
    _refuse_mixed_fields(known)
    return known


def _refuse_unknown_soil_groups(context: pd.DataFrame, tables: TableSet) -> None:
    """A soil group is a word of the sample's own region: misspelt, it would match no table in silence."""
    for rows in groups(codes_of(context["region"], context["soil_group"])):
        first = context.iloc[rows[0]]
        words = tables.regions[first["region"]].soil_groups
        if first["soil_group"] and first["soil_group"] not in words:
            known = "; ".join(f"{word} ({meaning})" for word, meaning in words.items())
            raise SampleListError(
                f"unknown soil group {first['soil_group']!r} of region {first['region']}",
                where=f"lab number {first['lab_number']}",
                expected=f"one of {known}, or an empty cell" if known else "an empty cell; it has none",
                fix="correct the word, or leave the cell empty where the soil group is not known",
            )


def _refuse_mixed_fields(context: pd.DataFrame) -> None:
    """Samples of one field share a report, so they must agree on what its head says."""
    field = codes_of(context["field_id"])
    for name in FIELD_COLUMNS:
        together = codes_of(field, context[name])
        if len(together) and together.max() != field.max():
            kinds = pd.Series(together).groupby(field).nunique().to_numpy()
            first = context["field_id"].iloc[int((field == (kinds > 1).argmax()).argmax())]
            raise SampleListError(
                f"samples of field {first} differ in {name.replace('_', ' ')}",
                where=f"field {first}",
                expected="one " + name.replace("_", " ") + " for all samples of a field",
                fix="correct it, or give the parts of the field their own field ids",
            )
