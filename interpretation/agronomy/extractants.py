"""Published equations between two laboratory methods, used only where a person switched one on.

Another extractant dissolves another part of a nutrient: no equation turns one result into the other, it only
says what the other method gave, on the average, on the soils of one study. So nothing is converted unasked,
never in another region, never outside the values the equation was made for, and what is worked out keeps
beside it what was measured.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.classing import reported_as
from interpretation.agronomy.formula import Expression, parse
from interpretation.agronomy.lookup import in_force
from interpretation.agronomy.scopes import codes_of, groups
from interpretation.agronomy.tables import Conversion, TableSet
from interpretation.errors import FurrowsliceError
from interpretation.methods import Method

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

# What stays known of a value that was worked out: the row as it was measured, and the id of the equation.
MEASURED: dict[str, str] = {
    "method": "str",
    "form": "str",
    "unit": "str",
    "basis": "str",
    "value": "float64",
    "below": "float64",
    "standard_uncertainty": "float64",
    "conversion": "str",
}
OUTSIDE, NO_ANSWER = "outside-conversion", "not-convertible"
_POINTS = 101  # measured values at which the run of an equation is looked at
_STEP = 1e-4  # of the value: far below what is measured, far above the error of double arithmetic


@dataclass(frozen=True, slots=True)
class Converted:
    """Soil values after the equations that were switched on.

    Attributes
    ----------
    soil
        Columns of :data:`interpretation.soil_values.COLUMNS`, every row in its place.
    measured
        Columns of :data:`MEASURED`, indexed by the rows of ``soil`` that were worked out.
    refused
        Why a row kept its method although an equation was switched on for it: key, id of the equation, rows.
    """

    soil: pd.DataFrame
    measured: pd.DataFrame
    refused: tuple[tuple[str, str, Rows], ...] = ()


def convert_values(
    soil: pd.DataFrame, context: pd.DataFrame, tables: TableSet, ids: Sequence[str]
) -> Converted:
    """Work out what another method would have given, by the equations a person names.

    Parameters
    ----------
    soil
        Columns of :data:`interpretation.soil_values.COLUMNS`, rows numbered from 0.
    context
        Columns of :data:`interpretation.agronomy.context.CONTEXT`, one row a sample.
    tables
        Everything in force.
    ids
        Ids of ``tables.conversions``, as :func:`switched_on` takes them.

    Returns
    -------
    Converted

    Raises
    ------
    FurrowsliceError
        See :func:`switched_on`.

    Notes
    -----
    A row is converted when its region, method, form, unit, basis and day are those of an equation. The
    value becomes the equation's at the measured value. The standard uncertainty is multiplied by the
    equation's slope there (central difference), the first-order rule of the GUM for one input. The scatter
    of the soils about the equation is not published with it and is **not** in that uncertainty: a class of
    a converted value, and its probability, are only indicative.

    A row keeps its method where only that one, and not the other, has a table for its crop and day: a class
    is not taken from it.

    A limit ("< 5") is converted where the equation rises, and rounded up to the digits the other method
    reports, so that it stays true; outside the values the equation is used for, as
    they are reported, a row keeps its method and is refused. Where the sample also has a value measured
    by the other method that one stands, and the row stays as it is. Of two equations towards one method,
    a sample is given the one named first. Nothing is converted twice.

    Examples
    --------
    Ohio State University prints Bray = -8.08 + 0.832 x Mehlich-3, and 10 for 22 mg/kg:

    >>> ohio = Conversion.model_validate({
    ...     "id": "x/c", "title": "c", "region": "x", "analyte": "P", "from_method": "m3", "to_method": "b1",
    ...     "formula": "-8.08 + 0.832 * soil_test", "lowest": 10, "highest": 200, "standing": "invented",
    ...     "effective_from": "2026-01-01", "sources": ("s",)})
    >>> evaluate(ohio, np.array([22.0])).round(2)
    array([10.22])
    """
    chosen = switched_on(tables, ids)
    if not chosen:
        return Converted(soil, pd.DataFrame(columns=list(MEASURED)).astype(MEASURED))
    of_sample = context.set_index("lab_number")[["region", "crop"]]
    places = of_sample.reindex(soil["lab_number"]).set_axis(soil.index)
    out = soil.copy()
    parts: list[pd.DataFrame] = []
    refused: list[tuple[str, str, Rows]] = []
    given = {one.to_method: _samples_with(soil, one.analyte, one.to_method) for one in chosen}
    for one in chosen:
        source, target = tables.methods[one.from_method], tables.methods[one.to_method]
        rows = _rows(soil, places["region"], one, source)
        rows = rows[~soil["lab_number"].iloc[rows].isin(given[one.to_method]).to_numpy()]
        rows = rows[~_better_as_it_is(one, tables, places["crop"].iloc[rows], soil["sampled_on"].iloc[rows])]
        found, why = _worked_out(soil.iloc[rows], one, source, target)
        refused += [(key, one.id, rows[why == key]) for key in (OUTSIDE, NO_ANSWER) if (why == key).any()]
        rows, found = rows[why == ""], found[why == ""]
        parts.append(soil.iloc[rows].assign(conversion=one.id)[list(MEASURED)])
        out.loc[rows, ["method", "form", "unit", "basis"]] = (
            target.id,
            target.form,
            target.unit,
            target.basis,
        )
        out.loc[rows, ["value", "below", "standard_uncertainty"]] = found
        given[one.to_method] |= set(soil["lab_number"].iloc[rows])
    return Converted(out, pd.concat(parts).astype(MEASURED), tuple(refused))


def switched_on(tables: TableSet, ids: Sequence[str]) -> tuple[Conversion, ...]:
    """Look up the equations a person named; an id given twice counts once.

    Raises
    ------
    FurrowsliceError
        An id is unknown, or two of the equations hold for one method of one region on one day.
    """
    known = tables.conversions
    for name in ids:
        if name not in known:
            raise FurrowsliceError(
                f"there is no conversion {name!r}",
                expected=f"one of {', '.join(sorted(known))}" if known else "none: these tables hold none",
                fix="correct the id; without it, nothing is converted",
            )
    chosen = tuple(known[name] for name in dict.fromkeys(ids))
    for one, two in combinations(chosen, 2):
        if (one.region, one.from_method) == (two.region, two.from_method) and _days_meet(one, two):
            raise FurrowsliceError(
                f"{one.id} and {two.id} are both switched on, and both convert {one.from_method}",
                where=one.region,
                expected="one equation for one method of a region",
                fix="name the one that is meant",
            )
    return chosen


def equation(conversion: Conversion) -> Expression:
    """Read a conversion's formula."""
    return parse(conversion.formula, where=conversion.id, want="number")


