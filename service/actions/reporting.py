"""Reports on the server: looked at as they would be issued, issued, found again.

What is previewed is what is issued, to the byte: both are made by :func:`drawn` from one :class:`Draft`. The
draft's identity is a digest of everything on the page, so that issuing can tell whether anything has changed
since it was looked at.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from interpretation.agronomy.context import CONTEXT
from interpretation.errors import FurrowsliceError
from interpretation.results import FieldAdvice
from interpretation.soil_values import COLUMNS
from reports.format import Units
from reports.render import Paper, pdf
from reports.view import LONGEST_LINE, GrowerReport, LaboratoryCard, TablesRelease
from service.actions.advising import check_crops, context_rows, plan_of
from service.actions.card import NOT_ISSUED, with_comment
from service.actions.reportinputs import (
    ReportInputs,
    advise_each,
    earlier_results,
    page_of,
    plain_rows,
)
from service.books import SHARED
from service.callers import Caller, Right
from service.refusals import Conflict, Invalid, Unavailable
from service.site import InForce, Site
from service.store import documents, laboratories, reports, visits
from service.store.database import Change, Look
from service.store.land import absent
from service.store.reports import ReportRow
from service.store.visits import VisitRow

PAGE = 50  # reports on one page of the list
# Drawing a report is a second of work for one processor. One at a time, and few in the queue: then the pages
# that people read in the meantime stay quick, and nobody waits for a report longer than they would try again.
MOST_WAITING = 8
SECONDS_TO_WAIT = 60.0
_press = threading.BoundedSemaphore(1)
_queue = threading.BoundedSemaphore(MOST_WAITING)


class Wish(BaseModel):
    """How a report is wanted."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    language: Literal["en", "es"] = "en"
    units: Units = "metric"
    paper: Literal["a4", "letter"] = "a4"
    replaces: str = Field(
        default="", max_length=40, description="printed identity of an earlier report of the visit, or empty"
    )


@dataclass(frozen=True)
class Asked:
    """A report that is wanted of a visit, with everything it is made from; nothing is worked out yet."""

    visit: VisitRow
    wish: Wish
    inputs: ReportInputs
    replaces: int | None
    in_force: InForce  # what it is made from


@dataclass(frozen=True)
class Draft(Asked):
    """Everything that is printed, before it is drawn."""

    advice: FieldAdvice

    @property
    def card(self) -> LaboratoryCard:
        """The laboratory's card as it is printed, with the report's identity."""
        return self.inputs.card


@dataclass(frozen=True)
class Desk:
    """What a person needs to see before issuing: the visit and its earlier reports."""

    visit: VisitRow
    earlier: tuple[ReportRow, ...]

    @property
    def standing(self) -> tuple[ReportRow, ...]:
        """Those that no other has replaced."""
        return tuple(report for report in self.earlier if report.replaced_by is None)


def desk(site: Site, caller: Caller, visit_id: int) -> Desk:
    """The visit and its reports."""
    with site.database.look(caller, Right.ISSUE_REPORTS) as look:
        return Desk(visits.the_visit(look, visit_id), reports.of_visit(look, visit_id))


