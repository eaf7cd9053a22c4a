"""Everybody's own page: language, password, access tokens, sessions."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form
from starlette.responses import HTMLResponse, Response

from service.actions import myself
from service.actions.wrongfields import WrongFields
from service.pages.forms import Id
from service.web.visit import Posted, Visit, Visiting, set_cookie
from service.web.wrong import worded

router = APIRouter()
Typed = Annotated[str, Form()]


@router.get("/me")
def my_page(visit: Visiting) -> HTMLResponse:
    """Show one's own account."""
    return _mine(visit)


def _mine(visit: Visit, status: int = 200, **values: Any) -> HTMLResponse:
    mine = myself.show_myself(visit.site, visit.caller)
    shown = {"errors": {}, "token_name": "", "token_days": "90", "chosen": ()} | values
    return visit.page("people/me.html.j2", status, mine=mine, **shown)


@router.post("/me/language")
def choose_language(visit: Posted, language: Typed = "") -> Response:
    """Read the pages in another language."""
    try:
        myself.choose_language(visit.site, visit.caller, language)
    except WrongFields as error:
        return _mine(visit, error.status, errors=worded(visit, error))
    return visit.go("/me", "people.done-language")


@router.post("/me/password")
def change_password(visit: Posted, old: Typed = "", new: Typed = "") -> Response:
    """Change one's own password."""
    try:
        token = myself.change_password(visit.site, visit.caller, old, new)
    except WrongFields as error:
        return _mine(visit, error.status, errors=worded(visit, error))
    answer = visit.go("/me", "people.done-password")
    set_cookie(answer, token, visit.site)
    return answer


@router.post("/me/tokens")
def make_token(
    visit: Posted, name: Typed = "", days: Typed = "", rights: Annotated[list[str] | None, Form()] = None
) -> HTMLResponse:
    """Make an access token and show it once."""
    number = int(days) if days.isdecimal() and len(days) < 6 else 0
    try:
        made, secret = myself.make_token(visit.site, visit.caller, name, rights or (), number)
    except WrongFields as error:
        typed = {"token_name": name, "token_days": days, "chosen": tuple(rights or ())}
        return _mine(visit, error.status, errors=worded(visit, error), **typed)
    return visit.page("people/token.html.j2", made=made, secret=secret)


@router.post("/me/tokens/{token_id}/revoke")
def revoke_token(visit: Posted, token_id: Id) -> Response:
    """Let a token work no more."""
    myself.revoke_token(visit.site, visit.caller, token_id)
    return visit.go("/me", "people.done-revoked")


@router.post("/me/sessions/{session_id}/end")
def end_session(visit: Posted, session_id: Id) -> Response:
    """End one of one's own sessions."""
    myself.end_session(visit.site, visit.caller, session_id)
    return visit.go("/me", "people.done-ended")
