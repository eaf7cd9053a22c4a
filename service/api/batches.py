"""Batches: the reports of many visits asked for together, followed, and handed out."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, status
from pydantic import Field
from starlette.responses import Response, StreamingResponse

from service.actions import batches, batchfiles
from service.actions.batches import MOST_ITEMS, BatchWish, Choice, LeftOut
from service.actions.batchstate import Batch, WaitsFor
from service.actions.checking import checked
from service.api.common import After, GivenId, Id, Input, Limit, Line, Output, Page
from service.store.jobs import ItemRow, ItemState, State
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
ZIP: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/zip": {}}, "description": "all reports that were issued, and a list"}
}
PRINT: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/pdf": {}}, "description": "reports with sheets between growers"}
}


class GivenBatch(Input):
    """Which visits, and how their reports are wanted.

    Visits are listed (`visits`, `lab_numbers`) or else sought (`search`, `county`, `since`): all that fit,
    have values and no report for their crop that stands.
    """

    visits: list[GivenId] = Field(default=[], max_length=MOST_ITEMS, description="ids of visits")
    lab_numbers: list[Line] = Field(
        default=[], max_length=MOST_ITEMS, description="numbers of samples, whose visits are meant"
    )
    search: Line = Field(default="", max_length=100, description="words of the field, its farm or grower")
    county: Line = Field(default="", description="id of one of your counties")
    since: date | None = Field(default=None, description="sampled on this day or later")
    language: Line = Field(default="own", description="own (each grower's), en or es")
    units: Line = Field(
        default="own", description="own (each grower's), metric, us, garden-metric or garden-us"
    )
    paper: Line = "a4"
    replaces: bool = Field(default=False, description="replace reports that stand; else they are left out")
    deliver: bool = Field(default=False, description="plan the delivery once all are issued")


class GivenStart(GivenBatch):
    """A batch that is started."""

    title: Line = Field(description="what it is called in lists; printed on no report")
    seen: int | None = Field(
        default=None, ge=0, le=MOST_ITEMS, description="how many a preview told: 409 if there are others now"
    )


class LeftOutVisit(Output):
    """A visit that gets no report, and why."""

    visit_id: int
    reason: LeftOut


class Previewed(Output):
    """What a batch would be made of."""

    reports: int = Field(description="how many would be made")
    left_out: dict[str, int] = Field(description="how many visits are left out, by reason")
    visits: list[LeftOutVisit] = Field(description="the first 500 of them")
    unknown: list[str] = Field(description="the first 500 of what was listed and is none of yours")


class BatchTold(Output):
    """A batch as it stands."""

    id: int
    title: str
    state: State
    day: date = Field(description="on which all its reports are issued")
    asked_at: datetime
    asked_by: str
    ended_at: datetime | None
    language: str
    units: str
    paper: str
    replaces: bool
    deliver: bool
    done: int
    waiting: int
    failed: int
    cancelled: int
    per_minute: float | None = Field(description="its pace; null where nothing is known of that")
    seconds_left: float | None
    waits_for: WaitsFor = Field(
        description="`others`: another batch is worked on first; `workers`: nobody works on any batch, and "
        "the log of the server says why; empty where it is worked on, or has ended"
    )


class BatchItem(Output):
    """One visit of a batch."""

    number: int = Field(description="place in the order of the route; give the last as `after`")
    visit_id: int
    state: ItemState
    attempts: int
    report_id: int | None
    report: str | None = Field(description="identity, as printed")
    file_name: str = Field(description="in the batch's folder of the outputs")
    reason: str = Field(description="why there is no report")


class Tried(Output):
    """How many visits wait again."""

    again: int


@router.post("/batches/preview")
def preview(caller: ApiCaller, site: TheSite, given: GivenBatch) -> Previewed:
    """Say what a batch would be made of; nothing is stored."""
    found = batches.preview(site, caller, _choice(given), _wish(given))
    return Previewed(
        reports=len(found.chosen), left_out={str(reason): n for reason, n in found.reasons.items()},
        visits=[LeftOutVisit(visit_id=each.visit_id, reason=why) for each, why in found.left_out[:500]],
        unknown=list(found.unknown[:500]),
    )  # fmt: skip


@router.post("/batches", status_code=status.HTTP_201_CREATED)
def start(caller: ApiCaller, site: TheSite, given: GivenStart) -> BatchTold:
    """Start a batch. It is worked on in the background: ask for it again to see how far it is."""
    job_id = batches.start(site, caller, given.title, _choice(given), _wish(given), given.seen)
    return _shown(batches.one(site, caller, job_id))


@router.get("/batches")
def all_batches(caller: ApiCaller, site: TheSite, after: After = 0, limit: Limit = 50) -> Page[BatchTold]:
    """List batches in the order in which they were asked for."""
    found = batches.after(site, caller, after, limit + 1)
    more = found[limit - 1].job.id if len(found) > limit else None
    return Page(items=[_shown(each) for each in found[:limit]], next=more)


@router.get("/batches/{batch_id}")
def batch(caller: ApiCaller, site: TheSite, batch_id: Id) -> BatchTold:
    """Say how far a batch is."""
    return _shown(batches.one(site, caller, batch_id))


@router.get("/batches/{batch_id}/items")
def items(
    caller: ApiCaller, site: TheSite, batch_id: Id, state: ItemState | None = None, after: After = 0,
    limit: Limit = 50,
) -> Page[BatchItem]:  # fmt: skip
    """List the visits of a batch by their number; `after` is the last number seen."""
    found = batches.items(site, caller, batch_id, state, after, limit + 1)
    more = found[limit - 1].number if len(found) > limit else None
    return Page(items=[_item(each) for each in found[:limit]], next=more)


@router.post("/batches/{batch_id}/cancel")
def cancel(caller: ApiCaller, site: TheSite, batch_id: Id) -> BatchTold:
    """Cancel what is not begun; what was issued stays."""
    batches.cancel(site, caller, batch_id)
    return _shown(batches.one(site, caller, batch_id))


@router.post("/batches/{batch_id}/again")
def try_again(caller: ApiCaller, site: TheSite, batch_id: Id) -> Tried:
    """Let what failed be tried again (409: nothing failed)."""
    return Tried(again=batches.try_again(site, caller, batch_id))


@router.get("/batches/{batch_id}/zip", response_class=StreamingResponse, responses=ZIP)
def archive(caller: ApiCaller, site: TheSite, batch_id: Id) -> StreamingResponse:
    """Hand out all reports of a batch as one archive, with a list of them as CSV."""
    made = batchfiles.archive(site, caller, batch_id)
    return StreamingResponse(
        made.pieces, media_type="application/zip",
        headers={"content-disposition": f'attachment; filename="{made.name}"'},
    )  # fmt: skip


@router.get("/batches/{batch_id}/print", response_class=Response, responses=PRINT)
def print_part(
    caller: ApiCaller, site: TheSite, batch_id: Id,
    part: Annotated[int, Query(ge=1, le=10_000, description="1 for the first hundred reports ...")] = 1,
    sides: Annotated[
        Literal["one", "two"], Query(description="two: every report begins on a new leaf")
    ] = "one",
) -> Response:  # fmt: skip
    """Hand out some reports as one PDF for a printer: in the order of the route, with sheets between."""
    made = batchfiles.print_part(site, caller, batch_id, part, duplex=sides == "two")
    return Response(
        made.content, media_type="application/pdf",
        headers={"content-disposition": f'attachment; filename="{made.name}"'},
    )  # fmt: skip


def _choice(given: GivenBatch) -> Choice:
    return checked(Choice, {name: getattr(given, name) for name in Choice.model_fields})


def _wish(given: GivenBatch) -> BatchWish:
    return checked(BatchWish, {name: getattr(given, name) for name in BatchWish.model_fields})


def _shown(found: Batch) -> BatchTold:
    job, wish = found.job, BatchWish.model_validate(found.job.wish)
    of_job = {name: getattr(job, name) for name in
              ("id", "title", "state", "day", "asked_at", "asked_by", "ended_at")}  # fmt: skip
    counts = {name: getattr(found.counts, name) for name in ("done", "waiting", "failed", "cancelled")}
    return BatchTold(
        **of_job,
        **counts,
        **wish.model_dump(),
        per_minute=found.per_minute,
        seconds_left=found.seconds_left,
        waits_for=found.waits_for,
    )


def _item(row: ItemRow) -> BatchItem:
    return BatchItem(**{name: getattr(row, name) for name in BatchItem.model_fields})
