"""Samples: lists, the form for one, and what came of each."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any
from urllib.parse import urlencode

import numpy as np
from fastapi import APIRouter, Depends, File, Form, Query, Request, UploadFile
from starlette.responses import HTMLResponse, RedirectResponse, Response

from interpretation.agronomy.tables import YIELD_UNITS
from interpretation.errors import FurrowsliceError
from interpretation.laboratory.soil import reported, reported_limit
from reports.findings import FORMLESS
from reports.format import UNITS, printed, soil_unit
from service.actions import land, papers, registering, samples
from service.callers import Right
from service.pages.forms import Id
from service.pages.runs import sent
from service.refusals import Invalid, NotAllowed
from service.samplefiles import REQUIRED
from service.sampleforms import samples_of
from service.store.samples import Measured
from service.store.values import ValueRow
from service.uploads import laid_down
from service.web.problems import status_of
from service.web.templates import Words
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
A_PAGE = 50
THE_FORM = "form"  # what messages call the cells of the form
_TITLE = re.compile(r"\('([a-z_0-9]+)'\)$")
_STATES: dict[str, Measured] = {"with": "with", "without": "without"}
Line = Annotated[str, Form(max_length=40)]
Reason = Annotated[str, Form(max_length=1000)]
ValueId = Annotated[int, Form(ge=1, le=2**31 - 1)]


async def _texts(request: Request) -> dict[str, str]:
    """Every field of a form that was filled in."""
    form = await request.form()
    return {
        name: text.strip()
        for name, text in form.items()
        if name != "form_token" and isinstance(text, str) and text.strip()
    }


Texts = Annotated[dict[str, str], Depends(_texts)]


@router.get("/samples")
def all_samples(
    visit: Visiting, search: Annotated[str, Query(max_length=64)] = "",
    values: Annotated[str, Query(max_length=10)] = "",
    before: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None,
    registered: Annotated[int, Query(ge=0, le=20_000)] = 0, waiting: Annotated[int, Query(ge=0)] = 0,
) -> HTMLResponse:  # fmt: skip
    """List samples; after registering, say how many came in and whether cups had waited for them."""
    found = samples.list_samples(
        visit.site, visit.caller, search=search, measured=_STATES.get(values), before=before, most=A_PAGE + 1
    )
    return visit.page(
        "samples/list.html.j2", samples=found[:A_PAGE], more=len(found) > A_PAGE, search=search,
        values=values if values in _STATES else "", before=before, registered=registered, waiting=waiting,
    )  # fmt: skip


@router.get("/samples/upload")
def list_form(visit: Visiting) -> HTMLResponse:
    """Show the form for a list."""
    _require(visit)
    return _list_form(visit, "", None)


@router.post("/samples/upload")
def upload_list(visit: Posted, file: Annotated[UploadFile, File()], received_on: Line = "") -> Response:
    """Register a list of samples, whole or not at all."""
    try:
        with laid_down(sent(file)) as (path, _):
            done = registering.register_list(visit.site, visit.caller, path, _day(received_on))
    except NotAllowed as error:
        if not visit.caller.may(Right.REGISTER_SAMPLES):
            raise
        return _list_form(visit, received_on, error)
    except FurrowsliceError as error:
        return _list_form(visit, received_on, error)
    return _registered(done)


def _registered(done: registering.Registered) -> RedirectResponse:
    told = {"registered": done.samples, "waiting": sum(done.waiting.values())}
    return RedirectResponse(f"/samples?{urlencode(told)}", 303)


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise Invalid(
            f"{text!r} is not a day", where="received_on", expected="a day such as 2026-03-04",
            fix="correct the day, or leave it empty", fields={"received_on": "a day such as 2026-03-04"},
        ) from None  # fmt: skip


def _list_form(visit: Visit, received_on: str, error: FurrowsliceError | None) -> HTMLResponse:
    return visit.page(
        "samples/upload.html.j2", 200 if error is None else status_of(error), error=error,
        received_on=received_on, required=REQUIRED, largest=visit.site.settings.largest_upload_mib,
        counties=land.counties(visit.site, visit.caller),
    )  # fmt: skip


@router.get("/samples/new")
def sample_form(visit: Visiting, lab_number: Annotated[str, Query(max_length=64)] = "") -> HTMLResponse:
    """Show the form for one sample."""
    _require(visit)
    return _sample_form(visit, {"lab_number": lab_number}, None)


@router.post("/samples/new")
def add_sample(visit: Posted, texts: Texts) -> Response:
    """Register one sample, as a list of one."""
    try:
        read = samples_of([texts], THE_FORM)
        done = registering.register_samples(visit.site, visit.caller, read)
    except NotAllowed as error:
        if not visit.caller.may(Right.REGISTER_SAMPLES):
            raise
        return _sample_form(visit, texts, error)
    except FurrowsliceError as error:
        return _sample_form(visit, texts, error)
    waits = "samples.done-registered-waited" if done.waiting else "samples.done-registered"
    return visit.go(f"/samples/{done.sample_ids[0]}", waits)


def _require(visit: Visit) -> None:
    """Tell who may not register so before a form is filled in."""
    with visit.site.database.look(visit.caller, Right.REGISTER_SAMPLES):
        pass


def _sample_form(visit: Visit, given: dict[str, str], error: FurrowsliceError | None) -> HTMLResponse:
    w = visit.words
    found = _TITLE.search(error.where) if error is not None else None
    wrong = {found[1]: error.what} if found is not None and error is not None else {}
    return visit.page(
        "samples/form.html.j2", 200 if error is None else status_of(error), error=error, values=given,
        wrong=wrong, options=_options(visit, w),
    )  # fmt: skip


def _options(visit: Visit, w: Words) -> dict[str, list[tuple[str, str]]]:
    """What each choice of the form offers, as value and text."""
    tables = visit.tables
    blank = [("", w("samples.choose"))]
    crops = sorted(((id_, w.wording.name("crops", id_)) for id_ in tables.crops), key=lambda each: each[1])
    regions = sorted(((region.id, region.name) for region in tables.regions.values()), key=lambda r: r[1])
    counties = [(id_, name) for id_, name, _ in land.counties(visit.site, visit.caller)]
    known = [("", w("samples.not-known")), ("yes", w("samples.yes")), ("no", w("samples.no"))]
    units = [(each, w(f"samples.units-{each}")) for each in UNITS]
    return {
        "crop": blank + crops,
        "previous_crop": blank + crops,
        "region": blank + regions,
        "county": blank + counties,
        "yield_unit": [("", w("samples.crops-own-unit")), *((unit, unit) for unit in YIELD_UNITS)],
        "known": known,
        "yes": [("", w("samples.no")), ("yes", w("samples.yes"))],
        "units": blank + units,
    }


@router.get("/samples/{sample_id}")
def one_sample(visit: Visiting, sample_id: Id) -> HTMLResponse:
    """Show what is known of a sample and all its values."""
    view = samples.show_sample(visit.site, visit.caller, sample_id)
    return visit.page(
        "samples/sample.html.j2",
        row=view.row,
        values=[(value, *_written(visit, value)) for value in view.values],
        facts=_facts(visit, view.row),
        formless=FORMLESS,
        printed=printed,
    )


@router.post("/samples/{sample_id}/withdraw")
def withdraw_value(visit: Posted, sample_id: Id, value: ValueId, reason: Reason = "") -> Response:
    """Withdraw a typed value of the sample."""
    papers.withdraw(visit.site, visit.caller, sample_id, value, reason)
    return visit.go(f"/samples/{sample_id}", "samples.done-withdrawn")


def _written(visit: Visit, row: ValueRow) -> tuple[str, str]:
    """A value and its standard uncertainty; measured ones with the digits that the run's sheet prints."""
    w, spread = visit.words, row.standard_uncertainty
    given = row.below if row.value is None else row.value
    method = visit.tables.methods.get(row.method)
    if row.run_id is None or method is None or given is None:  # typed from a paper: as it is there
        shown, about = w.number(given), w.number(spread)
    else:
        rounded, decimals = (reported_limit if row.value is None else reported)(np.array([given]), method)
        shown = w.format.number(float(rounded[0]), int(decimals[0]))
        about = "–" if spread is None else w.format.number(spread, int(decimals[0]) + 1)
    return f"{'< ' if row.value is None else ''}{shown}{soil_unit(row.unit)}", about


