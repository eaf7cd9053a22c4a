"""Pages of deliveries: what would be sent, what waits and was sent, and the print queue."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Form, Query
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from service.actions import delivering, deliverylists, deliverysteps
from service.actions.checking import checked
from service.actions.delivering import Sending
from service.actions.deliverylists import LISTS, List
from service.pages.deliverylines import is_trouble, troubles, why
from service.pages.forms import Id, Sent, text_of, wrong_fields
from service.pages.reports import pdf_answer
from service.refusals import Invalid
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
Reason = Annotated[str, Form(max_length=2000)]
Number = Annotated[int, Query(ge=0, le=2**31 - 1)]
MOST_SHOWN = 10  # messages on the page that shows what would be sent


@router.get("/deliveries")
def all_deliveries(
    visit: Visiting, chosen: Annotated[List, Query(alias="list")] = "waiting", before: Number = 0
) -> HTMLResponse:
    """Show one list of deliveries, newest first."""
    found = deliverylists.listed(visit.site, visit.caller, chosen, before or None)
    waiting = [row.reason for row in found.rows if row.state == "waiting"]
    return visit.page(
        "deliveries/list.html.j2", found=found, chosen=chosen, lists=LISTS, before=before,
        troubles=troubles(visit.words, waiting), is_trouble=is_trouble, why=partial(why, visit.words),
        mail=visit.site.settings.sends_mail,
    )  # fmt: skip


@router.get("/deliveries/new")
def look_first(
    visit: Visiting, report: Annotated[list[int] | None, Query(max_length=500)] = None,
    search: Annotated[str | None, Query(max_length=100)] = None,
    up_to: Number = 0, way: Annotated[str, Query(max_length=10)] = "usual", asked: Number = 0,
    grower: Annotated[str, Query(max_length=3)] = "", copy: Annotated[str, Query(max_length=3)] = "",
    me: Annotated[str, Query(max_length=3)] = "",
) -> Response:  # fmt: skip
    """Show whom some reports, or those of a search, would go to, and every message; nothing is sent."""
    # A box that is not ticked is not sent: whether the form was filled in at all is said beside them.
    ticks = {"to_grower": grower == "yes" or not asked, "to_copy": copy == "yes" or not asked}
    wanted = _wanted({"way": way, "to_me": me == "yes"} | ticks)
    ids = _only_numbers(report or [])
    if not ids and search is None:
        return visit.go("/reports", "deliveries.done-none")
    if not ids and search is not None:
        ids = list(delivering.found(visit.site, visit.caller, search, up_to))
        up_to = ids[-1] if ids else 0
    made, error = None, None
    try:
        made = delivering.dry_run(visit.site, visit.caller, ids, wanted, most=MOST_SHOWN)
    except Invalid as refused:
        error = refused
    return visit.page(
        "deliveries/new.html.j2", 200 if error is None else 422, made=made, error=error,
        wrong=wrong_fields(error), wanted=wanted, ids=report or [], search=search, up_to=up_to,
        count=len(ids), settings=visit.site.settings, why=partial(why, visit.words),
    )  # fmt: skip


@router.post("/deliveries")
def deliver(visit: Posted, given: Sent) -> Response:
    """Deliver what was looked at."""
    ticked = {f"to_{name}": text_of(given, name) == "yes" for name in ("grower", "copy", "me")}
    wanted = _wanted({"way": text_of(given, "way") or "usual"} | ticked)
    ids = _numbers(given, "report")
    if not ids and "search" in given:
        up_to = _numbers(given, "up_to")
        search = text_of(given, "search")[:100]
        ids = list(delivering.found(visit.site, visit.caller, search, up_to[0] if up_to else 0))
    made = delivering.plan(visit.site, visit.caller, ids, wanted)
    done = "deliveries.done-planned" if made.planned else "deliveries.done-nothing"
    return visit.go(f"/reports/{ids[0]}" if len(ids) == 1 else "/deliveries", done)


@router.get("/deliveries/print.pdf")
def for_printer(
    visit: Visiting, before: Number = 0, sides: Annotated[str, Query(pattern="^(one|two)$")] = "one"
) -> Response:
    """Hand out what a page of the print queue shows as one file for a printer."""
    title, duplex = visit.words("deliveries.list-print"), sides == "two"
    content = deliverylists.for_printer(visit.site, visit.caller, before or None, title, duplex=duplex)
    return pdf_answer(content, "print-queue.pdf")


@router.post("/deliveries/printed")
def printed(visit: Posted, given: Sent) -> Response:
    """Mark reports of the print queue as printed and posted: those ticked, or all that were shown."""
    ids = _numbers(given, "shown" if text_of(given, "all") else "delivery")
    if not ids:
        raise Invalid(
            "nothing was ticked", where="print queue", expected="at least one report",
            fix="go back and tick what was printed, or use the button for all of this page",
        )  # fmt: skip
    deliverysteps.printed(visit.site, visit.caller, ids)
    return visit.go("/deliveries?list=print", "deliveries.done-printed")


@router.get("/deliveries/{delivery_id}")
def one_delivery(visit: Visiting, delivery_id: Id) -> HTMLResponse:
    """Show one delivery, its message and its log."""
    return _delivery(visit, delivery_id)


@router.post("/deliveries/{delivery_id}/again")
def again(
    visit: Posted, delivery_id: Id, reason: Reason = "", way: Annotated[str, Form(max_length=10)] = "usual"
) -> Response:
    """Send the report to the same reader once more."""
    wanted = _wanted({"way": way})
    try:
        added = deliverysteps.again(visit.site, visit.caller, delivery_id, reason, wanted.way)
    except FurrowsliceError as error:
        return _delivery(visit, delivery_id, error, {"again": reason, "way": way})
    return visit.go(f"/deliveries/{added}", "deliveries.done-again")


@router.post("/deliveries/{delivery_id}/gone")
def gone(visit: Posted, delivery_id: Id, reason: Reason = "") -> Response:
    """Take a held mail as gone."""
    try:
        deliverysteps.take_as_gone(visit.site, visit.caller, delivery_id, reason)
    except FurrowsliceError as error:
        return _delivery(visit, delivery_id, error, {"gone": reason})
    return visit.go(f"/deliveries/{delivery_id}", "deliveries.done-gone")


@router.post("/deliveries/{delivery_id}/cancel")
def cancel(visit: Posted, delivery_id: Id, reason: Reason = "") -> Response:
    """Call a delivery off."""
    try:
        deliverysteps.cancel(visit.site, visit.caller, delivery_id, reason)
    except FurrowsliceError as error:
        return _delivery(visit, delivery_id, error, {"cancel": reason})
    return visit.go(f"/deliveries/{delivery_id}", "deliveries.done-cancelled")


def _delivery(
    visit: Visit, delivery_id: int, error: FurrowsliceError | None = None, typed: dict[str, str] | None = None
) -> HTMLResponse:
    told = deliverylists.one(visit.site, visit.caller, delivery_id)
    row = told.delivery
    return visit.page(
        "deliveries/delivery.html.j2", 200 if error is None else getattr(error, "status", 422), d=row,
        log=told.log, message=deliverylists.message(visit.site, visit.caller, delivery_id),
        error=error, wrong=wrong_fields(error), typed=typed or {}, why=partial(why, visit.words),
        may_again=deliverysteps.is_over(row.state), mail=visit.site.settings.sends_mail,
        longest=deliverysteps.LONGEST_REASON,
    )  # fmt: skip


def _wanted(given: dict[str, Any]) -> Sending:
    return checked(Sending, given)


def _numbers(given: FormData, name: str) -> list[int]:
    texts = [text for text in given.getlist(name) if isinstance(text, str)]
    return _only_numbers(
        int(text) for text in texts if text.isascii() and text.isdecimal() and len(text) < 11
    )


def _only_numbers(found: Any) -> list[int]:
    return [number for number in found if 0 < number < 2**31]
