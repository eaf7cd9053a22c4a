"""What holds for every request and answer: identity, headers, origin, one log line."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from urllib.parse import urlsplit

import structlog
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.tokens import new_token
from service.web.problems import unexpected

POLICY = "default-src 'self'; object-src 'none'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'"
HEADERS = (
    ("content-security-policy", POLICY),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("permissions-policy", "geolocation=(), camera=(), microphone=()"),
    ("x-robots-tag", "noindex, nofollow"),
)
HTTPS_ONLY = ("strict-transport-security", "max-age=31536000")
FOREIGN = "This was sent from another site, so nothing was done. Open the page here and send it again."
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_SECRET = re.compile(r"^/(set-password|r)/[^/]+")  # links whose last part opens something
log = structlog.get_logger("furrowslice.request")


def without_secrets(path: str) -> str:
    """A path as the log may hold it: without the secret of a link."""
    return _SECRET.sub(r"/\1/...", path)


class Guard:
    """Middleware around everything.

    A page that changes something must have been asked for from our own pages: ``Sec-Fetch-Site``, or
    ``Origin`` where a browser sends only that, says so. Requests with an access token come from programs,
    which have no cookies that somebody else's page could use.
    """

    def __init__(self, app: ASGIApp, hosts: Sequence[str] = (), secure: bool = False) -> None:
        self.app = app
        self.hosts = frozenset(hosts)
        self.headers = (*HEADERS, HTTPS_ONLY) if secure else HEADERS

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began, status = time.monotonic(), 0
        scope.setdefault("state", {})["request_id"] = request_id = new_token()[:16]

        async def answer(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                for name, value in self.headers:
                    headers.setdefault(name, value)
                headers["x-request-id"] = request_id
                if not scope["path"].startswith("/static/"):
                    headers.setdefault("cache-control", "no-store")
            await send(message)

        try:
            if self._is_foreign(scope):
                await PlainTextResponse(FOREIGN, 403)(scope, receive, answer)
            else:
                await self.app(scope, receive, answer)
        except Exception as error:
            if not status:  # answered here, so that a mistake of the program has the same headers and line
                await unexpected(Request(scope, receive), error)(scope, receive, answer)
            raise
        finally:
            # The path alone: a query could hold names.
            log.info(
                "request", request_id=request_id, method=scope["method"], path=without_secrets(scope["path"]),
                status=status, milliseconds=round(1000 * (time.monotonic() - began), 1),
                who=scope["state"].get("who", ""),
            )  # fmt: skip

    def _is_foreign(self, scope: Scope) -> bool:
        if scope["method"] in SAFE:
            return False
        headers = Headers(scope=scope)
        if headers.get("authorization", "").startswith("Bearer "):
            return False
        site = headers.get("sec-fetch-site")
        if site is not None:
            return site not in ("same-origin", "none")
        origin = headers.get("origin")
        return origin is not None and urlsplit(origin).netloc not in (self.hosts | {headers.get("host", "")})