def blank_card(site: Site, caller: Caller, visit: VisitRow) -> LaboratoryCard:
    """The laboratory's card as a report of a visit would print it, without identity and day."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        return _card(_laboratory(look), visit)


def draft(site: Site, caller: Caller, visit_id: int, wish: Wish) -> Draft:
    """Put together what would be printed today.

    Raises
    ------
    Invalid
        If the visit has no values yet, or the report that is to be replaced is none of the visit's.
    Conflict
        If there is a report of the visit for this crop already and it is not said to be replaced.
    """
    with site.database.look(caller, Right.ISSUE_REPORTS) as look:
        asked = _the_one(asked_for(site, look, {visit_id: wish}, look.now.date()))
    return advised((asked,))[0]


def advised(asked: Sequence[Asked]) -> tuple[Draft, ...]:
    """Work out what reports say; all of them are made from the same releases."""
    advice = advise_each([each.inputs for each in asked], asked[0].in_force.tables)
    return tuple(Draft(**vars(each), advice=found) for each, found in zip(asked, advice, strict=True))


def drawn(made: Draft) -> bytes:
    """Draw a draft.

    Raises
    ------
    Unavailable
        If so many are being drawn that this one would wait too long.
    """
    return press(page_of(made.inputs, made.advice, made.in_force.tables), made.wish.paper)


def press(page: GrowerReport, paper: Paper) -> bytes:
    """Draw a page in one's turn.

    Raises
    ------
    Unavailable
        As :func:`drawn`.
    """
    with _turn():
        return pdf(page, paper)


def issue(site: Site, caller: Caller, visit_id: int, wish: Wish, seen: str = "") -> ReportRow:
    """Issue a report: keep what was advised, the card, and the very bytes.

    Parameters
    ----------
    seen
        Identity of the draft that the person looked at; empty: whatever would be printed now.

    Raises
    ------
    Invalid, Conflict
        As :func:`draft`; Conflict also if anything printed has changed since the draft was looked at.
    """
    made = draft(site, caller, visit_id, wish)
    if seen and seen != made.card.report_id:
        raise _changed(visit_id)
    content = drawn(made)  # outside of any transaction: nobody waits for the database meanwhile
    with site.database.change(caller, Right.ISSUE_REPORTS) as change:
        reports.in_turn(change)  # before it is read whether a report stands already
        again = _the_one(asked_for(site, change, {visit_id: wish}, change.now.date()))
        if again.inputs.card.report_id != made.card.report_id:
            raise _changed(visit_id)
        return reports.the_report(change, issued_in(change, made, content))


def issued_in(change: Change, made: Draft, content: bytes) -> int:
    """Store a report that was drawn, within a change that holds the laboratory's turn; returns its id."""
    wish, visit_id = made.wish, made.visit.id
    added = reports.add(
        change,
        {
            "sampling_id": visit_id, "report_id": made.card.report_id,
            "issued_on": made.card.issued_on, "issued_by": change.caller.name, "crop": made.advice.crop,
            "language": wish.language, "units": wish.units, "paper": wish.paper,
            "advice": made.advice.model_dump(mode="json"), "card": made.card.model_dump(mode="json"),
            "inputs": made.inputs.model_dump(mode="json"), **_pinned(made),
            "document_sha256": documents.put(change, content),
            "replaces": made.replaces,
        },
    )  # fmt: skip
    change.note(
        "issue", "report", added,
        after={
            "report": made.card.report_id, "visit": visit_id, "replaces": wish.replaces or None,
            "language": wish.language, "units": wish.units, "paper": wish.paper,
        },
    )  # fmt: skip
    return added


def find(site: Site, caller: Caller, search: str, page: int = 1) -> tuple[tuple[ReportRow, ...], bool]:
    """One page of the reports that match a search, newest first, and whether there are more behind it."""
    with site.database.look(caller, Right.READ_REPORTS) as look:
        found = reports.find_reports(look, search, skip=(page - 1) * PAGE, most=PAGE + 1)
    return found[:PAGE], len(found) > PAGE


def after(site: Site, caller: Caller, last: int, most: int, search: str = "") -> tuple[ReportRow, ...]:
    """Reports in the order in which they were issued, from behind one on."""
    with site.database.look(caller, Right.READ_REPORTS) as look:
        return reports.reports_after(look, last, most, search)


def one(site: Site, caller: Caller, report_id: int) -> ReportRow:
    """One report."""
    with site.database.look(caller, Right.READ_REPORTS) as look:
        return reports.the_report(look, report_id)


def is_overtaken(site: Site, caller: Caller, report_id: int) -> bool:
    """Whether values came after a report that no other has replaced: what it advises may no longer hold."""
    with site.database.look(caller, Right.READ_REPORTS) as look:
        found = reports.the_report(look, report_id)
        return found.replaced_by is None and reports.is_overtaken(look, found)


def advice(site: Site, caller: Caller, report_id: int) -> dict[str, Any]:
    """What a report was made from, as it was stored."""
    with site.database.look(caller, Right.READ_REPORTS) as look:
        return reports.advice_of(look, reports.the_report(look, report_id).id)


def document(site: Site, caller: Caller, report_id: int) -> tuple[ReportRow, bytes]:
    """One report and its bytes as they were issued."""
    with site.database.look(caller, Right.READ_REPORTS) as look:
        found = reports.the_report(look, report_id)
        return found, documents.get(look, found.document_sha256)


def asked_for(
    site: Site, look: Look, wishes: Mapping[int, Wish], day: date
) -> dict[int, Asked | FurrowsliceError]:
    """Put together what reports of several visits are made from, in a few queries.

    Parameters
    ----------
    wishes
        How the report of each visit is wanted, by the visit's id.
    day
        The day on which they are issued.

    Returns
    -------
    dict
        By the visit's id; in the place of a report that cannot be made stands why, as :func:`draft` raises.
    """
    ids = list(wishes)
    found, samples = visits.visits_of(look, ids), visits.samples_of_visits(look, ids)
    values, earlier = visits.values_of_visits(look, ids), visits.earlier_values(look, ids)
    standing = reports.of_visits(look, ids)
    in_force, laboratory = site.in_force(look), _laboratory(look)
    asked: dict[int, Asked | FurrowsliceError] = {}
    for visit_id, wish in wishes.items():
        try:
            if visit_id not in found:
                raise absent("visit")
            visit = found[visit_id]
            soil = _reportable(visit, values.get(visit_id, []), in_force)
            replaces = _replaced(standing.get(visit_id, ()), visit.plan.crop, wish)
        except FurrowsliceError as error:
            asked[visit_id] = error
            continue
        card = _card(laboratory, visit).model_copy(update={"replaces": wish.replaces})
        card = with_comment(card, look.caller.name, visit.plan.comment)
        card = card.model_copy(update={"tables_release": _release(in_force, visit.region)})
        inputs = ReportInputs(
            values=plain_rows(soil, COLUMNS),
            samples=plain_rows(context_rows(visit, samples[visit_id], plan_of(visit)), CONTEXT),
            earlier=earlier_results(earlier.get(visit_id, ())), card=card,
            language=wish.language, units=wish.units, paper=wish.paper,
        ).on(day)  # fmt: skip
        asked[visit_id] = Asked(visit, wish, inputs, replaces, in_force)
    return asked


