"""What people do with a delivery: send it again, take it as gone, call it off, print it."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from service.actions.delivering import Chosen, Planned, Sending, readers_of, some_ids, store
from service.callers import Caller, Right
from service.refusals import Conflict, Invalid, NotFound
from service.settings import Settings
from service.site import Site
from service.store import deliveries, outbox, reports
from service.store.database import Look
from service.store.deliveries import DeliveryRow

LONGEST_REASON = 200
# States from which a report may be sent to the same reader once more.
_OVER = ("sent", "refused", "held", "printed", "cancelled")


def is_over(state: str) -> bool:
    """Whether a delivery is over, so that the report may be sent again."""
    return state in _OVER


def again(site: Site, caller: Caller, delivery_id: int, reason: str, way: Chosen = "usual") -> int:
    """Send a report to the same reader once more, to the address that is known now; returns the new id.

    Raises
    ------
    Invalid
        If no reason is given.
    Conflict
        If the last time is not over yet, or the reader may not get it any more.
    """
    why = _reason(reason)
    with site.database.change(caller, Right.DELIVER_REPORTS) as change:
        reports.in_turn(change)
        row = deliveries.the_delivery(change, delivery_id)
        last = deliveries.last_round(change, row.report_id, row.reader)
        if row.round != last or not is_over(row.state):
            raise Conflict(
                "this was sent again already, or has not been sent yet",
                where=f"delivery {delivery_id}", expected="the last delivery to this reader, once it is over",
                fix="look at the deliveries of the report, and wait for the one that is on its way",
            )  # fmt: skip
        planned = _once_more(site.settings, change, row, way)
        if row.state == "held":
            deliveries.turn_to(change, [row.id], "cancelled", after=["held"])
            deliveries.log(change, [row.id], "again", by=caller.name)
        (added,) = store(site.settings, change, [planned], round_number=last + 1, reason=why)
        change.note("send-again", "delivery", added, after={"report": row.report, "round": last + 1})
    return added


def _once_more(settings: Settings, look: Look, row: DeliveryRow, way: Chosen) -> Planned:
    (target,) = deliveries.targets(look, [row.report_id])
    wished: list[Planned] = []
    if not (target.erased or target.replaced):
        me = None
        if row.reader == "agent" and outbox.mails(look, [row.id])[0].agent_may:
            me = (row.address, row.language)
        how = Sending(way=way, to_grower=row.reader == "grower", to_copy=row.reader == "copy")
        wished = list(readers_of(settings, target, how, me))
    if not wished:
        raise Conflict(
            "this reader cannot get the report any more", where=f"delivery {row.id}",
            expected="a report that stands, of a grower who is known and allows it",
            fix="look at the report and at the grower's page",
        )  # fmt: skip
    return wished[0]


def take_as_gone(site: Site, caller: Caller, delivery_id: int, reason: str) -> None:
    """Say that a held mail has gone, as somebody found out.

    Raises
    ------
    Conflict
        If it is not held.
    """
    _settle(site, caller, delivery_id, ("take-as-gone", "sent", ("held",)), _reason(reason))


def cancel(site: Site, caller: Caller, delivery_id: int, reason: str) -> None:
    """Do not deliver after all.

    Raises
    ------
    Conflict
        If it is on its way already, or over.
    """
    _settle(site, caller, delivery_id, ("cancel", "cancelled", ("waiting", "held")), _reason(reason))


def _settle(site: Site, caller: Caller, delivery_id: int, step: tuple[str, Any, Any], why: str) -> None:
    verb, state, before = step
    with site.database.change(caller, Right.DELIVER_REPORTS) as change:
        row = deliveries.the_delivery(change, delivery_id)
        if not deliveries.turn_to(change, [row.id], state, after=before, reason=why):
            raise Conflict(
                "this delivery is no longer as you saw it", where=f"delivery {delivery_id}",
                expected=f"one that is {' or '.join(before)}", fix="look at it again",
            )  # fmt: skip
        deliveries.log(change, [row.id], verb, why, caller.name)
        change.note(verb, "delivery", row.id, {"state": row.state}, {"state": state})


def printed(site: Site, caller: Caller, ids: Collection[int]) -> int:
    """Say that reports of the print queue were printed and posted; returns how many were still waiting.

    Raises
    ------
    Invalid
        If there are none.
    NotFound
        If one is not the caller's.
    """
    wanted = some_ids(ids)
    with site.database.change(caller, Right.DELIVER_REPORTS) as change:
        rows = deliveries.some(change, wanted)
        if len(rows) < len(wanted):
            raise NotFound(
                "some of these deliveries are not there", expected="deliveries of your own",
                fix="load the print queue again",
            )  # fmt: skip
        left = [row.id for row in rows if row.way == "paper" and row.state == "waiting"]
        done = deliveries.turn_to(change, left, "printed", after=["waiting"], way="paper")
        deliveries.log(change, left, "printed", by=caller.name)
        change.note("print", "deliveries", "", after={"count": done})
    return done


def _reason(text: str) -> str:
    why = " ".join(text.split())
    if not why or len(why) > LONGEST_REASON:
        raise Invalid(
            "the reason is missing or too long", where="reason",
            expected=f"one line of 1 to {LONGEST_REASON} characters", fix="say why, in a few words",
            fields={"reason": f"say why, in at most {LONGEST_REASON} characters"},
        )  # fmt: skip
    return why
