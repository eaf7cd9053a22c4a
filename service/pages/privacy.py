"""What is kept about a grower: told, fetched, erased."""

from __future__ import annotations

import json
from typing import Annotated

from fastapi import APIRouter, Form
from starlette.responses import HTMLResponse, Response

from service.actions import privacy
from service.pages.forms import Id
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()


@router.get("/growers/{grower_id}/personal-data")
def kept_page(visit: Visiting, grower_id: Id) -> HTMLResponse:
    """Show how much is kept, and the two things a grower may ask for."""
    return _kept(visit, grower_id)


def _kept(visit: Visit, grower_id: Id, status: int = 200, error: str = "") -> HTMLResponse:
    kept = privacy.show_kept(visit.site, visit.caller, grower_id)
    return visit.page("people/personal-data.html.j2", status, kept=kept, sure_error=error)


@router.post("/growers/{grower_id}/personal-data/export")
def export(visit: Posted, grower_id: Id) -> Response:
    """Hand out everything as a file."""
    told = privacy.export_grower(visit.site, visit.caller, grower_id)
    written = json.dumps(told, ensure_ascii=False, indent=1)
    named = {"content-disposition": f'attachment; filename="grower-{grower_id}.json"'}
    return Response(written, media_type="application/json", headers=named)


@router.post("/growers/{grower_id}/personal-data/erase")
def erase(visit: Posted, grower_id: Id, sure: Annotated[str, Form()] = "") -> Response:
    """Erase, if the box was ticked."""
    if sure != "yes":
        return _kept(visit, grower_id, 422, visit.words("people.wrong-sure"))
    privacy.erase_grower(visit.site, visit.caller, grower_id)
    return visit.go(f"/growers/{grower_id}/personal-data", "people.done-erased")
