"""The editor: one table of a draft as a form, with what is wrong beside each cell and a picture of it all."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from service.actions import drafting, editing
from service.actions.editing import Editing
from service.entries.columns import MOST_ROWS
from service.entries.comparing import CellChange, compare
from service.pages import entryviews
from service.pages.cellwords import column_name, one_name, sheet_name
from service.pages.draftlines import region_name, title_of
from service.pages.entryforms import Grid, grid_from, grid_of, pressed, spared
from service.pages.entrypictures import picture_of
from service.pages.forms import Id, Sent, text_of
from service.refusals import Conflict, NotAllowed, NotFound
from service.web.problems import status_of
from service.web.templates import Words
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
_ADD_SOURCE, _SETTLE = "add-source-", "settle-"


@router.get("/tables/drafts/{draft_id}/entries/{number}")
def editor(visit: Visiting, draft_id: Id, number: Id) -> HTMLResponse:
    """Show one table of a draft to be typed into."""
    found = editing.opened(visit.site, visit.caller, draft_id, number)
    return _page(visit, found, grid_of(found.entry), found.desk.revision)


@router.post("/tables/drafts/{draft_id}/entries/{number}/look")
def look(visit: Posted, draft_id: Id, number: Id, given: Sent) -> HTMLResponse:
    """Show what is typed, as a part of the page that the script puts in its place; nothing is stored."""
    stored = editing.as_stored(visit.site, visit.caller, draft_id, number)
    grid = grid_from(stored.kind, number, given)
    found = editing.opened(visit.site, visit.caller, draft_id, number, grid.entry())
    return visit.page("drafts/look.html.j2", **_shown(visit, found, spared(grid)))


@router.post("/tables/drafts/{draft_id}/entries/{number}")
def typed(visit: Posted, draft_id: Id, number: Id, given: Sent) -> Response:
    """Do what the button says: look, store, a row more or less, a comment, a source."""
    stored = editing.as_stored(visit.site, visit.caller, draft_id, number)
    grid = grid_from(stored.kind, number, given)
    revision, button = _number(given, "revision"), text_of(given, "do")
    here = f"/tables/drafts/{draft_id}/entries/{number}"
    if button == "save":
        return _save(visit, draft_id, grid, revision, here, text_of(given, "reason")[:2000])
    error: FurrowsliceError | None = None
    told = ""
    try:
        told = _beside(visit, draft_id, number, button, given)
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as refused:
        error = refused
    if told and grid.entry().said() == stored.said():
        return visit.go(here, told)
    found = editing.opened(visit.site, visit.caller, draft_id, number, grid.entry())
    said = text_of(given, "comment") if error else ""
    return _page(visit, found, spared(pressed(grid, button)), revision, error=error, told=told, comment=said)


def _save(visit: Visit, draft_id: int, grid: Grid, revision: int, here: str, reason: str) -> Response:
    try:
        drafting.save(visit.site, visit.caller, draft_id, revision, grid.entry(), reason)
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        # What was typed stays on the page, over what is stored now: to store it next is to know of both.
        found = editing.opened(visit.site, visit.caller, draft_id, grid.number, grid.entry())
        newest = found.desk.revision if isinstance(error, Conflict) else revision
        return _page(visit, found, spared(grid), newest, error=error)
    return visit.go(here, "drafts.done-saved")


def _beside(visit: Visit, draft_id: int, number: int, button: str, given: Any) -> str:
    """What is done beside the cells; returns the word about it, or nothing."""
    site, caller = visit.site, visit.caller
    if button == "comment":
        place, text = text_of(given, "comment-place")[:100], text_of(given, "comment")
        drafting.comment(site, caller, draft_id, number, place, text)
        return "drafts.done-commented"
    comment = button.removeprefix(_SETTLE)
    if comment != button and comment.isdecimal() and len(comment) < 10:
        drafting.settle(site, caller, draft_id, int(comment))
        return "drafts.done-settled"
    if (source := button.removeprefix(_ADD_SOURCE)) != button:
        drafting.add(site, caller, draft_id, "sources", named=source[:120])
        return "drafts.done-source"
    return ""


def _number(given: Any, name: str) -> int:
    text = text_of(given, name)
    return int(text) if text.isdecimal() and len(text) < 10 else 0


def _page(
    visit: Visit, found: Editing, grid: Grid, revision: int, *, error: FurrowsliceError | None = None,
    told: str = "", comment: str = "",
) -> HTMLResponse:  # fmt: skip
    w, desk = visit.words, found.desk
    shown = _shown(visit, found, grid)
    return visit.page(
        "drafts/entry.html.j2", status_of(error) if error else 200, error=error, told=told, comment=comment,
        draft=desk.draft, desk=desk, revision=revision, region_name=region_name(desk),
        title=title_of(w, found.stored), one=one_name(w, grid.kind), lists=entryviews.lists_of(w, found),
        known=entryviews.known_of(w, found), most_rows=MOST_ROWS, may_change=desk.draft.state == "open",
        places=entryviews.places_of(w, shown["boxes"], shown["sheets"]),
        unsaved=found.entry.said() != found.stored.said(), against=_against(w, found, error),
        cited_by=entryviews.cited_by(w, found) if grid.kind == "sources" else [], **shown,
    )  # fmt: skip


def _shown(visit: Visit, found: Editing, grid: Grid) -> dict[str, Any]:
    """What both the page and its live part show."""
    w = visit.words
    told = entryviews.told_of(grid, found)
    boxes = entryviews.boxes_of(w, grid, found, told)
    sheets = entryviews.sheets_of(w, grid, found, told)
    names = {box.name: box.label for box in boxes}
    names |= {
        box.name: w("drafts.cell-of-row", sheet=sheet.label, row=number, column=box.label)
        for sheet in sheets for number, row in enumerate(sheet.rows, 1) for box in row
    }  # fmt: skip
    severities = [each.severity for problems in told.values() for each in problems]
    return {
        "draft_id": found.desk.draft.id, "entry": found.entry, "boxes": boxes, "sheets": sheets,
        "whole": told.get("", []), "whole_said": entryviews.said_of(grid, found).get("", []),
        "errors": severities.count("error"), "warnings": severities.count("warning"),
        "wrong": [(name, names[name], each) for name, problems in told.items() if name in names
                  for each in problems],
        "picture": picture_of(w, found), "cited": entryviews.cited_of(found),
    }  # fmt: skip


def _against(w: Words, found: Editing, error: FurrowsliceError | None) -> list[tuple[str, str, str]]:
    """What differs between what is stored now and what was typed, once storing was refused."""
    if not isinstance(error, Conflict):
        return []
    typed = found.entry.model_copy(update={"facts": found.entry.facts | {"id": found.stored.id}})
    return [
        (_cell(w, found.entry.kind, each), each.before or "–", each.after or "–")
        for change in compare([found.stored], [typed]) for each in change.cells
    ]  # fmt: skip


def _cell(w: Words, kind: str, change: CellChange) -> str:
    label = column_name(w, change.sheet or kind, change.column)
    return f"{sheet_name(w, change.sheet)}, {change.row}: {label}" if change.sheet else label
