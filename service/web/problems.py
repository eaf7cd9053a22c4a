"""Errors as answers: problem details (RFC 9457) for programs, a page for people."""

from __future__ import annotations

from typing import Any

import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response

from interpretation.errors import FurrowsliceError
from service.refusals import Invalid, NotSignedIn, Refusal, TooMany, Unavailable
from service.web.visit import Visit, anonymous, any_visit

API = "/api/"
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
    app.add_exception_handler(FurrowsliceError, _deliberate)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _plain)
    app.add_exception_handler(Exception, _unexpected)


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
        built["errors"] = [{"pointer": f"#/{name}", "message": text} for name, text in fields.items()]
    return built


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
    answer = _visit(request, status).page(
        "error.html.j2", status, error=error, error_status=status, fields=fields
    )
    answer.headers.update(headers)
    return answer


def _visit(request: Request, status: int) -> Visit:
    """Who sees the error; nobody in particular where the database cannot be asked."""
    if status < 500:
        try:
            return any_visit(request)
        except FurrowsliceError:
            pass
    return Visit(request.app.state.site, request, anonymous(request), None)


def _deliberate(request: Request, error: Exception) -> Response:
    assert isinstance(error, FurrowsliceError)
    return _answer(request, error, status_of(error))


def _unreadable(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    fields = {}
    for each in error.errors():
        place = [str(part) for part in each["loc"] if part not in ("body", "query", "path")]
        fields["/".join(place) or "body"] = each["msg"]
    unknown = [each for each in error.errors() if each["loc"][0] == "path"]
    if unknown:
        return _plain(request, HTTPException(404))
    return _answer(
        request,
        Invalid(
            "the request is not as described", where=", ".join(fields), expected="see each field",
            fix="correct the fields named", fields=fields,
        ),
        422,
    )  # fmt: skip


def _plain(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    what, fix = _PLAIN.get(error.status_code, ("the request was not carried out", "try again"))
    return _answer(request, FurrowsliceError(what, where=request.url.path, fix=fix), error.status_code)


def _unexpected(request: Request, error: Exception) -> Response:
    """Log a mistake of the program with its trace; tell the person nothing but where to ask."""
    log.error("unexpected", request_id=request.state.request_id, exc_info=error)
    told = FurrowsliceError(
        "something went wrong here, and nothing was stored",
        where=request.url.path,
        expected="no mistake of the program",
        fix=f"try again; if it happens again, tell whoever runs the server: {request.state.request_id}",
    )
    return _answer(request, told, 500)