def evaluate(conversion: Conversion, measured: Floats) -> Floats:
    """Work an equation out; NaN where it has no answer.

    Parameters
    ----------
    conversion
        The equation.
    measured
        ``(n,)``, in the unit of its ``from_method``.

    Returns
    -------
    ndarray
        ``(n,)``, in the unit of its ``to_method``.
    """
    return equation(conversion).evaluate({"soil_test": measured})


def course(conversion: Conversion) -> tuple[Floats, Floats]:
    """Measured values from the lowest to the highest the equation is used for, and its results there."""
    measured = np.linspace(conversion.lowest, conversion.highest, _POINTS)
    return measured, evaluate(conversion, measured)


def rises(conversion: Conversion) -> bool:
    """Whether a higher measured value always gives a higher result."""
    return bool((np.diff(course(conversion)[1]) > 0).all())


def slope(conversion: Conversion, measured: Floats) -> Floats:
    """Slope of the equation at measured values, by a central difference."""
    step = _STEP * np.maximum(np.abs(measured), 1.0)
    above, below = evaluate(conversion, measured + step), evaluate(conversion, measured - step)
    found: Floats = (above - below) / (2 * step)
    return found


def covers(conversion: Conversion, measured: Floats, method: Method) -> NDArray[np.bool_]:
    """Whether values, as their method reports them, lie where the equation is used; both ends belong."""
    reported, _ = reported_as(method.digits, measured)
    return (reported >= conversion.lowest - 1e-9) & (reported <= conversion.highest + 1e-9)


