"""Pages of a visit: its plan, and at once below it what the values mean under that plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

import numpy as np
from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse, Response

from interpretation.agronomy.tables import YIELD_UNITS
from interpretation.errors import FurrowsliceError
from reports.build import build_report
from reports.format import UNITS, Units
from reports.view import GrowerReport
from service.actions import advising, reporting
from service.actions.advising import Advised, Plan
from service.actions.checking import checked
from service.pages import papers
from service.pages.forms import SAID, Id, Sent, number_of, text_of, wrong_fields
from service.web.templates import Words
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
router.include_router(papers.router)
NUMBERS = ("yield_goal", "manure_n_kg_per_ha", "manure_p2o5_kg_per_ha", "manure_k2o_kg_per_ha")
YES_NO = ("irrigated", "limed_in_two_years", "manured_since_harvest", "manured_in_three_years")


@router.get("/visits/{visit_id}")
def one_visit(visit: Visiting, visit_id: Id, request: Request) -> HTMLResponse:
    """Show a visit; with a plan in the query, show what that plan would change, and store nothing."""
    given = request.query_params
    stored = advising.visit(visit.site, visit.caller, visit_id)
    error: FurrowsliceError | None = None
    tried, found = None, None
    try:
        tried = typed_plan(given, stored.plan.comment) if "crop" in given else None
        found = advising.advised(visit.site, visit.caller, visit_id, tried)
    except FurrowsliceError as refused:
        if "crop" not in given:
            raise
        error = refused
    plan = shown_plan(tried or advising.plan_of(stored)) | (dict(given) if error else {})
    return _page(visit, found or Advised(stored, (), None), plan, given, error, tried=tried is not None)


@router.post("/visits/{visit_id}/plan")
def save_plan(visit: Posted, visit_id: Id, given: Sent) -> Response:
    """Store the plan."""
    stored = advising.visit(visit.site, visit.caller, visit_id)
    units = f"?units={text_of(given, 'units')}" if text_of(given, "units") in UNITS else ""
    try:
        plan = typed_plan(given, stored.plan.comment)
        version = text_of(given, "version")[:10]
        seen = int(version) if version.isdecimal() else 0
        advising.set_plan(visit.site, visit.caller, visit_id, seen, plan)
    except FurrowsliceError as error:
        shown = shown_plan(advising.plan_of(stored)) | {
            name: text for name, text in given.items() if isinstance(text, str)
        }
        return _page(visit, Advised(stored, (), None), shown, given, error)
    return visit.go(f"/visits/{visit_id}{units}", "advising.done-plan")


def typed_plan(given: Mapping[str, Any], comment: str) -> Plan:
    """The plan that a form holds.

    Raises
    ------
    Invalid
        With what is wrong with each field.
    """
    values: dict[str, Any] = {name: text_of(given, name) for name in ("crop", "previous_crop", "tillage")}
    values |= {name: number_of(text_of(given, name)) for name in NUMBERS}
    values |= {name: SAID.get(text_of(given, name)) for name in YES_NO}
    values |= {
        "yield_unit": text_of(given, "yield_unit") or None, "comment": comment,
        "near_water": text_of(given, "near_water") == "yes",
    }  # fmt: skip
    return checked(Plan, values)


def shown_plan(plan: Plan) -> dict[str, str]:
    """A plan as a form shows it."""
    shown = {name: "" if value is None else str(value) for name, value in plan.model_dump().items()}
    for name in NUMBERS:
        value = getattr(plan, name)
        # Every digit: what a form shows is stored with the next change, and must still be the same number.
        shown[name] = "" if value is None else np.format_float_positional(value, trim="-")
    for name in (*YES_NO, "near_water"):
        shown[name] = {True: "yes", False: "no"}.get(getattr(plan, name), "")
    return shown


def crops(visit: Visit) -> list[tuple[str, str]]:
    """Crops of the tables by their names."""
    named = [(crop, visit.words.wording.name("crops", crop)) for crop in visit.tables.crops]
    return sorted(named, key=lambda each: each[1].casefold())


def wanted_units(given: Mapping[str, Any], usual: str) -> Units:
    """The units that were asked for, or those of the grower."""
    asked = given.get("units", usual)
    return cast("Units", asked if asked in UNITS else "metric")


def _page(
    visit: Visit, found: Advised, plan: Mapping[str, str], given: Mapping[str, Any],
    error: FurrowsliceError | None, *, tried: bool = False,
) -> HTMLResponse:  # fmt: skip
    w: Words = visit.words
    units = wanted_units(given, found.visit.grower_units)
    report: GrowerReport | None = None
    if found.advice is not None:
        card = reporting.blank_card(visit.site, visit.caller, found.visit)
        report = build_report(found.advice, card, locale=w.language, units=units)
    return visit.page(
        "advising/visit.html.j2", 200 if error is None else 422, visit=found.visit, samples=found.samples,
        plan=plan, report=report, units=units,
        unit_choices=[(each, w(f"advising.units-{each}")) for each in UNITS], tried=tried, crops=crops(visit),
        yield_units=[(unit, unit) for unit in YIELD_UNITS],
        error=error, wrong=wrong_fields(error),
    )  # fmt: skip
