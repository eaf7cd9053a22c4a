"""Errors as answers: problem details (RFC 9457) for programs, a page for people."""

from __future__ import annotations

import errno
from typing import Any, TypeGuard

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response

from interpretation.errors import FurrowsliceError
from service.refusals import Invalid, NoRoom, NotSignedIn, Refusal, TooMany, Unavailable
from service.web.visit import Visit, anonymous, any_visit

API = "/api/"
MOST_FIELDS = 50
log = structlog.get_logger("furrowslice.error")
# What Starlette and FastAPI answer by themselves, in our words.
_PLAIN = {
    400: ("the request cannot be read", "send it as the API's description says"),
    401: ("nobody is signed in", "sign in"),
    404: ("there is no such page", "go back, or begin at the first page"),
    405: ("this address does not take such a request", "look at the API's description"),
    413: ("the file is larger than this server takes", "check that it is the right file, or split it"),
}


def install(app: FastAPI) -> None:
    """Let an app answer every error in our words."""
    app.add_exception_handler(FurrowsliceError, answer)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, answer)
    app.add_exception_handler(Exception, unexpected)


def answer(request: Request, error: Exception) -> Response:
    """Answer one error that is meant: ours, or one of the framework's with its status."""
    if isinstance(error, FurrowsliceError):
        return _answer(request, error, status_of(error))
    assert isinstance(error, HTTPException)
    if _is_full_disk(error.__cause__):
        return unexpected(request, error.__cause__)
    what, fix = _PLAIN.get(error.status_code, ("the request was not carried out", "try again"))
    told = FurrowsliceError(what, where=request.url.path, fix=fix)
    built = _answer(request, told, error.status_code)
    built.headers.update(error.headers or {})  # 405 must name what is allowed (RFC 9110, 15.5.6)
    return built


def status_of(error: FurrowsliceError) -> int:
    """The status an error is answered with: 422 for what the science refuses."""
    return error.status if isinstance(error, Refusal) else 422


def problem(
    status: int, title: str, *, where: str = "", expected: str = "", fix: str = "",
    fields: dict[str, str] | None = None, request_id: str = "",
) -> dict[str, Any]:  # fmt: skip
    """Build the members of one problem; ``expected``, ``fix`` and ``errors`` are our own extensions."""
    detail = ". ".join(
        part[0].upper() + part[1:] for part in (title, expected and f"expected: {expected}", fix) if part
    )
    built: dict[str, Any] = {"type": "about:blank", "title": title, "status": status, "detail": detail}
    extra = {"where": where, "expected": expected, "fix": fix, "request_id": request_id}
    built |= {name: text for name, text in extra.items() if text}
    if fields:
        built["errors"] = [_place(name) | {"message": text} for name, text in fields.items()]
    return built


def _place(name: str) -> dict[str, str]:
    """Where a field stands: in the query, in a header, or in the body, as a JSON pointer into it."""
    part, _, rest = name.partition("/")
    if rest and part in ("query", "header"):
        return {"in": part, "parameter": rest}
    return {"in": "body", "pointer": f"#/{name}" if name else "#"}


def _answer(request: Request, error: FurrowsliceError, status: int) -> Response:
    headers = {}
    if isinstance(error, TooMany):
        headers["retry-after"] = str(error.wait_seconds)
    if isinstance(error, Unavailable):
        headers["retry-after"] = "10"
    fields = error.fields if isinstance(error, Invalid) else {}
    if request.url.path.startswith(API):
        if status == 401:
            headers["www-authenticate"] = "Bearer"
        body = problem(
            status, error.what, where=error.where, expected=error.expected, fix=error.fix, fields=fields,
            request_id=request.state.request_id,
        )  # fmt: skip
        return JSONResponse(body, status, headers, media_type="application/problem+json")
    if isinstance(error, NotSignedIn):
        wanted = request.url.path if request.method == "GET" else "/"
        return RedirectResponse(f"/sign-in?next={wanted}", 303)
    page = _visit(request, status).page(
        "error.html.j2", status, error=error, error_status=status, fields=fields
    )
    page.headers.update(headers)
    return page


def _visit(request: Request, status: int) -> Visit:
    """Who sees the error; nobody in particular where the database cannot be asked."""
    if status < 500:
        try:
            return any_visit(request)
        except FurrowsliceError:
            pass
    return Visit(request.app.state.site, request, anonymous(request), None)


def _unreadable(request: Request, error: Exception) -> Response:
    """Name each field that is not as described; what was typed is not said back, nor is a long list."""
    assert isinstance(error, RequestValidationError)
    errors = error.errors()
    if any(each["loc"][0] == "path" for each in errors):
        return answer(request, HTTPException(404))
    fields = {_name(request, each): str(each["msg"]) for each in errors[:MOST_FIELDS]}
    return _answer(
        request,
        Invalid(
            "the request is not as described", where=", ".join(fields), expected="see each field",
            fix="correct the fields named", fields=fields,
        ),
        422,
    )  # fmt: skip


def _name(request: Request, each: dict[str, Any]) -> str:
    """Name of one field: as a form has it, or for programs the parts of a JSON pointer."""
    place, *parts = each["loc"]
    if each["type"] == "json_invalid":  # its place is a count of characters
        return ""
    if not request.url.path.startswith(API):
        return "/".join(map(str, parts)) or "body"
    within = [str(part)[:100].replace("~", "~0").replace("/", "~1") for part in parts]
    return "/".join(within if place == "body" else [str(place), *within])


def unexpected(request: Request, error: Exception) -> Response:
    """Log a mistake of the program with its trace; tell the person nothing but where to ask."""
    if getattr(request.state, "unexpected", None) is not error:  # the app around the API gets it as well
        log.error("unexpected", request_id=request.state.request_id, exc_info=error)
    request.state.unexpected = error
    if _is_full_disk(error):
        full = NoRoom(
            "the disk is full, so nothing was stored", where=request.url.path,
            expected="room for what was sent", fix="make room on the server's disk, then send it again",
        )  # fmt: skip
        return _answer(request, full, full.status)
    told = FurrowsliceError(
        "something went wrong here, and nothing was stored",
        where=request.url.path,
        expected="no mistake of the program",
        fix=f"try again; if it happens again, tell whoever runs the server: {request.state.request_id}",
    )
    return _answer(request, told, 500)


def _is_full_disk(error: BaseException | None) -> TypeGuard[OSError]:
    """Whether the system had no room left, such as for a file that is being uploaded."""
    return isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
