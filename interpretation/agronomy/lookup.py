"""Which table holds for a value: exact scope, exact dates, never another region's table.

Both functions answer for one combination of region, crop, method and day. A batch of a million values has
few combinations: callers loop over the unique ones and spread the answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import TypeVar

from interpretation.agronomy.tables import Conversion, RateTable, ScaleTable, Scoped, TableSet
from interpretation.errors import NoTableApplies
from interpretation.quantities import DEPTH_TOLERANCE_CM
from interpretation.quantities import analyte as known_analyte

T = TypeVar("T", bound=Scoped)
Depth = tuple[float, float] | None
Misses = dict[str, str]  # what failed -> what the table says and what the value says


def scale_applying(
    tables: TableSet,
    *,
    region: str,
    crop: str,
    analyte: str,
    form: str,
    method: str,
    unit: str,
    basis: str,
    depth_cm: tuple[float, float],
    texture: str,
    on: date,
    soil_group: str = "",
) -> ScaleTable:
    """Find the class scale for one kind of soil value.

    Parameters
    ----------
    tables
        Everything in force.
    region, crop
        Ids. A region's value is never classed in another region's table.
    analyte, form, method, unit, basis
        What the value is; each must be the table's own. The unit may be the method's, too, where the table
        says how many of its own unit one of the method's makes (:func:`units_of`).
    depth_cm
        Sampled layer, from and to; must be the table's within 0.5 cm.
    texture
        Soil texture, ``""`` when not known.
    on
        The day the soil was taken; both ends of a table's period belong to it.
    soil_group
        Word of the region's own for the kind of soil, ``""`` when not known.

    Returns
    -------
    ScaleTable

    Raises
    ------
    NoTableApplies
        Naming all of these and which of them failed in the nearest table.

    Examples
    --------
    >>> scale_applying(TableSet(), region="r", crop="maize", analyte="P", form="P", method="m",
    ...     unit="mg/kg", basis="air-dry", depth_cm=(0, 20), texture="", on=date(2026, 3, 1)
    ... )  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    interpretation.errors.NoTableApplies: r: no scale of this region covers P by m in maize, ...
    """
    candidates = [t for t in tables.scales.values() if t.region == region and t.analyte == analyte]
    misses = {
        t.id: _scope_misses(t, crop, depth_cm, texture, soil_group, on)
        | _unequal("form", t.form or known_analyte(t.analyte).form, form)
        | _unequal("method", t.method, method)
        | _unequal("unit", " or ".join(units_of(t, tables)), unit, among=units_of(t, tables))
        | _unequal("basis", t.basis, basis)
        for t in candidates
    }
    asked = (
        f"{analyte} by {method} in {crop}, {unit} {form}, {basis}, {_depth(depth_cm)}, "
        f"{_soil(texture, soil_group)}, on {_day(on)}"
    )
    return _only(candidates, misses, kind="scale", region=region, subject="analyte", asked=asked)


def rate_applying(
    tables: TableSet,
    *,
    region: str,
    crop: str,
    nutrient: str,
    on: date,
    texture: str = "",
    methods: Sequence[str] = (),
    depth_cm: Depth = None,
    soil_group: str = "",
) -> RateTable | None:
    """Find the rate table of one nutrient.

    Parameters
    ----------
    methods
        Methods the sample was measured by, the preferred one first. A table that names a method holds only
        when that method is among them; of several, the earliest in the list wins.
    depth_cm
        Sampled layer; compared when the table names one. ``None`` does not compare.
    soil_group
        Word of the region's own for the kind of soil, ``""`` when not known.

    Returns
    -------
    RateTable or None
        ``None`` when the region has no table of this nutrient for this crop at any time: it makes no
        recommendation.

    Raises
    ------
    NoTableApplies
        When it has one, but not for this method, depth, texture, soil group or day.
    """
    candidates = [
        t
        for t in tables.rates.values()
        if t.region == region and t.nutrient == nutrient and _covers_crop(t, crop)
    ]
    if not candidates:
        return None
    misses = {
        t.id: _scope_misses(
            t, crop, depth_cm if depth_cm and t.depth_cm else t.depth_cm, texture, soil_group, on
        )
        | _not_among("method", t.method, methods)
        for t in candidates
    }
    # Tables for the less preferred of two measured methods stand back.
    fitting = [t.method for t in candidates if not misses[t.id] and t.method]
    preferred = min(fitting, key=methods.index, default=None)
    candidates = [t for t in candidates if misses[t.id] or t.method in (None, preferred)]
    asked = (
        f"{nutrient} for {crop} by {' or '.join(methods) or 'no soil test'}, {_depth(depth_cm)}, "
        f"{_soil(texture, soil_group)}, on {_day(on)}"
    )
    return _only(candidates, misses, kind="rate table", region=region, subject="nutrient", asked=asked)


def units_of(scale: ScaleTable, tables: TableSet) -> tuple[str, ...]:
    """Units that a value may have in a scale: the scale's own, and its method's where it tells the factor."""
    method = tables.methods.get(scale.method)
    return (scale.unit,) if scale.per_method_unit is None or method is None else (scale.unit, method.unit)


def asked_for(
    candidates: Sequence[ScaleTable | RateTable], failed: Sequence[str], tables: TableSet
) -> dict[str, str]:
    """Tell what the nearest tables ask for in each respect that did not match.

    Parameters
    ----------
    candidates
        Tables of the value's region.
    failed
        What did not match: ``NoTableApplies.failed``.

    Returns
    -------
    dict
        ``wanted_method`` and the like, several after commas; depths as ``0-61`` in cm. Of days
        ``wanted_from``, and ``wanted_to`` where the last of the tables ends.

    Examples
    --------
    >>> asked_for([], ("depth",), TableSet())
    {}
    """
    told: dict[str, str] = {}
    for what in failed:
        found = dict.fromkeys(each for table in candidates for each in _asked(what, table, tables))
        if found:
            told[f"wanted_{what}"] = ",".join(found)
    if "day" in failed and candidates:
        told["wanted_from"] = f"{min(table.effective_from for table in candidates)}"
        ends = [table.effective_to for table in candidates]
        told |= {"wanted_to": f"{max(end for end in ends if end)}"} if all(ends) else {}
    return told


def _asked(what: str, table: ScaleTable | RateTable, tables: TableSet) -> Sequence[str]:
    match what:
        case "crop":
            return () if table.crops == "any" else table.crops
        case "depth":
            return () if table.depth_cm is None else [f"{table.depth_cm[0]:g}-{table.depth_cm[1]:g}"]
        case "texture":
            return table.textures
        case "soil-group":
            return table.soil_groups
        case "unit" if isinstance(table, ScaleTable):
            return units_of(table, tables)
        case "form" if isinstance(table, ScaleTable):
            return [table.form or known_analyte(table.analyte).form]
        case "method" | "basis":
            value = getattr(table, what)
            return [value] if value else ()
    return ()


def in_force(table: Scoped | Conversion, on: date) -> bool:
    """Whether a day lies in a table's period; first and last day belong to it."""
    day = on.date() if isinstance(on, datetime) else on
    return table.effective_from <= day and (table.effective_to is None or day <= table.effective_to)


