"""Signing in and out, the second factor, and the link that sets a password."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote

import segno
from fastapi import APIRouter, Form, Request
from starlette.responses import HTMLResponse, Response

from service.actions import signing
from service.actions.wrongfields import WrongFields
from service.refusals import NotFound, TooMany
from service.web.visit import COOKIE, AnyVisit, Posted, Visit, check_form, drop_cookie, set_cookie
from service.web.wrong import worded

router = APIRouter()
Typed = Annotated[str, Form()]


@dataclass(frozen=True)
class Square:
    """A QR code as one path of an SVG, so that no template has to trust markup from elsewhere."""

    size: int
    path: str


def square(text: str) -> Square:
    """Draw a text as a QR code, with the quiet edge of four modules that readers need."""
    code = segno.make_qr(text, error="m")
    edge = 4
    rows = [
        f"M{x + edge} {y + edge}h1v1h-1z"
        for y, row in enumerate(code.matrix)
        for x, dark in enumerate(row)
        if dark
    ]
    return Square(len(code.matrix) + 2 * edge, "".join(rows))


def own_path(wanted: str) -> str:
    """Where to go after signing in: only a path of this site, whatever a link says."""
    plain = wanted.isprintable() and "\\" not in wanted
    return wanted if plain and wanted.startswith("/") and not wanted.startswith("//") else "/"


def _address(request: Request) -> str:
    return request.client.host if request.client is not None else ""


def _at_code(wanted: str) -> str:
    return f"/sign-in/code?next={quote(own_path(wanted))}"


# The forms before sign-in have no session whose token they could carry. The check of origin in
# service.web.guard covers them: another site cannot make a browser send them, so nobody is signed in as
# somebody else by stealth; and what they do needs a secret that only the person has.


@router.get("/sign-in")
def sign_in_page(visit: AnyVisit, next: str = "/") -> Response:  # noqa: A002 - the name in the address
    """Show the form; who is signed in goes on at once."""
    if visit.session is not None and visit.session.confirmed:
        return visit.go(own_path(next))
    return _sign_in(visit, next)


def _sign_in(visit: Visit, wanted: str, status: int = 200, **values: Any) -> HTMLResponse:
    shown = {"next": own_path(wanted), "email": "", "errors": {}, "wait": None} | values
    return visit.page("signing/sign-in.html.j2", status, **shown)


@router.post("/sign-in")
def sign_in(
    visit: AnyVisit, email: Typed = "", password: Typed = "", next: Typed = "/"  # noqa: A002
) -> Response:  # fmt: skip
    """Take address and password."""
    request = visit.request
    old = request.cookies.get(COOKIE, "")
    try:
        signed = signing.sign_in(visit.site, visit.caller, _address(request), email, password, old)
    except WrongFields as error:
        return _sign_in(visit, next, error.status, email=email, errors=worded(visit, error))
    except TooMany as error:
        answer = _sign_in(visit, next, error.status, email=email, wait=-(-error.wait_seconds // 60))
        answer.headers["retry-after"] = str(error.wait_seconds)
        return answer
    return _with_session(visit, signed, own_path(next) if signed.confirmed else _at_code(next))


def _with_session(visit: Visit, signed: signing.SignedIn, path: str) -> Response:
    going = visit.go(path)
    set_cookie(going, signed.token, visit.site)
    return going


@router.get("/sign-in/code")
def code_page(visit: AnyVisit, next: str = "/") -> Response:  # noqa: A002
    """Ask for a code; the first time, show what the telephone needs to make them."""
    if visit.session is None:
        return visit.go("/sign-in")
    if visit.session.confirmed:
        return visit.go(own_path(next))
    return _code(visit, next)


def _code(visit: Visit, wanted: str, status: int = 200, **values: Any) -> HTMLResponse:
    enrolment = signing.enrolment(visit.site, visit.caller)
    shown = {"next": own_path(wanted), "errors": {}, "wait": None, "enrolment": enrolment} | values
    picture = None if enrolment is None else square(enrolment.uri)
    return visit.page("signing/code.html.j2", status, picture=picture, **shown)


@router.post("/sign-in/code")
def code(
    visit: AnyVisit, code: Typed = "", next: Typed = "/", form_token: Typed = ""  # noqa: A002
) -> Response:  # fmt: skip
    """Take a code; the session gets another secret together with its rights."""
    if visit.session is None:
        return visit.go("/sign-in")
    check_form(visit, form_token)
    if visit.session.confirmed:
        return visit.go(own_path(next))
    token = visit.request.cookies[COOKIE]
    try:
        signed = signing.confirm(visit.site, visit.caller, visit.session, token, code)
    except WrongFields as error:
        return _code(visit, next, error.status, errors=worded(visit, error))
    except TooMany as error:
        answer = _code(visit, next, error.status, wait=-(-error.wait_seconds // 60))
        answer.headers["retry-after"] = str(error.wait_seconds)
        return answer
    return _with_session(visit, signed, own_path(next))


@router.post("/sign-out")
def sign_out(visit: Posted) -> Response:
    """End the session here and at the server."""
    signing.sign_out(visit.site, visit.caller, visit.request.cookies[COOKIE])
    answer = visit.go("/sign-in", "signing.done-signed-out")
    drop_cookie(answer)
    return answer


@router.get("/set-password/{token}")
def password_page(visit: AnyVisit, token: str) -> HTMLResponse:
    """Show the form that a one-time link opens."""
    try:
        account = signing.account_of_link(visit.site, visit.caller, token)
    except NotFound as error:
        return visit.page("signing/gone.html.j2", error.status, of="password")
    return visit.page("signing/set-password.html.j2", account=account, errors={})


@router.post("/set-password/{token}")
def set_password(visit: AnyVisit, token: str, password: Typed = "") -> Response:
    """Set the password; the link works no more."""
    old = visit.request.cookies.get(COOKIE, "")
    try:
        signed = signing.set_password(visit.site, visit.caller, token, password, old)
    except NotFound as error:
        return visit.page("signing/gone.html.j2", error.status, of="password")
    except WrongFields as error:
        account = signing.account_of_link(visit.site, visit.caller, token)
        return visit.page(
            "signing/set-password.html.j2", error.status, account=account, errors=worded(visit, error)
        )
    if signed is None:
        return visit.go("/sign-in", "signing.done-password")
    return _with_session(visit, signed, "/sign-in/code")
