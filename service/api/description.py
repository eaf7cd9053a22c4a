"""The OpenAPI document: what every operation has in common is added here, once."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from pydantic import BaseModel, ConfigDict, Field

from service.settings import Settings

TITLE = "Furrowslice"
VERSION = "1"
PREFIX = "/api/v1"
KEY = r"^[!#-\[\]-~]{1,200}$"  # visible ASCII but for the quotation mark and the backslash
MEDIA_TYPE = "application/problem+json"
SUMMARY = "Runs, samples, fields, advice, reports of a laboratory and its agents; tables of a region."
DESCRIPTION = """\
Everything the pages do. What is outside a token's laboratory or counties is not found (404); what its role or
its rights do not do is forbidden (403).

A list comes in pages: `limit` says how many, and `next` of the answer is what to give as `after` for the next
page. Days are ISO 8601, instants are in UTC; a number's unit is in its name or stands beside it as `unit`.

A POST with the header `Idempotency-Key` is carried out once, however often it is sent within a day.

Amounts are starting points: local rules and licensed advice come first."""

# When an operation may answer so; which of them do is worked out from its method, path and body.
_WORDS = {
    "400": "the body cannot be read",
    "401": "there is no valid access token",
    "403": "the token's role or rights do not do this",
    "404": "there is no such thing, or it is not the caller's",
    "409": "the state no longer allows it, or the same request is being carried out",
    "413": "the body is larger than the server takes",
    "422": "something is not as described",
    "429": "too many requests with this token within a minute",
    "503": "the database does not answer",
    "507": "there is no room left to store anything",
}


class FieldProblem(BaseModel):
    """One field that cannot be taken: a place in the body, or a parameter."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"required": ["in", "message"]})

    in_: str = Field(alias="in", description="body, query or header")
    pointer: str = Field("", description="JSON pointer into the body")
    parameter: str = Field("", description="name in the query or of the header")
    message: str


class ProblemDetails(BaseModel):
    """What is wrong (RFC 9457); `where`, `expected`, `fix`, `errors`, `request_id` are our own members."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"required": ["type", "title", "status", "detail"]}
    )

    type: str = Field("about:blank", description="always about:blank: the status says which kind it is")
    title: str = Field(description="what is wrong")
    status: int = Field(ge=400, le=599)
    detail: str = Field(description="the same with what was expected and how to mend it, in sentences")
    where: str = Field("", description="the place, such as a file's row and column")
    expected: str = ""
    fix: str = ""
    request_id: str = Field("", description="what to tell whoever runs the server")
    errors: list[FieldProblem] = Field([], description="each field that cannot be taken")


def describe(api: FastAPI, settings: Settings) -> None:
    """Let an API describe itself with its address, its problems and the idempotency key."""
    api.summary, api.description = SUMMARY, DESCRIPTION
    # Without a known address the path alone is right wherever the document was fetched from.
    address = settings.address if settings.public_url else ""
    api.servers = [{"url": f"{address}{PREFIX}"}]
    plain = api.openapi
    done: dict[int, dict[str, Any]] = {}

    def whole() -> dict[str, Any]:
        document = plain()
        if id(document) not in done:
            done.clear()
            done[id(document)] = _complete(document)
        return document

    api.openapi = whole  # type: ignore[method-assign]


def _complete(document: dict[str, Any]) -> dict[str, Any]:
    schemas = document.setdefault("components", {}).setdefault("schemas", {})
    for unused in ("HTTPValidationError", "ValidationError"):
        schemas.pop(unused, None)
    problem = ProblemDetails.model_json_schema(ref_template="#/components/schemas/{model}", by_alias=True)
    ours = problem.pop("$defs") | {"ProblemDetails": problem}
    assert not ours.keys() & schemas.keys(), "a part of the API has a model of the same name"
    schemas |= ours
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            _complete_operation(path, method, operation)
    return document


def _complete_operation(path: str, method: str, operation: dict[str, Any]) -> None:
    answers = operation["responses"]
    for status in _statuses(path, method, operation):
        if "application/json" in answers.get(status, {}).get("content", {}) and status == "422":
            answers.pop(status)  # the framework's own
        answers.setdefault(
            status,
            {
                "description": _WORDS[status],
                "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}},
            },
        )
    if "429" in answers or "503" in answers:
        for status in ("429", "503"):
            answers[status]["headers"] = {
                "Retry-After": {"description": "seconds to wait", "schema": {"type": "integer", "minimum": 1}}
            }
    if method == "post":
        operation.setdefault("parameters", []).append(
            {
                "name": "Idempotency-Key", "in": "header", "required": False,
                "description": "a new random UUID for each new request; the same again for another try",
                "schema": {"type": "string", "pattern": KEY},
            }
        )  # fmt: skip


def _statuses(path: str, method: str, operation: dict[str, Any]) -> list[str]:
    found = ["401", "403", "422", "429", "503"]
    if "{" in path or method != "get":
        found.append("404")
    if method != "get":
        found += ["409", "507"]
    if "requestBody" in operation:
        found += ["400", "413"]
    return sorted(found)
