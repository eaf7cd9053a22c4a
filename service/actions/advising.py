"""A visit: its plan, and the advice that its values give under that plan or under another one tried out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, field_validator

from interpretation.agronomy.context import CONTEXT
from interpretation.agronomy.tables import TableSet, YieldUnit
from interpretation.results import FieldAdvice
from interpretation.soil_values import COLUMNS
from reports.view import LONGEST_COMMENT
from service.actions.checking import Typed
from service.actions.fields import advise
from service.callers import Caller, Right
from service.characters import UNSEEN
from service.refusals import Invalid
from service.site import Site
from service.store import visits
from service.store.database import Look
from service.store.visits import PlanRow, SampleOfVisit, VisitRow


class Plan(BaseModel):
    """What a crop is to be advised for; the limits are those of a list of samples.

    An amount of manure that is left out counts as none, except where the field was manured since the harvest:
    then it is not known.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    crop: str = Field(max_length=120, description="id of a crop of the tables")
    yield_goal: Typed | None = Field(default=None, gt=0, le=20_000)
    yield_unit: YieldUnit | None = Field(default=None, description="null: the crop's own")
    previous_crop: str = Field(default="", max_length=120)
    tillage: str = Field(default="", max_length=200)
    irrigated: bool | None = Field(default=None, description="null: not known")
    limed_in_two_years: bool | None = None
    manure_n_kg_per_ha: Typed | None = Field(default=None, ge=0, le=1000)
    manure_p2o5_kg_per_ha: Typed | None = Field(default=None, ge=0, le=1000)
    manure_k2o_kg_per_ha: Typed | None = Field(default=None, ge=0, le=2000)
    manured_since_harvest: bool | None = None
    manured_in_three_years: bool | None = None
    near_water: bool = False
    comment: str = Field(default="", max_length=LONGEST_COMMENT, description="printed on the report")

    @field_validator("comment", "tillage")
    @classmethod
    def _seen(cls, text: str) -> str:
        if found := UNSEEN.search(text.replace("\r\n", " ").replace("\n", " ")):
            raise ValueError(f"the text holds the invisible character U+{ord(found[0]):04X}")
        return text.replace("\r\n", "\n").strip()


@dataclass(frozen=True)
class Advised:
    """A visit and what is advised: nothing where no values have come yet."""

    visit: VisitRow
    samples: tuple[SampleOfVisit, ...]
    advice: FieldAdvice | None


def plan_of(visit: VisitRow) -> Plan:
    """The plan as it is stored."""
    stored = visit.plan.model_dump()
    return Plan.model_construct(**stored | {"yield_unit": stored["yield_unit"] or None})


def visit(site: Site, caller: Caller, visit_id: int) -> VisitRow:
    """One visit."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        return visits.the_visit(look, visit_id)


def samples(site: Site, caller: Caller, visit_id: int) -> Advised:
    """One visit with its samples, without advice."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        return Advised(visits.the_visit(look, visit_id), visits.samples_of(look, visit_id), None)


def advised(site: Site, caller: Caller, visit_id: int, tried: Plan | None = None) -> Advised:
    """Advise on a visit.

    Parameters
    ----------
    tried
        A plan to look at without storing it; None: the one that is stored.

    Raises
    ------
    Invalid
        If a crop of the plan is not in the tables.
    """
    with site.database.look(caller, Right.READ_FIELDS) as look:
        return advise_on(look, site.in_force(look).tables, visit_id, tried)


def advise_on(look: Look, tables: TableSet, visit_id: int, tried: Plan | None = None) -> Advised:
    """Advise on a visit inside a look or a change; as :func:`advised`."""
    found = visits.the_visit(look, visit_id)
    plan = tried or plan_of(found)
    check_crops(tables, plan)
    samples = visits.samples_of(look, visit_id)
    values = visits.standing_values(look, visit_id)
    if not values:
        return Advised(found, samples, None)
    (advice,) = advise([pd.DataFrame(values, columns=list(COLUMNS))], tables, context(found, samples, plan))
    return Advised(found, samples, advice)


