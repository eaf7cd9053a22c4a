"""The visits that a draft changes most, each worked out by both sets of tables."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from interpretation.agronomy.advise import Advice, advise
from interpretation.agronomy.changes import State
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import TableSet
from interpretation.results import Amount, FieldAdvice, SoilResult
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
    found: dict[int, AffectedField] = {}
    places = pastsamples.places(look, region, visits)
    for _, some in samples.groupby("laboratory_id"):  # within one, a sample has a number of its own
        one, two = (_advice(some, values, region, each) for each in (before, after))
        for visit in some["visit_id"].unique():
            pair = (field_advice(each, str(visit)) for each in (one, two))
            found[int(visit)] = _affected(places[int(visit)], *pair)
    return tuple(found[visit] for visit in visits if visit in found)


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


def _affected(place: PlaceRow, before: FieldAdvice, after: FieldAdvice) -> AffectedField:
    values = tuple(_values(before.results, after.results))
    return AffectedField(
        visit_id=place.visit_id, field_code=place.field_code, county=place.county_name or "",
        laboratory=place.laboratory_name, crop=place.crop, sampled_on=place.sampled_on,
        area_ha=place.area_ha, samples=len(before.samples), classes_changed=len(values), values=values,
        amounts=tuple(_amounts(before.amounts, after.amounts)),
    )  # fmt: skip


def _values(before: Sequence[SoilResult], after: Sequence[SoilResult]) -> list[ValueChange]:
    """Values whose class changes; both stand in one order, as they were read."""
    return [
        ValueChange(
            lab_number=one.lab_number, analyte=one.analyte, method=one.method, unit=two.unit,
            value_before=one.value, value_after=two.value, below=two.below,
            decimals=max(one.decimals, two.decimals), before=_state(one), after=_state(two),
        )
        for one, two in zip(before, after, strict=True)
        if _state(one) != _state(two)
    ]  # fmt: skip


def _state(result: SoilResult) -> State:
    if result.class_name is not None:
        return State(kind="class", name=result.class_name)
    return State(kind="refusal", name=result.refusal.key) if result.refusal else State(kind="none")


def _amounts(before: Sequence[Amount], after: Sequence[Amount]) -> list[AmountPair]:
    """Amounts that change: another number, another unit, or a reason in place of a number."""
    one, two = (_by_sample(each) for each in (before, after))
    keys = sorted({**one, **two}, key=lambda key: (key[1], key[0]))
    pairs = ((key, one.get(key), two.get(key)) for key in keys)
    return [
        AmountPair(lab_number=key[0], nutrient=key[1], before=was, after=would)
        for key, was, would in pairs
        if _said(was) != _said(would)
    ]


def _by_sample(amounts: Sequence[Amount]) -> Mapping[tuple[str, str], Amount]:
    return {(each.lab_number, each.nutrient): each for each in amounts}


def _said(amount: Amount | None) -> tuple[float | None, str]:
    return (None, "") if amount is None or amount.rate is None else (amount.rate, amount.unit)
