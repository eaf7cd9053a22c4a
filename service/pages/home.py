"""The first page: what waits for the person who signed in."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse

from service.web.visit import Visiting

router = APIRouter()


@router.get("/")
def home(visit: Visiting) -> HTMLResponse:
    """Show the ways into the work."""
    return visit.page("home.html.j2")
