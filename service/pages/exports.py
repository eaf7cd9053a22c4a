"""Whole collections to take away, for people: a form, and the file it asks for."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse, StreamingResponse

from service.actions import land
from service.actions.exports import choose, offered, write_export
from service.exportfiles import MEDIA_TYPES, Format
from service.refusals import Invalid
from service.store.exports import Name, Wanted
from service.web.downloads import sent
from service.web.visit import Visiting

router = APIRouter()
Word = Annotated[str, Query(max_length=100)]


@router.get("/exports")
def exports_page(visit: Visiting) -> HTMLResponse:
    """Show what can be taken away."""
    names = offered(visit.site, visit.caller)
    counties = [(each, name) for each, name, _ in land.counties(visit.site, visit.caller)]
    return visit.page("exports/exports.html.j2", names=names, formats=tuple(MEDIA_TYPES), counties=counties)


@router.get("/exports/file")
def export_file(
    visit: Visiting, name: Name = "samples", format: Format = "xlsx",  # noqa: A002 - its name in the address
    year: Word = "", county: Word = "", first: Annotated[Word, Query(alias="from")] = "",
    last: Annotated[Word, Query(alias="to")] = "",
) -> StreamingResponse:  # fmt: skip
    """Send one collection, by itself what the form begins with; a field that is empty narrows nothing."""
    wanted = choose(_year(year), Wanted(county or None, _day("from", first), _day("to", last)))
    made = write_export(visit.site, visit.caller, name, format, wanted)
    return sent(made.file, made.size_bytes, made.name, made.media_type)


def _year(text: str) -> int | None:
    if not text.strip():
        return None
    if not (text.isascii() and text.isdecimal() and 1900 <= int(text) <= 2200):
        raise _wrong("year", "a year from 1900 to 2200")
    return int(text)


def _day(name: str, text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise _wrong(name, "a day such as 2026-04-20") from None


def _wrong(name: str, expected: str) -> Invalid:
    return Invalid(
        f"{name} cannot be read", where=name, expected=expected, fix="correct it, or leave it empty",
        fields={name: expected},
    )  # fmt: skip
