"""From frames to one field's record: the only place where rows become objects.

Keys of refusals and of steps have their sentences in ``reports/wording``. A refusal's values name what was
asked (``analyte``, ``method``, ``region``, ``crop``...) and what decided: ``failed`` (what no table matched)
with ``wanted_method`` and the like (what the nearest tables ask for there),
``reason`` (why the soil test was refused), ``input`` (what was missing), ``found`` and ``limit``.

Steps of a working, in order: ``table``, ``soil-test`` (``soil-test-below`` when censored), ``worked-out``
(``worked-out-below``) where it was worked out from another method's value, then one of
``class-row``, ``value-row``, ``between-rows`` and ``formula``, ``input`` for each further figure
(``yield-goal`` where its unit must be named), ``constant`` for each of the table's own, ``raw-rate``,
``credit`` for each credit, ``floor`` or ``cap`` where one acts, ``rounding``. Where nothing is due:
``table``, ``input`` and ``constant`` for each figure, ``not-due``.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from interpretation.agronomy.advise import Advice
from interpretation.agronomy.citing import method_lines, source_lines, table_lines
from interpretation.agronomy.classing import reported_as, round_half_up
from interpretation.agronomy.extractants import available
from interpretation.agronomy.lookup import asked_for, scale_applying
from interpretation.agronomy.tables import ScaleTable
from interpretation.agronomy.validity import OF_FIELD, broken
from interpretation.agronomy.values import SCOPE
from interpretation.agronomy.working import amount_of
from interpretation.errors import NoTableApplies, SampleListError
from interpretation.methods import Method
from interpretation.quantities import ON_A_FIELD
from interpretation.results import (
    ClassLimit,
    ClassProbability,
    FieldAdvice,
    MeasuredAs,
    Note,
    Refusal,
    SampleLine,
    SoilResult,
)

Row = Mapping[Hashable, Any]  # one row of a frame, by column
# What may differ between a value and every table of its region where an equation between methods helps.
CHANGED_BY_AN_EQUATION = frozenset({"analyte", "method", "form", "unit", "basis"})


def field_advice(advice: Advice, field_id: str) -> FieldAdvice:
    """Everything one field's report is made from.

    Parameters
    ----------
    advice
        Result of :func:`interpretation.agronomy.advise.advise`.
    field_id
        One of :func:`interpretation.agronomy.advise.field_ids`.

    Raises
    ------
    SampleListError
        If no sample belongs to the field.
    """
    if field_id not in advice.samples_of_field:
        raise SampleListError(
            f"no sample belongs to field {field_id!r}",
            expected=f"one of the {len(advice.samples_of_field)} fields of the list of samples",
            fix="correct the field id",
        )
    rows = advice.samples_of_field[field_id]
    samples = advice.read["context"](rows)
    head, tables = samples[0], advice.tables
    classed, rated = (advice.rows_of_sample[name](rows) for name in ("classed", "rated"))
    results = tuple(
        _result(advice, row, value)
        for row, value in zip(classed.tolist(), advice.read["classed"](classed), strict=True)
    )
    found = tuple(
        amount_of(advice, row, value)
        for row, value in zip(rated.tolist(), advice.read["rated"](rated), strict=True)
    )
    notes = _notes(advice, rows)
    lines = table_lines(results, found, tables)
    crop, region = tables.crops[head["crop"]], tables.regions[head["region"]]
    return FieldAdvice(
        field_id=field_id,
        field_name=head["field_name"],
        farm_name=head["farm_name"],
        grower_name=head["grower_name"],
        region=region.id,
        region_name=region.name,
        region_publisher=region.publisher,
        region_valid_for=region.valid_for,
        region_not_for=region.not_for,
        region_edition=region.edition,
        crop=crop.id,
        yield_goal=_number(head["yield_goal"]),
        yield_unit=head["yield_unit"] or crop.yield_unit,
        previous_crop=head["previous_crop"],
        area_ha=_number(head["area_ha"]),
        samples=tuple(_sample_line(value) for value in samples),
        results=results,
        amounts=found,
        notes=notes,
        tables=lines,
        methods=method_lines(results, tables),
        sources=source_lines(lines, results, found, notes, tables),
        runs=tuple(
            dict.fromkeys(r.origin.removeprefix("run ") for r in results if r.origin.startswith("run "))
        ),
        example=any(value["example"] for value in samples)
        or "invented" in {region.standing, *(line.standing for line in lines)},
        draft="regional-draft" in {region.standing, *(line.standing for line in lines)},
    )


def _number(value: float) -> float | None:
    return None if pd.isna(value) else float(value)


def _day(value: Any) -> date | None:
    return None if pd.isna(value) else value.date()


def _result(advice: Advice, row: int, value: Row) -> SoilResult:
    scale = advice.tables.scales[value["table"]] if isinstance(value["table"], str) else None
    index = int(value["class_index"])
    classed = scale is not None and index >= 0
    return SoilResult(
        **{
            name: value[name]
            for name in ("lab_number", "analyte", "form", "method", "unit", "basis", "origin")
        },
        value=_number(value["reported"]),
        decimals=value["decimals"],
        below=_number(value["below"]),
        standard_uncertainty=_number(value["standard_uncertainty"]),
        class_name=scale.classes[index].name if scale and classed else None,
        class_index=index if classed else None,
        limits=_limits(scale),
        scale_top=scale.scale_top if scale else None,
        adequate_from=scale.adequate_from if scale else None,
        probabilities=_probabilities(advice.classed.probability[row], scale),
        borderline=bool(value["borderline"]),
        table=scale.id if scale else None,
        refusal=_refusal(advice, row, value, scale),
        sampled_on=_day(value["sampled_on"]),
        measured_as=_measured_as(advice, row, value),
    )


def _measured_as(advice: Advice, row: int, value: Row) -> MeasuredAs | None:
    """What was measured, where the unit was turned or an equation between methods was switched on."""
    measured, turned = advice.measured_behind.get(row), advice.turned_behind.get(row)
    by_table = {"factor": turned["factor"], "factor_unit": turned["unit"]} if turned else {}
    if turned and value["unit"] in ON_A_FIELD and turned["unit"] not in ON_A_FIELD:
        by_table["layer_cm"] = (float(value["depth_from_cm"]), float(value["depth_to_cm"]))
    if measured is None:
        if turned is None:
            return None
        return MeasuredAs(
            value=_number(turned["reported"]),
            below=_number(turned["below"]),
            decimals=turned["decimals"],
            method=value["method"],
            unit=turned["unit"],
            **by_table,
        )
    method = advice.tables.methods[measured["method"]]
    given = _number(measured["value"])
    decimals = 0
    if given is not None:
        reported, own = reported_as(method.digits, np.array([given]))
        # Printed as finely as the result where the method's own digits would hide what went in.
        decimals = int(own[0]) if reported[0] == given else max(int(own[0]), int(value["decimals"]))
        given = float(round_half_up(np.array([given]), 10.0**-decimals)[0])
    return MeasuredAs(
        value=given,
        below=_number(measured["below"]),
        decimals=decimals,
        method=method.id,
        unit=measured["unit"],
        conversion=measured["conversion"],
        **by_table,
    )


def _limits(scale: ScaleTable | None) -> tuple[ClassLimit, ...]:
    classes = scale.classes if scale else ()
    return tuple(ClassLimit(name=c.name, lower=c.lower, open_below=c.open_below) for c in classes)


def _probabilities(row: np.ndarray[Any, Any], scale: ScaleTable | None) -> tuple[ClassProbability, ...]:
    if scale is None or np.isnan(row[0]):
        return ()
    return tuple(
        ClassProbability(name=c.name, probability=round(float(p), 4))
        for c, p in zip(scale.classes, row, strict=False)
    )


def _refusal(advice: Advice, row: int, value: Row, scale: ScaleTable | None) -> Refusal | None:
    key, detail = value["refusal"], value["refusal_detail"]
    if not key:
        return None
    at: Any = advice.read["context"].one(value["sample"])
    told: dict[str, str | float] = {
        name: value[name] for name in ("analyte", "form", "method", "unit", "basis")
    }
    told |= {name: at[name] for name in SCOPE}
    method = _deciding_method(advice, row, value)
    match key:
        case "no-table":
            told["failed"] = detail
            told |= _known(value, "depth_from_cm", "depth_to_cm") | _wanted(advice, value, at)
            if value["method"] not in advice.tables.methods:
                told["unknown_method"] = value["method"]
            if {*detail.split(",")} <= CHANGED_BY_AN_EQUATION and row not in advice.measured_behind:
                equations = _available(advice, value, at)
                told |= {"conversion": ", ".join(equations)} if equations else {}
        case "outside-conversion" | "not-convertible":
            equation = advice.tables.conversions[detail]
            told |= {"conversion": detail, "lowest": equation.lowest, "highest": equation.highest}
        case "method-not-valid" | "validity-unknown" if method is not None:
            limit = OF_FIELD[detail]
            told |= {"input": limit.name, "use_instead": method.use_instead}
            told["limit"] = getattr(method, limit.field)
            soils = advice.classed.soils
            told |= _known({"found": getattr(soils, limit.fact)[value["sample"]]}, "found")
        case _ if scale is not None:
            end = scale.ends_at if key == "above-scale" else None
            told["table"], told["limit"] = scale.id, scale.classes[0].lower if end is None else end
            told |= _known(value, "below", "reported")
        case "below-scale":
            told |= {"limit": 0.0} | _known(value, "reported")
    return Refusal(key=key, values=told)


def _available(advice: Advice, value: Row, at: Any) -> list[str]:
    """Equations that would turn a value; none whose result the sample has already."""
    rows = advice.rows_of_sample["classed"](np.array([value["sample"]]))
    had = set(advice.classed.frame["method"].iloc[rows])
    equations = available(advice.tables, value, at["crop"], at["region"])
    return [one for one in equations if advice.tables.conversions[one].to_method not in had]


def _wanted(advice: Advice, value: Row, at: Any) -> dict[str, str]:
    """What the nearest tables ask for where a value has none; nothing where no day is known."""
    on = _day(value["sampled_on"])
    if on is None:
        return {}
    try:
        scale_applying(
            advice.tables,
            **{name: value[name] for name in ("analyte", "form", "method", "unit", "basis")},
            **{name: at[name] for name in SCOPE},
            depth_cm=(value["depth_from_cm"], value["depth_to_cm"]),
            on=on,
        )
    except NoTableApplies as error:
        nearest = [advice.tables.scales[name] for name in error.nearest]
        return asked_for(nearest, error.failed, advice.tables)
    return {}


def _deciding_method(advice: Advice, row: int, value: Row) -> Method | None:
    """The value's method, or the measured one behind it where only that one's limit was passed."""
    own, limit = advice.tables.methods.get(value["method"]), OF_FIELD.get(value["refusal_detail"])
    measured = advice.measured_behind.get(row)
    if measured is None or limit is None:
        return own
    source, sample = advice.tables.methods[measured["method"]], np.array([value["sample"]])
    if value["refusal"] == "validity-unknown":
        decided = own is not None and getattr(own, limit.field) is not None
    else:
        decided = own is not None and bool(broken(limit, own, advice.classed.soils, sample)[0])
    return own if decided else source


def _known(value: Row, *names: str) -> dict[str, str | float]:
    return {name: float(value[name]) for name in names if not pd.isna(value[name])}


def _notes(advice: Advice, rows: np.ndarray[Any, Any]) -> tuple[Note, ...]:
    read, samples_of = advice.read["context"], defaultdict[str, list[int]](list)
    for noted in advice.read["noted"](advice.rows_of_sample["noted"](rows)):
        samples_of[noted["note"]].append(noted["sample"])
    notes = []
    for key in filter(samples_of.__contains__, advice.noted["note"].cat.categories):
        rule, found = advice.tables.notes[key], samples_of[key]
        everywhere = len(found) == len(rows)
        notes.append(
            Note(
                key=rule.key,
                severity=rule.severity,
                topic=rule.topic,
                lab_numbers=() if everywhere else tuple(read.cell(sample, "lab_number") for sample in found),
                sources=rule.sources,
            )
        )
    return tuple(notes)


def _sample_line(value: Row) -> SampleLine:
    cores = _number(value["cores"])
    return SampleLine(
        **{
            name: value[name]
            for name in ("lab_number", "label", "depth_from_cm", "depth_to_cm", "texture", "soil_group")
        },
        sampled_on=_day(value["sampled_on"]),
        received_on=_day(value["received_on"]),
        cores=None if cores is None else int(cores),
    )