def _reportable(visit: VisitRow, soil: list[dict[str, Any]], in_force: InForce) -> list[dict[str, Any]]:
    """The values of a visit, if there is anything to report by."""
    check_crops(in_force.tables, plan_of(visit))
    if not soil:
        raise Invalid(
            "there is nothing to report yet", where=f"visit {visit.id}",
            expected="at least one released or typed value of the visit's samples",
            fix="wait for the laboratory to release its run, or type the values of another paper",
        )  # fmt: skip
    return soil


def _the_one(asked: Mapping[int, Asked | FurrowsliceError]) -> Asked:
    (only,) = asked.values()
    if isinstance(only, FurrowsliceError):
        raise only
    return only


def _pinned(made: Draft) -> dict[str, Any]:
    """The releases that a report is made from, so that it can be worked out again."""
    region, rows = made.advice.region, made.in_force.releases
    return {
        "tables_sha256": made.in_force.digest_for(region),
        "region_release_id": rows[region].id,
        "shared_release_id": rows[SHARED].id,
    }


def _release(in_force: InForce, region: str) -> TablesRelease:
    """The two releases as a report prints them."""
    own, shared = in_force.releases[region], in_force.releases[SHARED]
    return TablesRelease(
        number=own.number, effective_on=own.effective_on, sha256=own.sha256, shared_number=shared.number,
        shared_effective_on=shared.effective_on, shared_sha256=shared.sha256,
    )  # fmt: skip


def _replaced(earlier: tuple[ReportRow, ...], crop: str, wish: Wish) -> int | None:
    """Id of the report that is replaced: one that still stands, and the one for the same crop if there is."""
    standing = {report.report_id: report for report in earlier if report.replaced_by is None}
    if wish.replaces:
        if wish.replaces not in standing:
            raise Invalid(
                f"no report {wish.replaces} of this visit is left to replace", where="replaces",
                expected=" or ".join(standing) or "nothing: the visit has no report",
                fix="choose the report that this one replaces",
                fields={"replaces": "choose a report of this visit that was not replaced yet"},
            )  # fmt: skip
        return standing[wish.replaces].id
    same = [report.report_id for report in standing.values() if report.crop == crop]
    if same:
        raise Conflict(
            f"there is a report of this visit for this crop already: {same[0]}", where="replaces",
            expected="that the new report replaces it: two that both stand could disagree",
            fix="say that this report replaces it",
        )  # fmt: skip
    return None


def _laboratory(look: Look) -> LaboratoryCard:
    found = laboratories.laboratory_by_id(look, look.scope.laboratory_id or 0)
    if found is None:
        raise absent("laboratory")
    return LaboratoryCard.model_validate(found.card | {"report_id": "-", "issued_on": NOT_ISSUED})


def _card(card: LaboratoryCard, visit: VisitRow) -> LaboratoryCard:
    """A laboratory's card for the customer of a visit."""
    customer = ", ".join(" ".join(text.split()) for text in (visit.grower_name, visit.grower_address) if text)
    if visit.grower_address and len(customer) <= LONGEST_LINE:
        card = card.model_copy(update={"customer_address": customer})
    return card


def _changed(visit_id: int) -> Conflict:
    return Conflict(
        "something on this report has changed since you looked at it, so nothing was issued",
        where=f"visit {visit_id}",
        expected="the values, plan, comment, tables and day that you saw",
        fix="look at the report again, then issue it",
    )


@contextmanager
def _turn() -> Iterator[None]:
    """Wait for one's turn to draw."""
    busy = Unavailable(
        "many reports are being drawn at this moment", where="report",
        expected="fewer at once", fix="wait a few seconds and try again; nothing was stored",
    )  # fmt: skip
    if not _queue.acquire(blocking=False):
        raise busy
    try:
        if not _press.acquire(timeout=SECONDS_TO_WAIT):
            raise busy
        try:
            yield
        finally:
            _press.release()
    finally:
        _queue.release()
