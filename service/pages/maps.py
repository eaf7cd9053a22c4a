"""Pages of places: the map of a visit, and the form that loads places from a file."""

from __future__ import annotations

import json
from typing import Annotated

from fastapi import APIRouter, File, Query, UploadFile
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from interpretation.results import SoilResult
from reports.findings import analyte_and_form, by_analyte, class_name, written_value
from service.actions import advising, maps
from service.actions.geojson import read_ground
from service.files import safe_name
from service.pages.drawing.ground import HEIGHT, WIDTH, Placed, drawn
from service.pages.forms import Id
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
GEOJSON = "application/geo+json"


@router.get("/visits/{visit_id}/map")
def visit_map(
    visit: Visiting, visit_id: Id, test: Annotated[str, Query(max_length=200)] = ""
) -> HTMLResponse:
    """Show where the samples of a visit were taken, by their class in one test."""
    found = advising.advised(visit.site, visit.caller, visit_id)
    groups = [g for g in by_analyte(found.advice.results if found.advice else ()) if g]
    keys = [f"{group[0].analyte} {group[0].method}" for group in groups]
    at = keys.index(test) if test in keys else 0
    group = groups[at] if groups else []
    results = {result.lab_number: result for result in group}
    w = visit.words
    scaled = next((result for result in group if result.limits), None)
    classes = [limit.name for limit in scaled.limits] if scaled else []
    adequate = classes.index(scaled.adequate_from) if scaled and scaled.adequate_from in classes else None
    placed = [
        Placed(
            sample.label or sample.lab_number, (sample.longitude, sample.latitude), _index(results, number)
        )
        for sample in found.samples
        for number in (sample.lab_number,)
        if sample.longitude is not None and sample.latitude is not None
    ]
    rows = [
        (sample, written_value(result, w.wording) if result else "–",
         class_name(result, w.wording) if result and result.class_name else w("land.no-class"))
        for sample in found.samples
        for result in (results.get(sample.lab_number),)
    ]  # fmt: skip
    return visit.page(
        "land/map.html.j2", visit=found.visit, rows=rows,
        map=drawn(
            placed, found.visit.outline, [w.wording.name("classes", each) for each in classes],
            w("land.no-class"), adequate,
        ),
        tests=[(key, analyte_and_form(group[0], w.wording)) for key, group in zip(keys, groups, strict=True)],
        chosen=keys[at] if keys else "", width=WIDTH, height=HEIGHT,
        title=analyte_and_form(group[0], w.wording) if group else "",
        method=w.wording.name("methods", group[0].method) if group else "",
    )  # fmt: skip


def _index(results: dict[str, SoilResult], number: str) -> int | None:
    result = results.get(number)
    return None if result is None else result.class_index


@router.get("/visits/{visit_id}/map.geojson")
def visit_geojson(visit: Visiting, visit_id: Id) -> Response:
    """Hand out the samples of a visit as GeoJSON."""
    found = advising.advised(visit.site, visit.caller, visit_id)
    name = f"{safe_name(found.visit.field_code)}.{found.visit.sampled_on}.geojson"
    return Response(
        json.dumps(maps.features(found), ensure_ascii=False), media_type=GEOJSON,
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )  # fmt: skip


@router.get("/places")
def places_form(visit: Visiting) -> HTMLResponse:
    """Show the form that loads places from a file."""
    maps.check_may_load(visit.site, visit.caller)
    return _places(visit)


@router.post("/places")
def load_places(visit: Posted, file: Annotated[UploadFile, File()]) -> Response:
    """Set where samples were taken and how fields are outlined."""
    try:
        samples, fields = maps.load_ground(visit.site, visit.caller, read_ground(file.file.read()))
    except FurrowsliceError as error:
        return _places(visit, error=error)
    return _places(visit, done=(samples, fields))


def _places(
    visit: Visit, *, error: FurrowsliceError | None = None, done: tuple[int, int] | None = None
) -> HTMLResponse:
    return visit.page("land/places.html.j2", 200 if error is None else 422, error=error, loaded=done)
