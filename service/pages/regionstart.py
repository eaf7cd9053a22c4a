"""Pages on which a region that has no tables yet is begun: copied from another, or from a first scale."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar, get_args

from fastapi import APIRouter
from pydantic import BaseModel
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from interpretation.quantities import ANALYTES, Basis, SoilUnit
from service.actions import regionstart
from service.actions.regionstart import FirstScale, NewRegion
from service.pages.cellwords import choice_name
from service.pages.forms import Sent, text_of, wrong_fields
from service.refusals import NotAllowed, NotFound
from service.web.problems import status_of
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
_HERE = "/tables/drafts/new-region"
Asked = TypeVar("Asked", bound=BaseModel)


@router.get(_HERE)
def copy_form(visit: Visiting) -> HTMLResponse:
    """Ask which region is copied, and whose the new one is."""
    return _copy_form(visit, {})


@router.post(_HERE)
def copy(visit: Posted, given: Sent) -> Response:
    """Begin a new region as a copy of another."""
    try:
        new = _of(NewRegion, given)
        made = regionstart.copy_region(visit.site, visit.caller, new, text_of(given, "copied"))
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        return _copy_form(visit, given, error)
    return visit.go(f"/tables/drafts/{made}", "drafts.done-begun")


@router.get(_HERE + "/empty")
def empty_form(visit: Visiting) -> HTMLResponse:
    """Ask what the first scale measures, then whose the region is."""
    return _empty_form(visit, {})


@router.post(_HERE + "/empty")
def begin_empty(visit: Posted, given: Sent) -> Response:
    """Begin a new region with a first scale."""
    try:
        made = regionstart.begin_empty(
            visit.site, visit.caller, _of(NewRegion, given), _of(FirstScale, given)
        )
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        return _empty_form(visit, given, error)
    return visit.go(f"/tables/drafts/{made}/entries/2", "drafts.done-begun")


def _of(model: type[Asked], given: Mapping[str, Any]) -> Asked:
    return model(**{name: text_of(given, name) for name in model.model_fields})


def _page(
    visit: Visit, template: str, given: Mapping[str, Any], error: FurrowsliceError | None, **more: Any
) -> HTMLResponse:
    can = regionstart.startable(visit.site, visit.caller)
    typed = {name: text_of(given, name) for name in (*NewRegion.model_fields, *FirstScale.model_fields)}
    typed["id"] = typed["id"] or (can.own if can.may_begin_new else "")
    return visit.page(
        template, status_of(error) if error else 200, can=can, typed=typed, error=error,
        wrong=wrong_fields(error), **more,
    )  # fmt: skip


def _copy_form(visit: Visit, given: Mapping[str, Any], error: FurrowsliceError | None = None) -> HTMLResponse:
    found = regionstart.published(visit.site, visit.caller)
    regions = sorted(found.items(), key=lambda each: each[1].casefold())
    return _page(
        visit, "drafts/new-region.html.j2", given, error, regions=regions, copied=text_of(given, "copied")
    )


def _empty_form(
    visit: Visit, given: Mapping[str, Any], error: FurrowsliceError | None = None
) -> HTMLResponse:
    w, tables = visit.words, regionstart.known(visit.site, visit.caller)
    analytes = sorted(
        ((each, w.wording.name("analytes", each)) for each in ANALYTES), key=lambda each: each[1]
    )
    return _page(
        visit, "drafts/new-empty.html.j2", given, error, analytes=[("", "–"), *analytes],
        units=[("", "–"), *((each, each) for each in get_args(SoilUnit))],
        bases=[("", "–"), *((each, choice_name(w, "basis", each)) for each in get_args(Basis))],
        methods=[
            (each.id, w.wording.known("methods", each.id, each.title)) for each in tables.methods.values()
        ],
        crops=[(each, w.wording.name("crops", each)) for each in tables.crops],
    )  # fmt: skip
