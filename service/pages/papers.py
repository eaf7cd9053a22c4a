"""Pages for values typed from any laboratory's paper: onto a visit, or with a visit made for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse, Response

from interpretation.agronomy.tables import YIELD_UNITS
from interpretation.errors import FurrowsliceError
from interpretation.quantities import ANALYTES, BASES, SOIL_UNITS
from reports.findings import FORMLESS
from reports.format import printed
from service.actions import advising, land, papers
from service.actions.checking import checked
from service.actions.papers import TypedSample, TypedValue, WalkIn
from service.pages.forms import Id, Sent, number_of, text_of, wrong_fields
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
ROWS, MORE, MOST_ROWS = 6, 6, 60
SAMPLES = 3
VALUE = ("sample", "what", "method", "value", "unit", "basis", "uncertainty")
SAMPLE = ("label", "depth_from_cm", "depth_to_cm", "texture")
WALK_IN = (
    "grower_name", "grower_code", "farm_name", "field_name", "field_code", "county_id", "area_ha",
    "sampled_on", "crop", "yield_goal", "yield_unit", "previous_crop", "origin",
)  # fmt: skip


@router.get("/visits/{visit_id}/values")
def values_form(visit: Visiting, visit_id: Id) -> HTMLResponse:
    """Show the form for values of a visit's samples."""
    return _values_page(visit, visit_id, [{}] * ROWS, "")


@router.post("/visits/{visit_id}/values")
def type_values(visit: Posted, visit_id: Id, given: Sent) -> Response:
    """Store typed values, or show the form with more rows."""
    rows, origin = _rows(given, VALUE), text_of(given, "origin")
    if "more" in given:
        return _values_page(visit, visit_id, _longer(rows), origin)
    try:
        papers.type_values(visit.site, visit.caller, visit_id, typed_values(rows), origin)
    except FurrowsliceError as error:
        return _values_page(visit, visit_id, rows, origin, error)
    return visit.go(f"/visits/{visit_id}", "advising.done-values")


@router.get("/walk-in")
def walk_in_form(
    visit: Visiting, field: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None
) -> HTMLResponse:
    """Show the form that makes a visit from a paper; for a registered field, without the field's part."""
    start = {"depth_from_cm": "0", "depth_to_cm": "20"}
    return _walk_in_page(visit, field, {}, [start] + [{}] * (SAMPLES - 1), [{}] * ROWS)


@router.post("/walk-in")
def walk_in(visit: Posted, given: Sent) -> Response:
    """Make a visit with its samples and values, or show the form with more rows."""
    rows, samples = _rows(given, VALUE), _rows(given, SAMPLE)
    head = {name: text_of(given, name) for name in WALK_IN}
    number = text_of(given, "field")
    field = int(number) if number.isascii() and number.isdecimal() and len(number) < 10 else None
    if "more" in given:
        return _walk_in_page(visit, field, head, samples, _longer(rows))
    try:
        made = papers.walk_in(visit.site, visit.caller, _walk_in(field, head, samples, rows))
    except FurrowsliceError as error:
        return _walk_in_page(visit, field, head, samples, rows, error)
    return visit.go(f"/visits/{made.visit_id}", "advising.done-walk-in")


def typed_values(rows: Sequence[Mapping[str, str]]) -> list[TypedValue]:
    """Rows in which something but the sample was filled in."""
    typed = []
    for number, row in enumerate(rows, 1):
        if any(row.get(name) for name in ("what", "method", "value")):
            analyte, _, form = row.get("what", "").partition("|")
            sign = "<" if row.get("value", "").startswith("<") else ""
            value = row.get("value", "").removeprefix("<").strip()
            typed.append(
                checked(
                    TypedValue,
                    {
                        "row": number, "sample": row.get("sample", ""), "analyte": analyte, "form": form,
                        "method": row.get("method", ""), "value": sign + (number_of(value) or ""),
                        "unit": row.get("unit", ""), "basis": row.get("basis", ""),
                        "standard_uncertainty": number_of(row.get("uncertainty", "")) or "",
                    },
                )
            )  # fmt: skip
    return typed


