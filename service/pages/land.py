"""Pages of growers, farms and fields, and of a field's history."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, Request
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from interpretation.methods import Method
from reports.findings import FORMLESS, READ_FIRST
from reports.format import UNITS, printed
from service.actions import land
from service.actions.checking import checked
from service.actions.land import FieldChange, GrowerChange
from service.pages import maps
from service.pages.drawing.numbers import numbers
from service.pages.drawing.years import Picture, years
from service.pages.forms import Id, number_of, wrong_fields
from service.web.templates import Words
from service.web.visit import Posted, Visit, Visiting, any_visit
from service.web.visit import visit as signed_in

router = APIRouter()
router.include_router(maps.router)
PageNumber = Annotated[int, Query(ge=1, le=10_000)]
Text = Annotated[str, Form(max_length=400)]


@router.get("/fields")
def fields(
    visit: Visiting, search: Annotated[str, Query(max_length=100)] = "", page: PageNumber = 1
) -> HTMLResponse:
    """Find a field by words of its name or code, its farm's or its grower's."""
    found, more = land.find(visit.site, visit.caller, search, page)
    return visit.page("land/fields.html.j2", fields=found, more=more, search=search, page=page)


@router.get("/fields/{field_id}")
def one_field(request: Request, field_id: Id) -> HTMLResponse:
    """Show a field and what was found on it over the years.

    The page that is looked at most asks who it is in its own thread: each change of threads costs more than
    the question.
    """
    visit = signed_in(any_visit(request))
    past = land.past(visit.site, visit.caller, field_id)
    w = visit.words
    methods = visit.tables.methods
    drawn = years(past.visits, past.found, methods, numbers(w.language), READ_FIRST)
    named = [names(picture, w, methods) for picture in drawn.pictures]
    return visit.page("land/field.html.j2", field=past.field, drawn=drawn, named=named)


def names(picture: Picture, w: Words, methods: Mapping[str, Method]) -> tuple[str, str, str]:
    """Name, method and unit of a picture's values, in words."""
    analyte, method, form, unit, basis = picture.key
    name = w.wording.name("analytes", analyte)
    if form not in FORMLESS and form != analyte:
        name = f"{name} ({printed(form)})"
    known = methods.get(method)
    shown = printed(unit)
    if basis not in ("none", known.basis if known else basis):
        shown = f"{shown}, {w.wording.name('bases', basis)}"
    return name, w.wording.known("methods", method, known.title if known else ""), shown


@router.get("/fields/{field_id}/edit")
def edit_field(visit: Visiting, field_id: Id) -> HTMLResponse:
    """Show the form of a field's facts."""
    return _field_form(visit, field_id, {}, None)


@router.post("/fields/{field_id}/edit")
def change_field(
    visit: Posted, field_id: Id, name: Text = "", county_id: Text = "", area_ha: Text = "",
    outline: Annotated[str, Form(max_length=200_000)] = "",
) -> Response:  # fmt: skip
    """Change a field's name, county, area or outline."""
    given = {"name": name, "county_id": county_id, "area_ha": area_ha, "outline": outline}
    try:
        change = checked(FieldChange, {
            "name": name.strip(), "county_id": county_id or None, "area_ha": number_of(area_ha.strip()),
            "outline": _outline(outline),
        })  # fmt: skip
        land.change_field(visit.site, visit.caller, field_id, change)
    except FurrowsliceError as error:
        return _field_form(visit, field_id, given, error)
    return visit.go(f"/fields/{field_id}", "land.done-field")


def _outline(text: str) -> Any:
    """The typed outline; anything that is no JSON object goes on as it is, to be refused in words."""
    if not text.strip():
        return {}
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return {"type": "unreadable"}


def _field_form(
    visit: Visit, field_id: Id, given: dict[str, str], error: FurrowsliceError | None
) -> HTMLResponse:
    field = land.field(visit.site, visit.caller, field_id)
    stored = {
        "name": field.name, "county_id": field.county_id or "",
        "area_ha": "" if field.area_ha is None else f"{field.area_ha:g}",
        "outline": json.dumps(field.outline) if field.outline else "",
    }  # fmt: skip
    return visit.page(
        "land/field_form.html.j2", 200 if error is None else 422, field=field, values=stored | given,
        counties=[(each, name) for each, name, _ in land.counties(visit.site, visit.caller)],
        error=error, wrong=wrong_fields(error),
    )  # fmt: skip


@router.get("/growers/{grower_id}")
def one_grower(visit: Visiting, grower_id: Id) -> HTMLResponse:
    """Show a grower with farms and fields."""
    return visit.page("land/grower.html.j2", holding=land.holding(visit.site, visit.caller, grower_id))


@router.get("/growers/{grower_id}/edit")
def edit_grower(visit: Visiting, grower_id: Id) -> HTMLResponse:
    """Show the form of what is kept about a grower."""
    return _grower_form(visit, grower_id, {}, None)


@router.post("/growers/{grower_id}/edit")
def change_grower(
    visit: Posted, grower_id: Id, name: Text = "", address: Text = "", telephone: Text = "",
    email: Text = "", language: Text = "en", units: Text = "metric", mail_consent: Text = "",
    copy_to: Text = "", copy_consent: Text = "",
) -> Response:  # fmt: skip
    """Change contact facts, language, units and consents."""
    given: dict[str, Any] = {
        "name": name.strip(), "address": address.strip(), "telephone": telephone.strip(),
        "email": email.strip(), "language": language, "units": units, "copy_to": copy_to.strip(),
        "mail_consent": mail_consent == "yes", "copy_consent": copy_consent == "yes",
    }  # fmt: skip
    try:
        land.change_grower(visit.site, visit.caller, grower_id, checked(GrowerChange, given))
    except FurrowsliceError as error:
        return _grower_form(visit, grower_id, given, error)
    return visit.go(f"/growers/{grower_id}", "land.done-grower")


@router.post("/growers/{grower_id}/farms/{farm_id}")
def rename_farm(visit: Posted, grower_id: Id, farm_id: Id, name: Text = "") -> Response:
    """Give a farm another name."""
    land.rename_farm(visit.site, visit.caller, grower_id, farm_id, name)
    return visit.go(f"/growers/{grower_id}", "land.done-farm")


def _grower_form(
    visit: Visit, grower_id: Id, given: dict[str, Any], error: FurrowsliceError | None
) -> HTMLResponse:
    grower = land.holding(visit.site, visit.caller, grower_id).grower
    return visit.page(
        "land/grower_form.html.j2", 200 if error is None else 422, grower=grower,
        values=grower.model_dump() | given, error=error,
        units=[(each, visit.words(f"land.units-{each}")) for each in UNITS], wrong=wrong_fields(error),
    )  # fmt: skip
