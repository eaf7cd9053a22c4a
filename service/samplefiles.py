"""Lists of samples and of bench values in our own format into the frames the science works on.

One format, text or workbook: comma, decimal point, UTF-8, days as 2026-03-04, yes and no; the titles are
the names of the columns themselves. ``Dialect`` declares another delimiter, mark or encoding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.tables import YIELD_UNITS
from interpretation.errors import BasisError, FurrowsliceError, SampleListError
from interpretation.quantities import ANALYTES, BASES, SOIL_UNITS, form_factor
from interpretation.soil_values import soil_values
from service import cells
from service.characters import UNSEEN
from service.grids import Column, Grid, Table, fold, table_at
from service.layout import Dialect
from service.reading import read_grid
from service.registration import COLUMNS as REGISTERING
from service.registration import REGISTRATION, registration_columns

OWN = Dialect(encoding="utf-8-sig", less_than="<")  # with or without a byte order mark

PREPARATION: dict[str, str] = {
    "lab_number": "str",
    "soil_g": "float64",  # as weighed; NaN: the method's
    "extract_ml": "float64",  # NaN: the method's
    "moisture_percent": "float64",  # of the soil as received, on oven-dry mass; NaN: not known
    "air_dry_moisture_percent": "float64",  # of the air-dry soil, on oven-dry mass; NaN: not known
    "ph_water": "float64",
    "lime_percent": "float64",
    "depth_from_cm": "float64",
    "depth_to_cm": "float64",
    "sampled_on": "datetime64[us]",
}
REQUIRED = (
    "lab_number", "field_id", "field_name", "farm_name", "grower_name", "region", "crop", "depth_from_cm",
    "depth_to_cm", "sampled_on",
)  # fmt: skip
# Samples of one field share one report, so they share these.
OF_THE_FIELD = (
    "field_name", "farm_name", "grower_name", "region", "crop", "yield_goal", "yield_unit", "previous_crop",
    "area_ha",
)  # fmt: skip
BENCH_REQUIRED = ("lab_number", "analyte", "form", "method", "value", "unit", "basis")
BENCH_OPTIONAL = ("standard_uncertainty", "origin")

# What a number may be: lowest, highest, and whether the lowest itself is left out. Wide on purpose: they
# catch a slipped decimal mark or a wrong unit, not an unusual soil.
_RANGES: dict[str, tuple[float, float, bool]] = {
    "yield_goal": (0, 20_000, True),  # lb/ac of hay; what the crop can yield is the crop's file to say
    "area_ha": (0, 100_000, True),
    "depth_from_cm": (0, 300, False),
    "depth_to_cm": (0, 300, True),
    "cores": (1, 1000, False),
    "bulk_density_g_per_cm3": (0.05, 2.65, False),  # peat to the density of quartz
    "lime_percent": (0, 100, False),
    "manure_n_kg_per_ha": (0, 1000, False),
    "manure_p2o5_kg_per_ha": (0, 1000, False),
    "manure_k2o_kg_per_ha": (0, 2000, False),
    "soil_g": (0, 1000, True),
    "extract_ml": (0, 10_000, True),
    "moisture_percent": (0, 2000, False),  # of the dry mass: above 100 on organic soils
    "air_dry_moisture_percent": (0, 100, False),
    "ph_water": (0, 14, False),
}
# The same of soil values, by unit. A pH of 63 or 0.63 is a slipped mark, and would have a class; pure matter
# has 100 %, and only lime in an extract can count as more bases; slightly negative contents are noise about
# zero, and have no class.
_VALUE_RANGES: dict[str, tuple[float, float]] = {
    "pH": (2, 12),
    "%": (-100, 100),
    "g/kg": (-1000, 1000),
    "mg/kg": (-1e6, 1e6),
    "mg/dm3": (-1e6, 1e6),
    "ug/kg": (-1e9, 1e9),
    "cmol/kg": (-1000, 1000),
    "cmol/dm3": (-1000, 1000),
    "dS/m": (-1000, 1000),
    "ratio": (-1000, 1000),
    "kg/ha": (-1e6, 1e6),  # the most there can be of calcium, the whole layer sampled
    "lb/ac": (-1e6, 1e6),
    "index": (0, 10_000),  # from ratings 0 to 4 to indices that count pounds an acre
}
# Yes, no, or not known: a blank cell says nothing, and must not be taken for a no.
_YES_NO_UNKNOWN = ("manured_since_harvest", "manured_in_three_years")
_IDENTIFIERS = ("lab_number", "field_id", "region", "crop", "previous_crop")


@dataclass(frozen=True)
class Samples:
    """One list of samples.

    Attributes
    ----------
    context
        Columns and types of ``interpretation.agronomy.context.CONTEXT``, one row a sample.
    preparation
        Columns and types of :data:`PREPARATION`, the same samples in the same order.
    registration
        Columns and types of :data:`service.registration.REGISTRATION`, the same samples in the same order:
        what a server registers besides, and the row of each sample.
    """

    context: pd.DataFrame
    preparation: pd.DataFrame
    registration: pd.DataFrame


def read_samples(path: Path, dialect: Dialect = OWN) -> Samples:
    r"""Read a list of samples (CSV or .xlsx).

    Parameters
    ----------
    path
        One row a sample. Columns :data:`REQUIRED` must be there and filled (``grower_name`` may be
        blank); any other column of ``CONTEXT`` and :data:`PREPARATION` may be missing or blank: no
        number then, an empty text, no manure, not near water, no example. ``yield_unit`` is a
        ``YieldUnit``; left blank, the goal is in the crop's own unit. ``manured_since_harvest`` and
        ``manured_in_three_years`` say yes, no or, left blank, that it is not known. Where the field was
        manured since the harvest, a blank amount of manure is not known instead of none. Columns of
        ``service.registration.REGISTRATION`` may be there too.
    dialect
        How the file is written; our own format by default.

    Returns
    -------
    Samples
        Context, preparation and registration of the same samples.

    Raises
    ------
    SampleListError
        With file, row and column.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "samples.csv"
    >>> row = ["0012", "F1", "Long Acre", "A farm", "", "marrowdale", "maize", "0", "20", "2026-03-02"]
    >>> _ = path.write_text(",".join(REQUIRED) + "\n" + ",".join(row))
    >>> read_samples(path).context["lab_number"].tolist()
    ['0012']
    """
    return samples_in(read_grid(path, dialect, SampleListError), dialect)


def samples_in(grid: Grid, dialect: Dialect = OWN) -> Samples:
    """Read a list of samples whose cells are at hand; as :func:`read_samples`."""
    table = table_at(grid, 0)
    kinds = CONTEXT | PREPARATION
    wanted = [*kinds, *REGISTERING]
    table.check_columns(wanted, optional=[name for name in wanted if name not in REQUIRED])
    columns = {name: _column(table, name, dtype, dialect) for name, dtype in kinds.items()}
    _check_depths(table, columns)
    _check_days(table, columns)
    numbers = columns["lab_number"]
    cells.refuse_repeated(table.column("lab_number"), [(number,) for number in numbers], "lab number")
    _check_fields(table, columns)
    manured = columns["manured_since_harvest"] == 1  # how much it brought is then not known, and is not 0
    for name in ("manure_n_kg_per_ha", "manure_p2o5_kg_per_ha", "manure_k2o_kg_per_ha"):
        columns[name] = np.where(np.isnan(columns[name]) & ~manured, 0.0, columns[name])
    frame = pd.DataFrame(columns).astype(kinds)
    registration = pd.DataFrame(registration_columns(table, dialect)).astype(REGISTRATION)
    return Samples(frame[list(CONTEXT)], frame[list(PREPARATION)], registration)


def _column(table: Table, name: str, dtype: str, dialect: Dialect) -> Any:
    """One column typed, or what a column that is not there means."""
    if not table.has(name):
        missing = {"str": "", "float64": np.nan, "bool": False}.get(dtype, np.datetime64("NaT", "us"))
        return np.full(len(table.indices), missing)
    column, required = table.column(name), name in REQUIRED
    if name in _IDENTIFIERS:
        return cells.ids(column, required=required)
    if name == "yield_unit":
        return cells.words(column, {"": ""} | {fold(unit): unit for unit in YIELD_UNITS}, "unit of yield")
    if name in _YES_NO_UNKNOWN:
        return cells.yes_no_unknown(column, dialect)
    if dtype == "str":
        return cells.names(column, required=required and name != "grower_name")
    if dtype == "bool":
        return cells.yes_no(column, dialect)
    if dtype == "float64":
        values = cells.numbers(column, dialect, required=required)
        low, high, open_low = _RANGES[name]
        cells.check_range(column, values, low, high, open_low=open_low)
        return values
    return cells.dates(column, dialect, required=required)


def _check_depths(table: Table, columns: dict[str, Any]) -> None:
    wrong = columns["depth_from_cm"] >= columns["depth_to_cm"]
    if wrong.any():
        index = int(wrong.argmax())
        raise table.column("depth_to_cm").refuse(
            index, f"the layer ends at {columns['depth_to_cm'][index]:g} cm and starts at "
            f"{columns['depth_from_cm'][index]:g} cm",
            expected="depth_from_cm smaller than depth_to_cm, as 0 and 20", fix="correct the two depths",
        )  # fmt: skip


def _check_days(table: Table, columns: dict[str, Any]) -> None:
    wrong = columns["received_on"] < columns["sampled_on"]
    if wrong.any():
        index = int(wrong.argmax())
        raise table.column("received_on").refuse(
            index, "the sample was received before it was taken",
            expected="received_on on or after sampled_on", fix="correct one of the two days",
        )  # fmt: skip


def _check_fields(table: Table, columns: dict[str, Any]) -> None:
    written: dict[str, str] = {}
    for index, field in enumerate(columns["field_id"]):
        other = written.setdefault(field.casefold(), field)
        if other != field:
            raise table.column("field_id").refuse(
                index, f"the field ids {other} and {field} differ in capital letters only",
                expected="one spelling of every field id; reports are named after it",
                fix="write both alike if they are one field, or else rename one",
            )  # fmt: skip
    fields = columns["field_id"]
    for name in OF_THE_FIELD:
        values = [None if value != value else value for value in columns[name]]  # NaN equals NaN here
        if len(set(zip(fields, values, strict=True))) > len(written):
            raise _two_of_a_field(table, name, fields, values)


def _two_of_a_field(table: Table, name: str, fields: list[str], values: list[Any]) -> FurrowsliceError:
    """Find the first sample that disagrees with another one of its field."""
    first: dict[str, int] = {}
    index, start = next(
        (index, first[field])
        for index, field in enumerate(fields)
        if values[first.setdefault(field, index)] != values[index]
    )
    here, there = ("nan" if value is None else value for value in (values[index], values[start]))
    return table.column(name).refuse(
        index, f"field {fields[index]} has the {name} {here} here and {there} in row {table.rows[start]}",
        expected="one value for all samples of a field: they share a report",
        fix="correct one of them, or give the samples different field ids",
    )  # fmt: skip


def read_bench(path: Path, context: pd.DataFrame, dialect: Dialect = OWN) -> pd.DataFrame:
    """Read soil values from another bench, or from another laboratory's paper (CSV or .xlsx).

    Parameters
    ----------
    path
        One row a value: columns :data:`BENCH_REQUIRED`, and perhaps :data:`BENCH_OPTIONAL`. A value may
        be a limit, ``<0.5``.
    context
        The samples the values belong to; gives each value its depth and day.
    dialect
        How the file is written; our own format by default.

    Returns
    -------
    pandas.DataFrame
        Columns and types of ``interpretation.soil_values.COLUMNS``.

    Raises
    ------
    SampleListError
        With file, row and column: for a value without method, form, unit or basis, for a form that is
        not the analyte's, for a lab number that is not in ``context``, for one value given twice.
    """
    file = f"bench file {UNSEEN.sub('?', path.name)}"  # a file may be called anything, a page may not say it
    return bench_in(read_grid(path, dialect, SampleListError), context, file, dialect)


def bench_in(grid: Grid, context: pd.DataFrame, origin: str, dialect: Dialect = OWN) -> pd.DataFrame:
    """Read soil values whose cells are at hand; as :func:`read_bench`.

    ``origin`` is said of the values whose row does not say where they come from.
    """
    table = table_at(grid, 0)
    table.check_columns((*BENCH_REQUIRED, *BENCH_OPTIONAL), optional=BENCH_OPTIONAL)
    parsers: dict[str, Callable[[Column], Any]] = {
        "lab_number": partial(cells.ids, required=True),
        "analyte": partial(cells.words, meanings={fold(key): key for key in ANALYTES}, what="analyte"),
        "form": partial(cells.names, required=True),
        "method": _methods,
        "unit": partial(cells.words, meanings={fold(unit): unit for unit in SOIL_UNITS}, what="unit"),
        "basis": partial(cells.words, meanings={fold(basis): basis for basis in BASES}, what="basis"),
    }
    columns = {name: parse(table.column(name)) for name, parse in parsers.items()}
    columns["value"], columns["below"] = _values(table.column("value"), dialect)
    columns["standard_uncertainty"] = _uncertainty(table, dialect)
    _check_sizes(table, columns)
    named = cells.names(table.column("origin")) if table.has("origin") else [""] * len(table.indices)
    columns["origin"] = [text or origin for text in named]
    _check_forms(table, columns)
    keys = list(zip(columns["lab_number"], columns["analyte"], columns["method"], strict=True))
    cells.refuse_repeated(table.column("lab_number"), keys, "value")
    return soil_values(pd.DataFrame(columns | _places(table, columns["lab_number"], context)))


def _methods(column: Column) -> list[str]:
    """Method ids, which have a colon that no lab number has."""
    methods = cells.names(column, required=True, longest=120)
    for index, method in enumerate(methods):
        if not cells.METHOD_ID.fullmatch(method):
            raise column.refuse(
                index, f"{method!r} is no method id", expected="the id of a file in tables/methods",
                fix="write the id as in the method's file, such as ph-water-1:1",
            )  # fmt: skip
    return methods


def _values(column: Column, dialect: Dialect) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    values, below = cells.limits(column, dialect)
    nothing = np.isnan(values) & np.isnan(below)
    if nothing.any():
        raise column.refuse(
            int(nothing.argmax()), "the cell is empty", expected="a number, or a limit such as <0.5",
            fix="leave the row out when nothing was measured",
        )  # fmt: skip
    cells.check_range(column, below, 0, np.inf, open_low=True)
    return values, below


def _uncertainty(table: Table, dialect: Dialect) -> NDArray[np.float64]:
    if not table.has("standard_uncertainty"):
        return np.full(len(table.indices), np.nan)
    column = table.column("standard_uncertainty")
    values = cells.numbers(column, dialect)
    cells.check_range(column, values, 0, np.inf)
    return values


def _check_sizes(table: Table, columns: dict[str, Any]) -> None:
    keys = zip(columns["analyte"], columns["unit"], strict=True)
    ranges = [(0, 1000) if key == "base-saturation" else _VALUE_RANGES[unit] for key, unit in keys]
    low, high = np.array(ranges).T
    misplaced = {
        "value": (columns["value"] < low) | (columns["value"] > high) | (columns["below"] > high),
        "standard_uncertainty": columns["standard_uncertainty"] > high,
    }
    for name, wrong in misplaced.items():
        if wrong.any():
            index = int(wrong.argmax())
            raise table.column(name).refuse(
                index, f"{columns['analyte'][index]} has no such {name.replace('_', ' ')}",
                expected=f"from {low[index]:g} to {high[index]:g} {columns['unit'][index]}",
                fix="correct the decimal mark, the value or its unit",
            )  # fmt: skip


def _check_forms(table: Table, columns: dict[str, Any]) -> None:
    for index, (analyte, form) in enumerate(zip(columns["analyte"], columns["form"], strict=True)):
        try:
            form_factor(analyte, form, form)
        except BasisError as error:
            raise table.column("form").refuse(
                index, error.what, expected=error.expected, fix="state the form the number counts"
            ) from None


def _places(table: Table, numbers: list[str], context: pd.DataFrame) -> dict[str, Any]:
    """Depth and day of each value, from the sample it belongs to."""
    at = pd.Index(context["lab_number"]).get_indexer(pd.Index(numbers))
    if (at < 0).any():
        index = int((at < 0).argmax())
        raise table.column("lab_number").refuse(
            index, f"no sample has the lab number {numbers[index]!r}",
            expected="a lab number of the list of samples", fix="correct it, or add the sample to the list",
        )  # fmt: skip
    return {name: context[name].to_numpy()[at] for name in ("depth_from_cm", "depth_to_cm", "sampled_on")}
