"""The page of what was in force for a field on a day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse

from service.actions import fieldtables
from service.actions.fieldtables import Holding
from service.pages.forms import Id
from service.refusals import Invalid
from service.web.templates import Words
from service.web.visit import Visiting

router = APIRouter()


@dataclass(frozen=True)
class Line:
    """One table that holds, in words; ``address`` is empty where none does."""

    what: str
    samples: str
    table: str
    address: str
    note: str = ""


@router.get("/fields/{field_id}/tables")
def tables_of_field(
    visit: Visiting, field_id: Id, on: Annotated[str, Query(max_length=40)] = ""
) -> HTMLResponse:
    """Show what was in force for a field on a day."""
    found, w = fieldtables.for_field(visit.site, visit.caller, field_id, _day(on)), visit.words
    base = f"/tables/releases/{found.of_region.id}" if found.of_region else ""
    visits = [
        (
            each,
            [_line(w, held, f"{base}/scales", "class-of") for held in each.scales]
            + [_line(w, held, f"{base}/rates", "amount-of") for held in each.rates],
        )
        for each in found.visits
    ]
    return visit.page("releases/field.html.j2", found=found, visits=visits, most=fieldtables.MOST_VISITS)


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text.strip()) if text.strip() else None
    except ValueError:
        wanted = "a day such as 2026-04-20, or nothing"
        raise Invalid(
            f"{text.strip()!r} is no day", where="on", expected=wanted, fix="choose the day",
            fields={"on": wanted},
        ) from None  # fmt: skip


def _line(w: Words, held: Holding, base: str, key: str) -> Line:
    if key == "class-of":
        method = w.wording.name("methods", held.method)
        what = w("releases.class-of", analyte=w.wording.name("analytes", held.subject), method=method)
    else:
        what = w("releases.amount-of", nutrient=w.wording.name("nutrients", held.subject))
    soils = "; ".join(_soil(w, *each) for each in held.soils)
    if held.table is not None:
        table = held.table
        note = "" if held.tested else w("releases.not-tested")
        return Line(what, soils, table.title or table.id, f"{base}/{table.id}", note)
    return Line(what, soils, _why_none(w, held.failed), "")


def _soil(w: Words, layer: tuple[float, float], texture: str, group: str) -> str:
    named = w.wording.name("textures", texture) if texture else ""
    return ", ".join(filter(None, (w.wording.layer(*layer), named, group)))


def _why_none(w: Words, failed: tuple[str, ...]) -> str:
    if failed == ("ambiguous",):
        return w("releases.two-tables")
    if failed == ("analyte",):
        return w("releases.no-scale-here")
    mismatch = w.format.join([w.wording.name("scope", each) for each in failed])
    return w("releases.no-table-holds", mismatch=mismatch)