def _walk_in(
    field: int | None, head: Mapping[str, str], samples: Sequence[Mapping[str, str]],
    rows: Sequence[Mapping[str, str]],
) -> WalkIn:  # fmt: skip
    typed = typed_values(rows)
    plan = {
        "crop": head["crop"], "previous_crop": head["previous_crop"],
        "yield_goal": number_of(head["yield_goal"]), "yield_unit": head["yield_unit"] or None,
    }  # fmt: skip
    whose = {
        name: head[name]
        for name in ("grower_name", "grower_code", "farm_name", "field_name", "field_code", "county_id")
    }
    last = max((i for i, row in enumerate(samples, 1) if any(row.values())), default=1)
    return checked(
        WalkIn,
        {
            "field_id": field, **whose, "area_ha": number_of(head["area_ha"]) or "",
            "sampled_on": head["sampled_on"], "origin": head["origin"],
            "plan": checked(advising.Plan, plan),
            "samples": [
                checked(TypedSample, dict(row) | {
                    name: number_of(row.get(name, "")) or "" for name in ("depth_from_cm", "depth_to_cm")
                })
                for row in samples[:last]
            ],
            "values": typed,
        },
    )  # fmt: skip


def _rows(given: Any, names: Sequence[str]) -> list[dict[str, str]]:
    """Rows of a table of inputs: the nth of each name belongs to the nth row."""
    columns = {
        name: [text.strip() if isinstance(text, str) else "" for text in given.getlist(name)]
        for name in names
    }
    count = min(max(map(len, columns.values())), MOST_ROWS)
    return [
        {name: (texts[row] if row < len(texts) else "") for name, texts in columns.items()}
        for row in range(count)
    ]


def _longer(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    return [*rows, *({} for _ in range(min(MORE, MOST_ROWS - len(rows))))]


def _choices(visit: Visit) -> dict[str, Any]:
    """What the inputs of a value offer."""
    wording = visit.words.wording
    what = []
    for key, analyte in ANALYTES.items():
        name = wording.name("analytes", key)
        for form in analyte.factors:
            shown = name if form in FORMLESS or len(analyte.factors) == 1 else f"{name}: {printed(form)}"
            what.append((f"{key}|{form}", shown))
    methods = visit.tables.methods.values()
    return {
        "what": sorted(what, key=lambda each: each[1].casefold()),
        "methods": sorted((m.id, wording.known("methods", m.id, m.title)) for m in methods),
        "units": [(unit, printed(unit) or unit) for unit in SOIL_UNITS],
        "bases": [(basis, wording.name("bases", basis)) for basis in BASES],
    }


def _values_page(
    visit: Visit, visit_id: Id, rows: Sequence[Mapping[str, str]], origin: str,
    error: FurrowsliceError | None = None,
) -> HTMLResponse:  # fmt: skip
    found = advising.samples(visit.site, visit.caller, visit_id)
    return visit.page(
        "advising/values.html.j2", 200 if error is None else 422, visit=found.visit,
        samples=[(each.lab_number, f"{each.lab_number} {each.label}".strip()) for each in found.samples],
        rows=rows, origin=origin, error=error, wrong=wrong_fields(error), **_choices(visit),
    )  # fmt: skip


def _walk_in_page(
    visit: Visit, field: int | None, head: Mapping[str, str], samples: Sequence[Mapping[str, str]],
    rows: Sequence[Mapping[str, str]], error: FurrowsliceError | None = None,
) -> HTMLResponse:  # fmt: skip
    wording = visit.words.wording
    crops = [(crop, wording.name("crops", crop)) for crop in visit.tables.crops]
    counties = [(each, name) for each, name, _ in land.counties(visit.site, visit.caller)]
    return visit.page(
        "advising/walk_in.html.j2", 200 if error is None else 422,
        field=land.field(visit.site, visit.caller, field) if field else None,
        head={name: head.get(name, "") for name in WALK_IN}, sample_rows=samples, rows=rows,
        counties=[("", visit.words("advising.choose")), *counties],
        crops=[("", visit.words("advising.choose")), *sorted(crops, key=lambda each: each[1].casefold())],
        yield_units=[(unit, unit) for unit in YIELD_UNITS],
        samples=[(str(n), str(n)) for n in range(1, len(samples) + 1)], error=error,
        wrong=wrong_fields(error), **_choices(visit),
    )  # fmt: skip