def context(found: VisitRow, samples: tuple[SampleOfVisit, ...], plan: Plan) -> pd.DataFrame:
    """What is known of the samples of a visit, as the agronomy reads it."""
    return pd.DataFrame(context_rows(found, samples, plan), columns=list(CONTEXT)).astype(CONTEXT)


def context_rows(found: VisitRow, samples: tuple[SampleOfVisit, ...], plan: Plan) -> list[dict[str, Any]]:
    """The same as rows, for those who need no frame of one visit: a frame takes a hundred times as long."""
    shared: dict[str, Any] = {
        "field_id": found.field_code, "field_name": found.field_name or found.field_code,
        "farm_name": found.farm_name, "grower_name": found.grower_name, "region": found.region,
        "area_ha": _number(found.area_ha), "crop": plan.crop, "yield_goal": _number(plan.yield_goal),
        "yield_unit": plan.yield_unit or "", "previous_crop": plan.previous_crop,
        "manured_since_harvest": _known(plan.manured_since_harvest),
        "manured_in_three_years": _known(plan.manured_in_three_years), "near_water": plan.near_water,
        "example": found.example,
    }  # fmt: skip
    # Blank is none, unless manure came: then how much it brought is not known, and is not nought.
    blank = np.nan if plan.manured_since_harvest else 0.0
    for name in ("manure_n_kg_per_ha", "manure_p2o5_kg_per_ha", "manure_k2o_kg_per_ha"):
        amount = getattr(plan, name)
        shared[name] = blank if amount is None else amount
    return [
        {name: value for name, value in each.model_dump().items() if name in CONTEXT} | shared
        for each in samples
    ]


def check_crops(tables: TableSet, plan: Plan) -> None:
    """Refuse a crop that the tables do not know.

    Raises
    ------
    Invalid
        With the field that names it.
    """
    for name in ("crop", "previous_crop"):
        crop = getattr(plan, name)
        if crop not in tables.crops and not (name == "previous_crop" and crop == ""):
            raise Invalid(
                f"unknown crop {crop!r}", where=name, expected="the id of a crop of the tables",
                fix="choose one from the list", fields={name: "choose one from the list"},
            )  # fmt: skip


def set_plan(site: Site, caller: Caller, visit_id: int, version: int, plan: Plan) -> int:
    """Store a plan; returns its new version.

    Raises
    ------
    Conflict
        If somebody else has changed the plan since version ``version``.
    Invalid
        If a crop of the plan is not in the tables.
    """
    check_crops(site.tables, plan)
    values = plan.model_dump() | {"yield_unit": plan.yield_unit or ""}
    with site.database.change(caller, Right.PLAN_FIELDS) as change:
        before = visits.the_visit(change, visit_id)
        visits.change_plan(change, before, version, values)
        was = before.plan.model_dump()
        changed = {name for name in PlanRow.model_fields if was[name] != values[name]}
        told = changed - {"comment", "tillage"}  # typed freely: they may say things about people
        change.note(
            "plan", "visit", visit_id, before={name: was[name] for name in sorted(told)},
            after={name: values[name] for name in sorted(told)} | {"changed": sorted(changed)},
        )  # fmt: skip
    return version + 1


def set_comment(site: Site, caller: Caller, visit_id: int, version: int, comment: str) -> int:
    """Store the comment that the report prints; returns the plan's new version.

    Raises
    ------
    Conflict
        As :func:`set_plan`.
    """
    with site.database.change(caller, Right.ISSUE_REPORTS) as change:
        before = visits.the_visit(change, visit_id)
        visits.change_plan(change, before, version, {"comment": comment})
        change.note("comment", "visit", visit_id, after={"changed": ["comment"]})
    return version + 1


def _number(value: float | None) -> float:
    return np.nan if value is None else value


def _known(value: bool | None) -> float:
    return np.nan if value is None else float(value)
