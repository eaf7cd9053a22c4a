"""What became of deliveries: of one report, of one mail, and list by list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.actions import lettering
from service.actions.batchfiles import bind
from service.actions.lettering import Message
from service.callers import Caller, Right
from service.refusals import NotFound
from service.settings import is_address
from service.site import Site
from service.store import batchfiles, deliveries, outbox, reports
from service.store.deliveries import LISTS, DeliveryRow, List, TryRow

__all__ = ["LISTS", "DeliveryRow", "List"]
PAGE = 50  # deliveries on one page


@dataclass(frozen=True)
class Told:
    """A delivery and its log."""

    delivery: DeliveryRow
    log: tuple[TryRow, ...]


def of_report(site: Site, caller: Caller, report_id: int) -> tuple[Told, ...]:
    """What became of one report, reader by reader and round by round."""
    with site.database.look(caller, Right.DELIVER_REPORTS) as look:
        reports.the_report(look, report_id)
        rows = deliveries.of_report(look, report_id)
        log = deliveries.tries_of(look, [row.id for row in rows])
    return tuple(Told(row, tuple(line for line in log if line.delivery_id == row.id)) for row in rows)


def one(site: Site, caller: Caller, delivery_id: int) -> Told:
    """One delivery and its log."""
    with site.database.look(caller, Right.DELIVER_REPORTS) as look:
        row = deliveries.the_delivery(look, delivery_id)
        return Told(row, deliveries.tries_of(look, [row.id]))


def message(site: Site, caller: Caller, delivery_id: int) -> Message | None:
    """The mail of a delivery in full, as it is sent; None where there is no mail."""
    with site.database.look(caller, Right.DELIVER_REPORTS) as look:
        row = deliveries.the_delivery(look, delivery_id)
        if row.way == "paper" or not is_address(row.address) or not site.settings.sends_mail:
            return None
        (mail,) = outbox.mails(look, [delivery_id])
        return lettering.shown(site.settings, look.now, mail, mail.about, mail.message_id)


@dataclass(frozen=True)
class Listed:
    """One page of a list, how many are on the lists that are worked on, and where the next page begins."""

    rows: tuple[DeliveryRow, ...]
    counts: Mapping[str, int]
    older: int | None


def listed(site: Site, caller: Caller, chosen: List, before: int | None = None) -> Listed:
    """One page of the deliveries of a list, newest first."""
    with site.database.look(caller, Right.DELIVER_REPORTS) as look:
        rows = deliveries.page(look, chosen, before=before, most=PAGE + 1)
        counts = deliveries.counts(look)
    return Listed(rows[:PAGE], counts, rows[PAGE - 1].id if len(rows) > PAGE else None)


def after(site: Site, caller: Caller, chosen: List | None, last: int, most: int) -> tuple[DeliveryRow, ...]:
    """Deliveries of a list or of all, from behind one on."""
    with site.database.look(caller, Right.DELIVER_REPORTS) as look:
        return deliveries.after(look, chosen, last, most)


def for_printer(site: Site, caller: Caller, before: int | None, title: str, *, duplex: bool) -> bytes:
    """The reports on one page of the print queue, bound in the order of their route.

    Parameters
    ----------
    before
        As for :func:`listed`: the file holds what that page shows.

    Raises
    ------
    NotFound
        If nothing is to be printed there.
    TooMany
        If another file for a printer is being made.
    """
    rows = listed(site, caller, "print", before).rows
    with site.database.look(caller, Right.READ_REPORTS) as look:
        files = batchfiles.of_reports(look, [row.report_id for row in rows])
    if not files:
        raise NotFound(
            "nothing is to be printed here", where="print queue",
            expected="reports that wait for the printer", fix="look at the print queue again",
        )  # fmt: skip
    return bind(site, caller, files, title, duplex=duplex)
