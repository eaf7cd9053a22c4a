"""Deliveries: who gets a report and which way, what became of it, and the print queue."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, status
from pydantic import Field

from service.actions import delivering, deliverylists, deliverysteps
from service.actions.delivering import MOST_AT_ONCE, Chosen, Plan, Sending
from service.actions.deliverylists import List, Told
from service.actions.lettering import Message
from service.api.common import After, GivenId, Id, Input, Limit, Line, Output, Page, page_of
from service.refusals import NotFound
from service.store.deliveries import DeliveryRow, Reader, State, Way
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
MOST_SHOWN = 1000  # mails in one answer
WHY = (
    "why it waits, is held or did not go: a kind such as `refused`, `no-consent` or `unknown-fate`, "
    "behind a bar what the mail server said; or what a person typed"
)


class Delivery(Output):
    """One report to one reader."""

    id: int
    report_id: int
    report: str = Field(description="identity, as printed")
    reader: Reader
    round: int = Field(description="1; each time it is sent again on purpose, one more")
    way: Way
    address: str = Field(description="of mail, as it was when this was planned; empty for paper")
    language: str
    state: State = Field(description="`held` waits for a person and is never sent by itself")
    attempts: int
    next_at: datetime | None
    message_id: str = Field(description="of the mail, the same in every try")
    reason: str = Field(description=WHY)
    planned_at: datetime
    planned_by: str
    ended_at: datetime | None


class LogLine(Output):
    """One thing that became of a delivery."""

    at: datetime
    what: str
    answer: str = Field(description="what the mail server or a person said, without addresses")
    by: str


class DeliveryTold(Output):
    """One delivery and its log, oldest first."""

    delivery: Delivery
    log: list[LogLine]


class DeliveriesTold(Output):
    """Everything that became of one report."""

    items: list[DeliveryTold]


class Header(Output):
    """One header of a mail."""

    name: str
    value: str


class Mail(Output):
    """A mail in full. The link in it is made when the mail is sent; what is shown opens nothing."""

    headers: list[Header]
    text: str
    file_name: str = Field(description="of the attached PDF; empty where there is none")
    file_bytes: int


class GivenDelivery(Input):
    """Which reports go to whom, and how."""

    reports: Annotated[list[GivenId], Field(min_length=1, max_length=MOST_AT_ONCE)]
    way: Chosen = Field(default="usual", description="`usual`: by mail as the server's settings have it")
    to_grower: bool = True
    to_copy: bool = Field(default=True, description="to a dealer or adviser, where the grower allows it")
    to_me: bool = Field(default=False, description="a copy to the account of this token")


class PlannedDelivery(Output):
    """One delivery as it is or would be planned."""

    report_id: int
    reader: Reader
    way: Way
    address: str
    language: str
    reason: str = Field(description="why it is on paper, or held from the start")
    mail: Mail | None = Field(description="of a dry run: the mail in full")


class LeftOut(Output):
    """One report that nobody gets, and why: replaced, erased, already, nobody."""

    report_id: int
    reason: str


class DeliveryPlan(Output):
    """What is delivered, and what is left out."""

    deliveries: list[int] = Field(description="ids of what was planned; empty for a dry run")
    planned: list[PlannedDelivery]
    left_out: list[LeftOut]


class GivenReason(Input):
    """Why."""

    reason: Line


class GivenAgain(GivenReason):
    """Why, and how."""

    way: Chosen = "usual"


class GivenPrinted(Input):
    """What was printed and posted."""

    deliveries: Annotated[list[GivenId], Field(min_length=1, max_length=MOST_AT_ONCE)]


class MarkedPrinted(Output):
    """How many of them were still waiting."""

    printed: int


@router.post("/deliveries", status_code=status.HTTP_201_CREATED)
def deliver(caller: ApiCaller, site: TheSite, given: GivenDelivery) -> DeliveryPlan:
    """Deliver reports. What was planned before is not planned again, however often this is asked."""
    return _planned(delivering.plan(site, caller, given.reports, _how(given)))


@router.post("/deliveries/dry-run")
def dry_run(caller: ApiCaller, site: TheSite, given: GivenDelivery) -> DeliveryPlan:
    """Tell what delivering would do, with every mail in full, up to 1,000 of them.

    Nothing is sent, and no link is made.
    """
    made = delivering.dry_run(site, caller, given.reports, _how(given), most=MOST_SHOWN)
    return _planned(made)


@router.get("/deliveries")
def deliveries(
    caller: ApiCaller, site: TheSite,
    chosen: Annotated[List | None, Query(alias="list", description="one list; left out: all")] = None,
    after: After = 0, limit: Limit = 50,
) -> Page[Delivery]:  # fmt: skip
    """List deliveries in the order in which they were planned."""
    return page_of(deliverylists.after(site, caller, chosen, after, limit + 1), limit, _shown)


@router.post("/deliveries/printed")
def printed(caller: ApiCaller, site: TheSite, given: GivenPrinted) -> MarkedPrinted:
    """Mark reports of the print queue as printed and posted."""
    return MarkedPrinted(printed=deliverysteps.printed(site, caller, given.deliveries))


@router.get("/deliveries/{delivery_id}")
def delivery(caller: ApiCaller, site: TheSite, delivery_id: Id) -> DeliveryTold:
    """Show one delivery and its log."""
    return _told(deliverylists.one(site, caller, delivery_id))


@router.get("/deliveries/{delivery_id}/message")
def message(caller: ApiCaller, site: TheSite, delivery_id: Id) -> Mail:
    """Show the mail of a delivery in full."""
    found = deliverylists.message(site, caller, delivery_id)
    if found is None:
        raise NotFound(
            "this delivery has no mail", where=f"delivery {delivery_id}",
            expected="one by mail to an address, on a server where mail is set up",
            fix="look at its way and its address",
        )  # fmt: skip
    return _mail(found)


@router.post("/deliveries/{delivery_id}/again", status_code=status.HTTP_201_CREATED)
def again(caller: ApiCaller, site: TheSite, delivery_id: Id, given: GivenAgain) -> DeliveryTold:
    """Send a report to the same reader once more, to the address that is known now."""
    added = deliverysteps.again(site, caller, delivery_id, given.reason, given.way)
    return _told(deliverylists.one(site, caller, added))


@router.post("/deliveries/{delivery_id}/gone")
def gone(caller: ApiCaller, site: TheSite, delivery_id: Id, given: GivenReason) -> DeliveryTold:
    """Take a held mail as gone."""
    deliverysteps.take_as_gone(site, caller, delivery_id, given.reason)
    return _told(deliverylists.one(site, caller, delivery_id))


@router.post("/deliveries/{delivery_id}/cancel")
def cancel(caller: ApiCaller, site: TheSite, delivery_id: Id, given: GivenReason) -> DeliveryTold:
    """Call off a delivery that waits or is held."""
    deliverysteps.cancel(site, caller, delivery_id, given.reason)
    return _told(deliverylists.one(site, caller, delivery_id))


@router.get("/reports/{report_id}/deliveries")
def of_report(caller: ApiCaller, site: TheSite, report_id: Id) -> DeliveriesTold:
    """Show what became of one report, reader by reader and round by round."""
    return DeliveriesTold(items=[_told(each) for each in deliverylists.of_report(site, caller, report_id)])


def _how(given: GivenDelivery) -> Sending:
    return Sending(**given.model_dump(exclude={"reports"}))


def _planned(made: Plan) -> DeliveryPlan:
    return DeliveryPlan(
        deliveries=list(made.ids),
        planned=[
            PlannedDelivery(
                report_id=each.report_id, reader=each.reader, way=each.way, address=each.address,
                language=each.language, reason=each.reason,
                mail=_mail(made.messages[i]) if i in made.messages else None,
            )
            for i, each in enumerate(made.planned)
        ],
        left_out=[LeftOut(report_id=each, reason=why) for each, why in made.left_out.items()],
    )  # fmt: skip


def _shown(row: DeliveryRow) -> Delivery:
    return Delivery(**{name: getattr(row, name) for name in Delivery.model_fields})


def _told(told: Told) -> DeliveryTold:
    log: list[Any] = [line.model_dump(exclude={"delivery_id"}) for line in told.log]
    return DeliveryTold(delivery=_shown(told.delivery), log=[LogLine(**line) for line in log])


def _mail(found: Message) -> Mail:
    return Mail(
        headers=[Header(name=name, value=value) for name, value in found.headers], text=found.text,
        file_name=found.file_name, file_bytes=found.file_bytes,
    )  # fmt: skip
