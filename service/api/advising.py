"""Visits: their plan, the advice it gives, values typed from a paper."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, status
from pydantic import Field

from interpretation.agronomy.tables import YieldUnit
from interpretation.quantities import Basis, SoilUnit
from interpretation.results import FieldAdvice
from service.actions import advising, papers
from service.actions.advising import Advised, Plan
from service.actions.checking import checked
from service.actions.papers import MOST_SAMPLES, MOST_VALUES, TypedSample, TypedValue, WalkIn
from service.api.common import GivenId, Id, Input, Line, Output, Text
from service.refusals import NotFound
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
Code = Annotated[Line, Field(max_length=64)]
Number = Annotated[float, Field(allow_inf_nan=False, strict=True)]  # true is not 1, and "12" is a text


class VisitPlan(Output):
    """What a crop is advised for, and which version of it this is."""

    visit_id: int
    field_id: int
    sampled_on: date
    version: int = Field(description="give it back when the plan is changed")
    plan: Plan


class GivenPlan(Input):
    """A whole plan, made from one version of it: what is left out becomes unknown, none or empty."""

    version: int = Field(ge=1, le=2**31 - 1, description="of the plan as you read it")
    crop: Line
    yield_goal: float | None = Field(default=None, gt=0, le=20_000, allow_inf_nan=False)
    yield_unit: YieldUnit | None = Field(default=None, description="null: the crop's own")
    previous_crop: Line = ""
    tillage: Line = ""
    irrigated: bool | None = None
    limed_in_two_years: bool | None = None
    manure_n_kg_per_ha: float | None = Field(default=None, ge=0, le=1000, allow_inf_nan=False)
    manure_p2o5_kg_per_ha: float | None = Field(default=None, ge=0, le=1000, allow_inf_nan=False)
    manure_k2o_kg_per_ha: float | None = Field(default=None, ge=0, le=2000, allow_inf_nan=False)
    manured_since_harvest: bool | None = None
    manured_in_three_years: bool | None = None
    near_water: bool = False
    comment: Text = ""


class GivenValue(Input):
    """One value of a paper; exactly one of `value` and `below` is given, as a number."""

    lab_number: Code = Field(description="of a sample of the visit")
    analyte: Line
    form: Line = Field(description="what the number counts, such as P or P2O5")
    method: Line = Field(description="id of a method of the tables")
    value: Number | None = None
    below: Number | None = Field(default=None, gt=0, description="a quantification limit")
    unit: SoilUnit
    basis: Basis
    standard_uncertainty: Number | None = Field(default=None, ge=0)
    origin: Line = Field(default="", description="which laboratory, and its paper's number")


class GivenValues(Input):
    """Values of a paper."""

    origin: Line = Field(default="", description="said of values that do not say it themselves")
    values: list[GivenValue] = Field(min_length=1, max_length=MOST_VALUES)


class StoredValues(Output):
    """How many values were stored, and how many older ones they supersede."""

    stored: int
    superseded: int


class GivenPlace(Input):
    """One sample of a walk-in."""

    label: Line = ""
    depth_from_cm: float = Field(ge=0, le=300, allow_inf_nan=False)
    depth_to_cm: float = Field(gt=0, le=300, allow_inf_nan=False)
    texture: Line = ""


class PlacedValue(GivenValue):
    """One value of a walk-in."""

    lab_number: Code = Field(description="place of the sample in the list of samples, from 1")


class GivenWalkIn(Input):
    """A visit made from a paper: to a registered field, or to a new one of a new or a numbered grower."""

    field_id: GivenId | None = Field(
        default=None, description="a registered field; then leave whose it is out"
    )
    grower_name: Line = ""
    grower_code: Code = Field(default="", description="the laboratory's number of the grower")
    farm_name: Line = ""
    field_name: Line = ""
    field_code: Code = Field(default="", description="left out: one is made")
    county_id: Code = ""
    area_ha: float | None = Field(default=None, gt=0, le=100_000, allow_inf_nan=False)
    sampled_on: date
    crop: Line
    yield_goal: float | None = Field(default=None, gt=0, le=20_000, allow_inf_nan=False)
    yield_unit: YieldUnit | None = None
    previous_crop: Line = ""
    origin: Line = Field(default="", description="said of values that do not say it themselves")
    samples: list[GivenPlace] = Field(min_length=1, max_length=MOST_SAMPLES)
    values: list[PlacedValue] = Field(min_length=1, max_length=MOST_VALUES)


class MadeWalkIn(Output):
    """What a walk-in has made."""

    visit_id: int
    lab_numbers: list[str]
    stored: int


@router.get("/visits/{visit_id}/plan")
def plan(caller: ApiCaller, site: TheSite, visit_id: Id) -> VisitPlan:
    """Show the plan of a visit."""
    found = advising.visit(site, caller, visit_id)
    return VisitPlan(
        visit_id=found.id, field_id=found.field_id, sampled_on=found.sampled_on, version=found.version,
        plan=advising.plan_of(found),
    )  # fmt: skip


@router.put("/visits/{visit_id}/plan")
def set_plan(caller: ApiCaller, site: TheSite, visit_id: Id, given: GivenPlan) -> VisitPlan:
    """Replace the plan of a visit, unless somebody else has changed it meanwhile (409)."""
    wanted = checked(Plan, given.model_dump(exclude={"version"}))
    advising.set_plan(site, caller, visit_id, given.version, wanted)
    return plan(caller, site, visit_id)


@router.get("/visits/{visit_id}/advice")
def advice(caller: ApiCaller, site: TheSite, visit_id: Id) -> FieldAdvice:
    """Work out classes, amounts with their working, and notes, from the values and the plan as they stand.

    Keys of notes, steps and refusals are worded by the reports. 404 where no values have come yet.
    """
    return _advice(advising.advised(site, caller, visit_id))


@router.post("/visits/{visit_id}/advice")
def try_plan(caller: ApiCaller, site: TheSite, visit_id: Id, tried: Plan) -> FieldAdvice:
    """Work out what another plan would give; nothing is stored."""
    return _advice(advising.advised(site, caller, visit_id, tried))


@router.post("/visits/{visit_id}/values", status_code=status.HTTP_201_CREATED)
def type_values(caller: ApiCaller, site: TheSite, visit_id: Id, given: GivenValues) -> StoredValues:
    """Store values of any laboratory's paper on the samples of a visit.

    A standing typed value of the same sample, analyte and method is superseded; one that the laboratory
    itself has released is not (409).
    """
    rows = [_typed(each, number) for number, each in enumerate(given.values, 1)]
    put = papers.type_values(site, caller, visit_id, rows, given.origin)
    return StoredValues(stored=put.stored, superseded=put.superseded)


@router.post("/walk-ins", status_code=status.HTTP_201_CREATED)
def walk_in(caller: ApiCaller, site: TheSite, given: GivenWalkIn) -> MadeWalkIn:
    """Make a visit from a paper, with its field and grower where they are new; everything or nothing."""
    plan_facts = ("crop", "yield_goal", "yield_unit", "previous_crop")
    facts: dict[str, Any] = {
        name: getattr(given, name)
        for name in (
            "field_id", "grower_name", "grower_code", "farm_name", "field_name", "field_code", "county_id",
            "sampled_on", "origin",
        )
    }  # fmt: skip
    made = papers.walk_in(
        site,
        caller,
        WalkIn(
            **facts,
            area_ha=_text(given.area_ha),
            plan=Plan(**{name: getattr(given, name) for name in plan_facts}),
            samples=tuple(
                TypedSample(
                    label=each.label, depth_from_cm=_text(each.depth_from_cm),
                    depth_to_cm=_text(each.depth_to_cm), texture=each.texture,
                )
                for each in given.samples
            ),
            values=tuple(_typed(each, number) for number, each in enumerate(given.values, 1)),
        ),
    )  # fmt: skip
    return MadeWalkIn(visit_id=made.visit_id, lab_numbers=list(made.lab_numbers), stored=made.stored)


def _advice(found: Advised) -> FieldAdvice:
    if found.advice is None:
        raise NotFound(
            "no values have come for this visit yet", where=f"visit {found.visit.id}",
            expected="a visit with at least one value",
            fix="ask again when the laboratory has released its run",
        )  # fmt: skip
    return found.advice


def _typed(given: GivenValue, number: int) -> TypedValue:
    """One value as a row of the form: it passes the same checks."""
    value = "" if given.value is None else _text(given.value)
    if given.below is not None:
        value = f"<{_text(given.below)}" if given.value is None else "either a value or a limit"
    return TypedValue(
        row=number, sample=given.lab_number, analyte=given.analyte, form=given.form,
        method=given.method, value=value[:40], unit=given.unit, basis=given.basis,
        standard_uncertainty=_text(given.standard_uncertainty), origin=given.origin,
    )  # fmt: skip


def _text(value: float | None) -> str:
    """A number as the checks read it: plain digits, as many as it has."""
    if value is None:
        return ""
    return f"{value:.12f}".rstrip("0").rstrip(".")[:40]
