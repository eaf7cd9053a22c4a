"""No request brings more than the server takes: what comes is counted, whatever was announced.

The framework has such a limit, but answers it in its own words where the length was announced, without the
headers of :mod:`service.web.guard`. Here the refusal passes through the handlers of every other error.
"""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send


class LimitBodies:
    """Middleware inside the guard: refuses a body over ``largest`` bytes as it is read."""

    def __init__(self, app: ASGIApp, largest: int) -> None:
        self.app = app
        self.largest = largest

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        announced = Headers(scope=scope).get("content-length", "")
        came = 0

        async def counted() -> Message:
            nonlocal came
            if announced.isdigit() and int(announced) > self.largest:
                raise HTTPException(413)
            message = await receive()
            came += len(message.get("body", b""))
            if came > self.largest:
                raise HTTPException(413)
            return message

        await self.app(scope, counted, send)