def _only(
    candidates: Sequence[T], misses: Mapping[str, Misses], *, kind: str, region: str, subject: str, asked: str
) -> T:
    """Return the one table without misses, or say what is the matter with the nearest."""
    fitting = [t for t in candidates if not misses[t.id]]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        error = NoTableApplies(
            f"two tables cover {asked}: {', '.join(t.id for t in fitting)}",
            where=region,
            expected="exactly one",
            fix="end the period of one of them, or part their crops, textures or soil groups",
        )
        error.failed = ("ambiguous",)
        raise error

    def distance(table: str) -> tuple[int, bool]:
        return len(misses[table]), "method" in misses[table]

    nearest = min(misses, key=distance, default=None)
    but = f". The nearest is {nearest}, but {'; '.join(misses[nearest].values())}" if nearest else ""
    error = NoTableApplies(
        f"no {kind} of this region covers {asked}{but}",
        where=region,
        expected=f"a {kind} of {region} that matches in crop, method, form, unit, basis, depth and day",
        fix="add the table, or measure by the method the region's table is for; nothing is borrowed",
    )
    error.failed = tuple(misses[nearest]) if nearest else (subject,)
    error.nearest = tuple(table for table in misses if nearest and tuple(misses[table]) == error.failed)
    raise error


def _scope_misses(
    table: Scoped, crop: str, depth_cm: Depth, texture: str, soil_group: str, on: date
) -> Misses:
    misses: Misses = {}
    if not _covers_crop(table, crop):
        misses["crop"] = f"it is for {', '.join(table.crops)}, not {crop}"
    if table.depth_cm and not _same_depth(table.depth_cm, depth_cm):
        misses["depth"] = f"it is for {_depth(table.depth_cm)}, and this sample is {_depth(depth_cm)}"
    if table.textures and texture not in table.textures:
        found = f"is {texture}" if texture else "has no known texture"
        misses["texture"] = f"it is for {', '.join(table.textures)}, and this soil {found}"
    if table.soil_groups and soil_group not in table.soil_groups:
        found = f"is {soil_group}" if soil_group else "has no known soil group"
        misses["soil-group"] = f"it is for soils {', '.join(table.soil_groups)}, and this soil {found}"
    if not in_force(table, on):
        end = f"to {table.effective_to}" if table.effective_to else "onwards"
        misses["day"] = f"it holds from {table.effective_from} {end}, not on {_day(on)}"
    return misses


def _unequal(what: str, wanted: str, found: str, among: Sequence[str] = ()) -> Misses:
    if found in (among or (wanted,)):
        return {}
    return {what: f"its {what} is {wanted}, and this value's is {found or 'missing'}"}


def _not_among(what: str, wanted: str | None, found: Iterable[str]) -> Misses:
    if wanted is None or wanted in found:
        return {}
    return {what: f"its {what} is {wanted}, and this sample was measured by {', '.join(found) or 'none'}"}


def _covers_crop(table: Scoped, crop: str) -> bool:
    return table.crops == "any" or crop in table.crops


def _same_depth(wanted: tuple[float, float], found: Depth) -> bool:
    # A missing depth is NaN, and NaN is within no tolerance.
    return found is not None and all(
        abs(a - b) <= DEPTH_TOLERANCE_CM for a, b in zip(wanted, found, strict=True)
    )


def _soil(texture: str, soil_group: str) -> str:
    """Texture, which most tables ask for, and the soil group where one is known."""
    return f"texture {texture or 'not known'}" + (f", soil group {soil_group}" if soil_group else "")


def _depth(depth_cm: Depth) -> str:
    return f"{depth_cm[0]:g}-{depth_cm[1]:g} cm" if depth_cm else "depth not known"


def _day(on: date) -> str:
    return f"{on:%Y-%m-%d}"
