"""The header ``Idempotency-Key``: a POST sent twice under one key is carried out once.

A middleware and no part of the endpoints, so that none can forget it. What is sent is held in memory until
it is carried out (never more than the server takes), and the answer until it is kept.
"""

from __future__ import annotations

import re

import structlog
from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from interpretation.errors import FurrowsliceError
from service.actions import submissions
from service.callers import Caller
from service.refusals import Invalid
from service.site import Site
from service.store.submissions import Submission
from service.tokens import sha256
from service.web import problems
from service.web.asking import caller_of_token

KEY = "idempotency-key"
REPLAYED = "idempotency-replayed"
_SHAPE = re.compile(r'(?:"([!#-\[\]-~]{1,200})"|([!#-\[\]-~]{1,200}))')  # visible ASCII, quoted or not
_BOUNDARY = re.compile(r';\s*boundary="?([^";]+)"?', re.IGNORECASE)
log = structlog.get_logger("furrowslice.submission")


class Submissions:
    """Middleware of the API of one site."""

    def __init__(self, app: ASGIApp, site: Site) -> None:
        self.app = app
        self.site = site

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http" or scope["method"] != "POST" or KEY not in Headers(scope=scope):
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive)
        try:
            key = _key(request)
            caller = await run_in_threadpool(caller_of_token, request, _token(request))
            body = await request.body()
            begun = await run_in_threadpool(
                submissions.begin, self.site, caller, key, _digest(request, caller, body)
            )
        except (FurrowsliceError, HTTPException) as error:
            await problems.answer(request, error)(scope, receive, send)
            return
        if isinstance(begun, Submission):
            again = Response(begun.answer, begun.status, {REPLAYED: "true"})
            if begun.content_type:
                again.headers["content-type"] = begun.content_type
            await again(scope, receive, send)
            return
        request.state.submission_id = begun
        await self._carry_out(request, caller, begun, body, send)

    async def _carry_out(
        self, request: Request, caller: Caller, number: int, body: bytes, send: Send
    ) -> None:
        """Let the API answer, keep the answer, and only then send it."""
        told: list[Message] = []
        given = False

        async def give() -> Message:
            nonlocal given
            if given:
                return await request.receive()
            given = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def hold(message: Message) -> None:
            told.append(message)

        status, content_type, answer = 500, "", b""
        try:
            await self.app(request.scope, give, hold)
            status = told[0]["status"]
            content_type = Headers(raw=told[0]["headers"]).get("content-type", "")
            answer = b"".join(message.get("body", b"") for message in told[1:])
        finally:
            try:
                await run_in_threadpool(
                    submissions.finish, self.site, caller, number, status, content_type, answer
                )
            except FurrowsliceError as error:  # what was submitted is stored, or refused: that is the answer
                log.warning("answer not kept", request_id=request.state.request_id, why=error.what)
        for message in told:
            await send(message)


def _token(request: Request) -> str:
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.casefold() == "bearer" else ""


def _key(request: Request) -> str:
    """The key, which may stand in quotes as a string of a structured header does.

    Raises
    ------
    Invalid
        If it is no such string.
    """
    given = request.headers[KEY].strip()
    found = _SHAPE.fullmatch(given)
    if found is None:
        raise Invalid(
            f"an idempotency key of {len(given)} characters that cannot be used",
            where="Idempotency-Key",
            expected="1 to 200 visible characters of ASCII, without blanks",
            fix="use a new random UUID for each new request",
        )
    return found[1] or found[2]


def _digest(request: Request, caller: Caller, body: bytes) -> str:
    """Digest of what is asked, by whom; a form's boundary is drawn anew by every try, so it is left out.

    The rights are part of it: a token with fewer of them does not get what another was answered.
    """
    kind = request.headers.get("content-type", "")
    if boundary := _BOUNDARY.search(kind):
        body = body.replace(boundary[1].encode("latin-1"), b"")
        kind = _BOUNDARY.sub("", kind)
    asked = (
        request.url.path,
        request.url.query,
        kind,
        " ".join(sorted(right.value for right in caller.rights)),
    )
    return sha256("\0".join(asked).encode() + b"\0" + body)
