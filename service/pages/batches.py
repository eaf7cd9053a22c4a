"""Pages of batches: reports of many visits asked for together, how far they are, and handed out."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, Response, StreamingResponse

from interpretation.errors import FurrowsliceError
from reports.format import UNITS
from service.actions import batches, batchfiles, land
from service.actions.batches import BatchWish, Choice, Preview
from service.actions.checking import checked
from service.pages.forms import Id, Sent, text_of, wrong_fields
from service.pages.reports import pdf_answer
from service.refusals import Invalid, Refusal
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
FAILED_SHOWN = 50
LEFT_OUT_SHOWN = 50
SECONDS_BETWEEN_LOOKS = 3
STATES = ("done", "waiting", "failed", "cancelled")
TYPED = (
    "title", "search", "county", "since", "numbers", "language", "units", "paper", "replaces", "deliver",
    "seen",
)  # fmt: skip
_FIRST = {"language": "own", "units": "own", "paper": "a4"}
_BETWEEN = re.compile(r"[\s,;]+")


@router.get("/batches")
def all_batches(visit: Visiting, page: Annotated[int, Query(ge=1, le=10_000)] = 1) -> HTMLResponse:
    """List batches, newest first."""
    found, more = batches.find(visit.site, visit.caller, page)
    return visit.page("batches/list.html.j2", batches=found, more=more, page=page)


@router.get("/batches/new")
def new(visit: Visiting) -> HTMLResponse:
    """Show the form for a new batch."""
    batches.check(visit.site, visit.caller)
    return _form(visit, _FIRST)


@router.post("/batches/look")
def look_first(visit: Posted, given: Sent) -> HTMLResponse:
    """Show what a batch would be made of; nothing is stored."""
    typed = _typed(given)
    try:
        found = batches.preview(visit.site, visit.caller, _choice(typed), _wish(typed))
    except Invalid as error:
        return _form(visit, typed, error=error)
    return _form(visit, typed, found)


@router.post("/batches")
def start(visit: Posted, given: Sent) -> Response:
    """Start a batch of what was looked at."""
    typed = _typed(given)
    try:
        seen = int(typed["seen"]) if typed["seen"].isascii() and typed["seen"].isdecimal() else None
        job_id = batches.start(
            visit.site, visit.caller, typed["title"], _choice(typed), _wish(typed), seen
        )  # fmt: skip
    except Refusal as error:
        return _form(visit, typed, error=error)
    return visit.go(f"/batches/{job_id}", "batches.done-started")


@router.get("/batches/{batch_id}")
def one_batch(
    visit: Visiting, batch_id: Id, after: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0
) -> HTMLResponse:
    """Show how far a batch is, and what failed."""
    batch = batches.one(visit.site, visit.caller, batch_id)
    failed = batches.items(visit.site, visit.caller, batch_id, "failed", after, FAILED_SHOWN + 1)
    parts = batchfiles.parts(visit.site, visit.caller, batch_id) if batch.counts.done else 0
    return visit.page(
        "batches/batch.html.j2", batch=batch, failed=failed[:FAILED_SHOWN],
        more=len(failed) > FAILED_SHOWN, parts=parts, per_part=batchfiles.PER_PART, states=STATES,
        left=_left(visit, batch.seconds_left), seconds=SECONDS_BETWEEN_LOOKS, after=after,
        wish=BatchWish.model_validate(batch.job.wish),
    )  # fmt: skip


@router.post("/batches/{batch_id}/cancel")
def cancel(visit: Posted, batch_id: Id) -> Response:
    """Cancel what is not begun."""
    batches.cancel(visit.site, visit.caller, batch_id)
    return visit.go(f"/batches/{batch_id}", "batches.done-cancelled")


@router.post("/batches/{batch_id}/again")
def try_again(visit: Posted, batch_id: Id) -> Response:
    """Let what failed be tried again."""
    batches.try_again(visit.site, visit.caller, batch_id)
    return visit.go(f"/batches/{batch_id}", "batches.done-again")


@router.get("/batches/{batch_id}/zip")
def archive(visit: Visiting, batch_id: Id) -> StreamingResponse:
    """Hand out all reports of a batch as one archive."""
    made = batchfiles.archive(visit.site, visit.caller, batch_id)
    return zip_answer(made)


@router.get("/batches/{batch_id}/print")
def print_part(
    visit: Visiting, batch_id: Id, part: Annotated[int, Query(ge=1, le=10_000)] = 1,
    sides: Annotated[str, Query(pattern="^(one|two)$")] = "one",
) -> Response:  # fmt: skip
    """Hand out some reports of a batch as one file for a printer."""
    made = batchfiles.print_part(visit.site, visit.caller, batch_id, part, duplex=sides == "two")
    return pdf_answer(made.content, made.name)


def zip_answer(made: batchfiles.Archive) -> StreamingResponse:
    """Answer with an archive that is made as it is sent."""
    return StreamingResponse(
        made.pieces, media_type="application/zip",
        headers={"content-disposition": f'attachment; filename="{made.name}"'},
    )  # fmt: skip


def _typed(given: FormData) -> dict[str, str]:
    names = (
        "title",
        "search",
        "county",
        "since",
        "numbers",
        "language",
        "units",
        "paper",
        "replaces",
        "deliver",
    )
    return {name: text_of(given, name) for name in (*names, "seen")}


def _choice(typed: dict[str, str]) -> Choice:
    numbers = tuple(dict.fromkeys(each for each in _BETWEEN.split(typed["numbers"]) if each))
    return checked(
        Choice,
        {
            "search": typed["search"], "county": typed["county"], "since": typed["since"] or None,
            "lab_numbers": numbers,
        },
    )  # fmt: skip


def _wish(typed: dict[str, str]) -> BatchWish:
    ticks = {name: typed[name] == "yes" for name in ("replaces", "deliver")}
    return checked(BatchWish, {name: typed[name] for name in ("language", "units", "paper")} | ticks)


def _form(
    visit: Visit, typed: dict[str, str], found: Preview | None = None, error: FurrowsliceError | None = None
) -> HTMLResponse:
    counties = [(each, name) for each, name, _ in land.counties(visit.site, visit.caller)]
    status = 200 if error is None else error.status if isinstance(error, Refusal) else 422
    values = dict.fromkeys(TYPED, "") | typed
    return visit.page(
        "batches/new.html.j2", status, typed=values, found=found, error=error, wrong=wrong_fields(error),
        counties=counties, units=UNITS, most_shown=LEFT_OUT_SHOWN,
    )  # fmt: skip


def _left(visit: Visit, seconds: float | None) -> str:
    """How long it will still take, in words: no more exactly than it is known."""
    if seconds is None:
        return ""
    minutes = max(1, round(seconds / 60))
    hours, rest = divmod(minutes, 60)
    if hours:
        return visit.words("batches.hours-left", hours=hours, minutes=rest)
    return visit.words("batches.minutes-left", minutes=minutes)
