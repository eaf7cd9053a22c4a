"""A program's request: who it is, by its access token."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from fastapi import Depends, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from service.callers import Caller
from service.refusals import NotSignedIn
from service.site import Site
from service.store import accounts
from service.web.visit import anonymous

_bearer = HTTPBearer(
    auto_error=False, scheme_name="access token", description="made on the page of an account"
)


def site_of(request: Request) -> Site:
    """The site that is asked."""
    site: Site = request.app.state.site
    return site


def api_caller(
    request: Request, given: Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)]
) -> Caller:
    """Who an access token stands for.

    Raises
    ------
    NotSignedIn
        If there is none, or it is unknown, expired or revoked.
    """
    site = site_of(request)
    if given is not None:
        with site.database.look(anonymous(request), None) as look:
            caller = accounts.caller_of_access_token(look, given.credentials)
        if caller is not None:
            request.state.who = str(caller.account_id)
            return replace(caller, request_id=request.state.request_id)
    raise NotSignedIn(
        "there is no valid access token",
        where="header Authorization",
        expected="Bearer and a token that is neither expired nor revoked",
        fix="make a token on the page of your account",
    )


ApiCaller = Annotated[Caller, Depends(api_caller)]
TheSite = Annotated[Site, Depends(site_of)]