def _degrees(value: float | None, w: Words) -> str:
    """A longitude or latitude, to about a metre."""
    return "" if value is None else f"{w.format.number(value, 5)}°"


def _facts(visit: Visit, row: Any) -> list[tuple[str, str]]:
    """What is known of a sample, as label and value; what is not known is left out."""
    w = visit.words
    numbers = (
        "cores", "bulk_density_g_per_cm3", "lime_percent", "ph_water", "moisture_percent",
        "air_dry_moisture_percent", "soil_g", "extract_ml",
    )  # fmt: skip
    places = ("longitude", "latitude")
    crops = ", ".join(w.wording.name("crops", crop) for crop in (row.crop, *row.other_crops))
    facts = [
        (w("samples.label"), row.label),
        (w("samples.depth"), f"{w.number(row.depth_from_cm)}–{w.number(row.depth_to_cm)} cm"),
        (w("samples.sampled_on"), w.day(row.sampled_on)),
        (w("samples.received_on"), w.day(row.received_on)),
        (w("samples.crop"), crops),
        (w("samples.texture"), row.texture),
        (w("samples.soil_group"), row.soil_group),
        (w("samples.tests_wanted"), row.tests_wanted),
        *((w(f"samples.{name}"), w.number(getattr(row, name))) for name in numbers),
        *((w(f"samples.{name}"), _degrees(getattr(row, name), w)) for name in places),
    ]
    return [(label, value) for label, value in facts if value not in ("", "–")]