def available(tables: TableSet, value: Mapping[Hashable, Any], crop: str, region: str) -> tuple[str, ...]:
    """Ids of the equations that would give one soil value a method its region has tables for.

    Parameters
    ----------
    tables
        Everything in force.
    value
        One row of soil values.
    crop, region
        Of its sample.
    """
    if pd.isna(value["sampled_on"]):
        return ()
    on = value["sampled_on"].date()
    measured = np.array([value["below"] if pd.isna(value["value"]) else value["value"]])
    kind = ("analyte", "method", "form", "unit", "basis")
    found = []
    for one in tables.conversions.values():
        method = tables.methods[one.from_method]
        asked = (one.analyte, method.id, method.form, method.unit, method.basis)
        if (
            (one.region, *asked) == (region, *(value[name] for name in kind))
            and in_force(one, on)
            and covers(one, measured, method)[0]
            and _has_a_table(one, one.to_method, tables, crop, on)
        ):
            found.append(one.id)
    return tuple(sorted(found))


def _has_a_table(one: Conversion, method: str, tables: TableSet, crop: str, on: date) -> bool:
    """Whether the equation's region has a table for a method, a crop and a day."""
    return any(
        (table.region, table.analyte, table.method) == (one.region, one.analyte, method)
        and (table.crops == "any" or crop in table.crops)
        and in_force(table, on)
        for table in (*tables.scales.values(), *tables.rates.values())
    )


def _better_as_it_is(
    one: Conversion, tables: TableSet, crops: pd.Series, days: pd.Series
) -> NDArray[np.bool_]:
    """Which rows have a table for their own method and would find none for the other; once a crop and day."""
    found = np.zeros(len(crops), dtype=np.bool_)
    for rows in groups(codes_of(crops, days)):
        crop, on = crops.iloc[rows[0]], days.iloc[rows[0]].date()
        own, other = (
            _has_a_table(one, method, tables, crop, on) for method in (one.from_method, one.to_method)
        )
        found[rows] = own and not other
    return found


def _rows(soil: pd.DataFrame, regions: pd.Series, one: Conversion, method: Method) -> Rows:
    """Rows that an equation is meant for."""
    days = soil["sampled_on"]
    meant = (regions == one.region) & (days >= pd.Timestamp(one.effective_from))
    if one.effective_to is not None:
        meant &= days < pd.Timestamp(one.effective_to) + pd.Timedelta(days=1)
    for name, wanted in (
        ("analyte", one.analyte), ("method", method.id), ("form", method.form), ("unit", method.unit),
        ("basis", method.basis),
    ):  # fmt: skip
        meant &= soil[name] == wanted
    # A value given twice, in one unit or in two, is refused further on, by the name it was given under.
    twice = soil.duplicated(["lab_number", "analyte", "method"], keep=False)
    return np.flatnonzero((meant & ~twice).to_numpy())


def _samples_with(soil: pd.DataFrame, analyte: str, method: str) -> set[str]:
    return set(soil["lab_number"][(soil["analyte"] == analyte) & (soil["method"] == method)])


def _worked_out(
    soil: pd.DataFrame, one: Conversion, method: Method, target: Method
) -> tuple[Floats, NDArray[np.str_]]:
    """Value, limit and uncertainty by the equation, ``(n, 3)``, and why a row cannot be converted."""
    value, below, uncertainty = (
        soil[name].to_numpy(dtype=np.float64) for name in ("value", "below", "standard_uncertainty")
    )
    censored = np.isnan(value)
    measured = np.where(censored, below, value)
    found = evaluate(one, measured)
    answered = np.isfinite(found) & (~censored | ((found > 0) & rises(one)))
    why = np.where(covers(one, measured, method), np.where(answered, "", NO_ANSWER), OUTSIDE)
    parts = (
        np.where(censored, np.nan, found),
        np.where(censored, _rounded_up(found, target), np.nan),
        uncertainty * np.abs(slope(one, measured)),
    )
    return np.column_stack(parts), why


def _rounded_up(limits: Floats, method: Method) -> Floats:
    """Limits rounded up to the digits a method reports: what lay below the limit still does."""
    _, decimals = reported_as(method.digits, limits)
    step = 10.0 ** -decimals.astype(np.float64)
    rounded: Floats = np.ceil(limits / step - 1e-9) * step
    return np.round(rounded, 9)


def _days_meet(one: Conversion, two: Conversion) -> bool:
    first = max(one.effective_from, two.effective_from)
    return all(each.effective_to is None or each.effective_to >= first for each in (one, two))
