"""A program's request: who it is, by its access token, and whether it asks for what there is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Annotated

from fastapi import Depends, Request
from fastapi.dependencies.utils import get_dependant, get_flat_params
from fastapi.params import Query
from fastapi.routing import APIRoute
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from service.callers import RIGHTS, Caller
from service.characters import UNSEEN
from service.refusals import Invalid, NotFound, NotSignedIn, TooMany
from service.site import Site
from service.store import accounts
from service.tokens import sha256
from service.web.buckets import Buckets
from service.web.visit import anonymous

_PER_ROLE = "; ".join(
    f"{role.value}: {', '.join(sorted(right.value for right in rights))}" for role, rights in RIGHTS.items()
)
MOST_TOLD = (
    50  # names of a query that are said to be wrong: an answer is not to be far longer than its request
)
_bearer = HTTPBearer(
    auto_error=False,
    scheme_name="access token",
    description="A token is made on the page of an account. It is given some or all of the rights of the "
    f"account's role, expires and can be revoked. Rights by role: {_PER_ROLE}.",
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
    TooMany
        If a program with this token has asked too often.
    """
    return caller_of_token(request, given.credentials if given else "")


def caller_of_token(request: Request, token: str) -> Caller:
    """Who a token stands for, asked once a request; only tokens that are known are counted."""
    known: Caller | None = getattr(request.state, "api_caller", None)
    if known is None:
        known = _look_up(request, token)
        request.state.api_caller = known
        request.state.who = str(known.account_id)
    return replace(known, submission_id=getattr(request.state, "submission_id", None))


def _look_up(request: Request, token: str) -> Caller:
    caller = None
    if token:
        with site_of(request).database.look(anonymous(request), None) as look:
            caller = accounts.caller_of_access_token(look, token)
    if caller is None:
        raise NotSignedIn(
            "there is no valid access token",
            where="header Authorization",
            expected="Bearer and a token that is neither expired nor revoked",
            fix="make a token on the page of your account",
        )
    buckets: Buckets = request.app.state.buckets
    if wait := buckets.wait_seconds(sha256(token)):
        raise TooMany("this token was used too often within a minute", wait_seconds=wait)
    return replace(caller, request_id=request.state.request_id)


ApiCaller = Annotated[Caller, Depends(api_caller)]
TheSite = Annotated[Site, Depends(site_of)]


def only_what_is_described(request: Request, _caller: ApiCaller) -> None:
    """Refuse a query that the operation does not have, and texts that no record can hold.

    Every operation depends on this, and so on a valid token, whatever it declares itself.

    Raises
    ------
    NotFound
        If the address holds a character that cannot be seen.
    Invalid
        If the query does, or has an unknown name: a misspelt filter would be answered with everything.
    """
    if UNSEEN.search("".join(map(str, request.path_params.values()))):
        raise NotFound("there is no such thing", where=request.url.path, fix="look at the address again")
    route: APIRoute = request.scope["route"]
    known = _query_names(route.path_format, route.endpoint)
    wrong = {}
    for name, text in request.query_params.multi_items():
        if name not in known:
            wrong[f"query/{name[:50]}"] = f"is not known here; there is {', '.join(sorted(known)) or 'none'}"
        elif UNSEEN.search(text):
            wrong[f"query/{name}"] = "holds a character that cannot be seen"
        if len(wrong) == MOST_TOLD:
            break
    if wrong:
        raise Invalid(
            "the query is not as described",
            where=request.url.path,
            expected="the names in the API's description",
            fix="correct or leave out what is named",
            fields=wrong,
        )


@cache
def _query_names(path: str, endpoint: Callable[..., object]) -> frozenset[str]:
    """Names of an operation's query; a field of a model has no place of its own, so it is the query's."""
    return frozenset(
        field.alias
        for field in get_flat_params(get_dependant(path=path, call=endpoint))
        if isinstance(field.field_info, Query) or not hasattr(field.field_info, "in_")
    )
