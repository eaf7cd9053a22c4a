"""The visits that a draft changes most, each worked out by both sets of tables."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Hashable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from interpretation.agronomy.advise import Advice, advise
from interpretation.agronomy.changes import State
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import TableSet
from interpretation.agronomy.working import amount_of
from interpretation.results import Amount, FieldAdvice
from service.actions.pastframes import advisable, as_if, context_of, soil_of
from service.impact import AffectedField, AmountPair, ValueChange
from service.refusals import Invalid
from service.store import pastsamples
from service.store.database import Look
from service.store.pastsamples import PlaceRow, Wanted


def most_affected(
    look: Look, before: TableSet, after: TableSet, region: str, visits: Sequence[int],
    analytes: Collection[str], year: int | None,
) -> tuple[AffectedField, ...]:  # fmt: skip
    """Work visits out by both sets of tables, in the order given; only values of the analytes named."""
    if not visits:
        return ()
    samples, values = _whole(look, Wanted(region, visits=tuple(visits)), year, analytes)
    samples = samples[advisable(samples, region, before, after)]
    # Two laboratories may number alike; what stands before the number is taken off again.
    samples["lab_number"] = samples["laboratory_id"].astype("str") + " " + samples["lab_number"]
    one, two = (_advice(samples, values, region, each) for each in (before, after))
    of_visit = one.context["field_id"].astype("int64").to_numpy()
    changed_values, changed_amounts = _values(one, two), _amounts(one, two)
    places = pastsamples.places(look, region, visits)
    found = []
    for visit in visits:
        own = [int(sample) for sample in np.flatnonzero(of_visit == visit)]
        place = places[visit]
        moved = [each for sample in own for each in changed_values.get(sample, ())]
        amounts = [each for sample in own for each in changed_amounts.get(sample, ())]
        found.append(
            AffectedField(
                visit_id=visit, field_code=place.field_code, county=place.county_name or "",
                laboratory=place.laboratory_name, crop=place.crop, sampled_on=place.sampled_on,
                area_ha=place.area_ha, samples=len(own), classes_changed=len(moved), values=tuple(moved),
                amounts=tuple(sorted(amounts, key=lambda pair: (pair.nutrient, pair.lab_number))),
            )
        )  # fmt: skip
    return tuple(found)


def advice_of_visit(
    look: Look, tables: TableSet, region: str, visit_id: int, year: int | None
) -> tuple[PlaceRow, FieldAdvice]:
    """What a visit would be advised, without a word about whose field it is.

    Raises
    ------
    NotFound
        If there is no such visit in the region.
    Invalid
        If it has no values yet, or the tables do not know its crop or its soil.
    """
    place = pastsamples.place(look, region, visit_id)
    samples, values = _whole(look, Wanted(region, visits=(visit_id,)), year)
    fit = samples[advisable(samples, region, tables)]
    if not len(fit) or not len(values):
        raise Invalid(
            "there is nothing to report of this visit", where=f"visit {visit_id}",
            expected="samples with released values, of a crop and a soil group that the tables know",
            fix="choose another field of the preview",
        )  # fmt: skip
    found = field_advice(_advice(fit, values, region, tables), str(visit_id))
    named = {"field_id": place.field_code, "field_name": place.field_code}
    return place, found.model_copy(update=named | {"example": place.example or found.example})


def _whole(
    look: Look, wanted: Wanted, year: int | None, analytes: Collection[str] | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    samples = pastsamples.samples_of(look, wanted, whole=True)
    samples["sampled_on"] = as_if(samples["sampled_on"], year)
    values = pastsamples.values_of(look, wanted, analytes=analytes, whole=True)
    # What is typed about a paper is free text, and could name somebody; a run is the laboratory's own.
    values["origin"] = values["origin"].where(values["origin"].str.startswith("run "), "")
    return samples, values


def _advice(samples: pd.DataFrame, values: pd.DataFrame, region: str, tables: TableSet) -> Advice:
    some = samples.reset_index(drop=True)
    context = context_of(some, region)
    return advise(soil_of(values, some, context), tables, context)


def _values(before: Advice, after: Advice) -> dict[int, list[ValueChange]]:
    """Values whose class changes, by sample; both stand in one order."""
    one, two = (_states(each) for each in (before, after))
    different = [row for row, (was, would) in enumerate(zip(one, two, strict=True)) if was != would]
    old, new = (each.classed.frame.iloc[different].to_dict("records") for each in (before, after))
    found: defaultdict[int, list[ValueChange]] = defaultdict(list)
    for row, was, would in zip(different, old, new, strict=True):
        found[int(would["sample"])].append(
            ValueChange(
                lab_number=_number(would["lab_number"]), analyte=would["analyte"], method=would["method"],
                unit=would["unit"], value_before=_known(was["reported"]),
                value_after=_known(would["reported"]), below=_known(would["below"]),
                decimals=max(int(was["decimals"]), int(would["decimals"])), before=one[row], after=two[row],
            )
        )  # fmt: skip
    return found


def _states(advice: Advice) -> list[State]:
    frame, scales = advice.classed.frame, advice.tables.scales
    return [
        State(kind="class", name=scales[table].classes[index].name)
        if index >= 0
        else State(kind="refusal", name=refusal)
        if refusal
        else State(kind="none")
        for table, index, refusal in zip(frame["table"], frame["class_index"], frame["refusal"], strict=True)
    ]


def _amounts(before: Advice, after: Advice) -> dict[int, list[AmountPair]]:
    """Amounts that change, by sample: another number, another unit, or a reason in place of a number."""
    one, two = (_rows(each) for each in (before, after))
    found: defaultdict[int, list[AmountPair]] = defaultdict(list)
    for key in dict.fromkeys((*one, *two)):
        was, would = one.get(key), two.get(key)
        if _said(before, was) != _said(after, would):
            sample, nutrient = key
            found[sample].append(
                AmountPair(
                    lab_number=_number(before.context["lab_number"].iloc[sample]), nutrient=nutrient,
                    before=_amount(before, was), after=_amount(after, would),
                )
            )  # fmt: skip
    return found


_Row = tuple[int, dict[Hashable, Any]]  # place in the frame, and the row


def _rows(advice: Advice) -> dict[tuple[int, str], _Row]:
    rows = advice.rated.frame.to_dict("records")
    return {(int(row["sample"]), str(row["nutrient"])): (place, row) for place, row in enumerate(rows)}


def _said(advice: Advice, found: _Row | None) -> tuple[float | None, str]:
    rate = None if found is None else _known(found[1]["rate"])
    if found is None or rate is None:
        return None, ""
    return rate, advice.tables.rates[found[1]["table"]].unit


def _amount(advice: Advice, found: _Row | None) -> Amount | None:
    if found is None:
        return None
    made = amount_of(advice, *found)
    return made.model_copy(update={"lab_number": _number(made.lab_number)})


def _number(told: str) -> str:
    """A laboratory's own number of a sample."""
    return told.partition(" ")[2]


def _known(value: float) -> float | None:
    return None if pd.isna(value) else float(value)
