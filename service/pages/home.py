"""The first page: what waits for the person who signed in."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse

from service.actions.waiting import waiting_for
from service.web.visit import Visiting

router = APIRouter()


@router.get("/")
def home(visit: Visiting) -> HTMLResponse:
    """Show what waits, and the ways into the work."""
    found = waiting_for(visit.site, visit.caller)
    known = visit.tables.regions if found.drafts else {}
    names = {name: each.name for name, each in known.items()}
    return visit.page("home.html.j2", waiting=found, regions=names)
