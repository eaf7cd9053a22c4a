"""A person's request for a page: who it is, how to answer, and the check that a form is ours."""

from __future__ import annotations

import hmac
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Depends, Form, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from interpretation.agronomy.tables import TableSet
from service.callers import Caller, Role, Scope
from service.refusals import Conflict, NotAllowed, NotSignedIn, Unavailable
from service.site import Site
from service.store import accounts
from service.store.accounts import Session
from service.web.templates import LANGUAGES, Words, render, words

COOKIE = "__Host-furrowslice"
LANGUAGE_COOKIE = "__Host-furrowslice-language"
TOUCH_AFTER = timedelta(minutes=1)  # a session's last use is written at most this often


@dataclass(frozen=True)
class Visit:
    """One request of a person; ``session`` is None before sign-in."""

    site: Site
    request: Request
    caller: Caller
    session: Session | None

    @cached_property
    def tables(self) -> TableSet:
        """The tables in force, asked for once in a request."""
        return self.site.tables

    @property
    def words(self) -> Words:
        """The words in the visitor's language."""
        return words(self.caller.language)

    def page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:
        """Answer with a page.

        Raises
        ------
        NotAllowed
            If that is the ``error`` to be shown beside a form: nothing typed there mends it.
        """
        if isinstance(values.get("error"), NotAllowed) and status != NotAllowed.status:
            raise values["error"]
        shared = {
            "caller": self.caller,
            "signed_in": self.session is not None and self.session.confirmed,
            "form_token": self.session.form_token if self.session else "",
            "path": self.request.url.path,
            "done": self.request.query_params.get("done", ""),
            "site_name": "Furrowslice",
            "tongues": {} if self.session else {code: self._in_language(code) for code in LANGUAGES},
        }
        answer = HTMLResponse(render(template, self.caller.language, shared | values), status)
        if self.session is None and self.request.query_params.get("language") in LANGUAGES:
            # Who signs in next, and after a mistake, reads on in the language just chosen.
            answer.set_cookie(
                LANGUAGE_COOKIE, self.caller.language, path="/", secure=True, httponly=True, samesite="lax"
            )
        return answer

    def _in_language(self, code: str) -> str:
        """The address of this page in a language, for those who have no account that remembers one."""
        query = dict(self.request.query_params) | {"language": code}
        return f"{self.request.url.path}?{urlencode(query)}"

    def go(self, path: str, done: str = "") -> RedirectResponse:
        """Answer a form that was carried out: with the page to see next, and a word about what was done.

        ``done`` is a key of the words whose last part begins with ``done-``.
        """
        mark = "&" if "?" in path else "?"
        return RedirectResponse(f"{path}{mark}done={done}" if done else path, 303)


def anonymous(request: Request) -> Caller:
    """Nobody yet; the language is the browser's."""
    return Caller(
        None, "", Role.AGENT, Scope(counties=frozenset()), "page", language=asked_language(request),
        request_id=request.state.request_id,
    )  # fmt: skip


def asked_language(request: Request) -> str:
    """The language chosen on a page, or else the first of ours that the browser asks for."""
    for chosen in (request.query_params.get("language"), request.cookies.get(LANGUAGE_COOKIE)):
        if chosen in LANGUAGES:
            return chosen
    for part in request.headers.get("accept-language", "")[:200].split(","):
        code = part.split(";")[0].strip()[:2].casefold()
        if code in LANGUAGES:
            return code
    return "en"


def any_visit(request: Request) -> Visit:
    """A visit of anybody, signed in or not, second factor shown or not."""
    site: Site = request.app.state.site
    caller = anonymous(request)
    token = request.cookies.get(COOKIE, "")
    if not token:
        return Visit(site, request, caller, None)
    settings = site.settings
    with site.database.look(caller, None) as look:
        found = accounts.session_of(
            look, token, idle=timedelta(minutes=settings.idle_minutes),
            longest=timedelta(hours=settings.session_hours),
        )  # fmt: skip
        now = look.now
    if found is None:
        return Visit(site, request, caller, None)
    session, person = found
    person = replace(person, request_id=request.state.request_id, session_id=session.id)
    if now - session.seen_at > TOUCH_AFTER:
        # Who only reads is not kept waiting for a writer to finish, and not turned away.
        with suppress(Unavailable), site.database.housekeeping(person) as look:
            accounts.touch_session(look, session.id)
    request.state.who = str(person.account_id)
    if not session.confirmed:
        person = replace(person, rights=frozenset())
    return Visit(site, request, person, session)


def visit(found: Annotated[Visit, Depends(any_visit)]) -> Visit:
    """A visit of somebody who is signed in.

    Raises
    ------
    NotSignedIn
        Otherwise; the pages answer it with the way to the sign-in page.
    """
    if found.session is None or not found.session.confirmed:
        raise NotSignedIn(
            "nobody is signed in here, or the session has ended",
            expected="somebody who is signed in",
            fix="sign in; nothing of what you typed was stored",
        )
    return found


def posted(found: Annotated[Visit, Depends(visit)], form_token: Annotated[str, Form()] = "") -> Visit:
    """A form sent by somebody who is signed in, from a page that we made for this session."""
    return check_form(found, form_token)


def check_form(found: Visit, form_token: str) -> Visit:
    """Take a form only with the token of the visitor's own session."""
    session = found.session
    if session is None or not hmac.compare_digest(session.form_token.encode(), form_token.encode()):
        raise Conflict(
            "this form belongs to an earlier sign-in, so nothing was done",
            where=found.request.url.path,
            expected="a form from a page of this session",
            fix="load the page again and fill it in once more",
        )
    return found


def set_cookie(answer: Response, token: str, site: Site) -> None:
    """Give the browser the secret of its session: for this host alone, out of reach of scripts."""
    answer.set_cookie(
        COOKIE, token, max_age=site.settings.session_hours * 3600, path="/", secure=True, httponly=True,
        samesite="lax",
    )  # fmt: skip


def drop_cookie(answer: Response) -> None:
    """Take the secret back."""
    answer.delete_cookie(COOKIE, path="/", secure=True, httponly=True, samesite="lax")


AnyVisit = Annotated[Visit, Depends(any_visit)]
Visiting = Annotated[Visit, Depends(visit)]
Posted = Annotated[Visit, Depends(posted)]
