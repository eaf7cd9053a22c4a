"""The page on which a draft of tables is submitted, approved or sent back, and published."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Annotated

from fastapi import APIRouter, Form
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from service.actions import reviewdesk, reviewing
from service.actions.draftdesk import Desk
from service.actions.reviewdesk import Laid
from service.actions.reviewing import LONGEST_REASON
from service.entries.entry import CellProblem
from service.pages.cellwords import one_name
from service.pages.changelines import cell_at_place, cell_name, in_words
from service.pages.forms import Id, wrong_fields
from service.refusals import Invalid
from service.store.tablecomments import CommentRow
from service.web.problems import status_of
from service.web.templates import Words
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
Text = Annotated[str, Form(max_length=4 * LONGEST_REASON)]  # longer than is taken: told beside the field
Digest = Annotated[str, Form(max_length=64)]
# The step that comes next: write, submit, approve, publish.
AT = {"open": 2, "submitted": 3, "approved": 4, "published": 5, "discarded": 1}


@dataclass(frozen=True)
class Place:
    """A cell of a draft by its words, and the address at which it is typed."""

    table: str
    cell: str
    address: str


@router.get("/tables/drafts/{draft_id}/review")
def review(visit: Visiting, draft_id: Id) -> HTMLResponse:
    """Show a draft as it would be published."""
    return _page(visit, draft_id)


@router.post("/tables/drafts/{draft_id}/review/submit")
def submit(
    visit: Posted, draft_id: Id, revision: Annotated[int, Form(ge=1, le=2**31 - 1)], why: Text = "",
    effective_on: Annotated[str, Form(max_length=40)] = "",
) -> Response:  # fmt: skip
    """Hand the draft to a second person."""
    try:
        day = _day(effective_on)
        reviewing.submit(visit.site, visit.caller, draft_id, revision, why, day)
    except FurrowsliceError as error:
        return _page(visit, draft_id, error, {"why": why, "effective_on": effective_on})
    return _done(visit, draft_id, "submitted")


@router.post("/tables/drafts/{draft_id}/review/approve")
def approve(visit: Posted, draft_id: Id, sha256: Digest = "") -> Response:
    """Agree to what was shown."""
    try:
        reviewing.approve(visit.site, visit.caller, draft_id, sha256)
    except FurrowsliceError as error:
        return _page(visit, draft_id, error)
    return _done(visit, draft_id, "approved")


@router.post("/tables/drafts/{draft_id}/review/send-back")
def send_back(visit: Posted, draft_id: Id, reason: Text = "") -> Response:
    """Open the draft again, with what is to be changed."""
    try:
        reviewing.send_back(visit.site, visit.caller, draft_id, reason)
    except FurrowsliceError as error:
        return _page(visit, draft_id, error, {"reason": reason})
    return _done(visit, draft_id, "sent-back")


@router.post("/tables/drafts/{draft_id}/review/publish")
def publish(visit: Posted, draft_id: Id, sha256: Digest = "") -> Response:
    """Make a release of the draft."""
    try:
        added = reviewing.publish(visit.site, visit.caller, draft_id, sha256)
    except FurrowsliceError as error:
        return _page(visit, draft_id, error)
    return visit.go(f"/tables/releases/{added}", "releases.done-published")


def _done(visit: Visit, draft_id: int, done: str) -> Response:
    return visit.go(f"/tables/drafts/{draft_id}/review", f"releases.done-{done}")


def _page(
    visit: Visit, draft_id: int, error: FurrowsliceError | None = None, typed: dict[str, str] | None = None
) -> HTMLResponse:
    laid, w = reviewdesk.lay(visit.site, visit.caller, draft_id), visit.words
    desk = laid.desk
    stored = {
        "why": desk.draft.why, "reason": "",
        "effective_on": desk.draft.effective_on.isoformat() if desk.draft.effective_on else "",
    }  # fmt: skip
    errors, warnings = problems(w, desk, "error"), problems(w, desk, "warning")
    return visit.page(
        "releases/review.html.j2", status_of(error) if error else 200, laid=laid, desk=desk,
        draft=desk.draft, name=region_name(desk), changes=in_words(w, laid.changes), errors=errors,
        warnings=warnings, cited=cited(w, laid), comments=comments(w, desk), at=AT[desk.draft.state],
        typed=stored | (typed or {}), error=error, wrong=wrong_fields(error), longest=LONGEST_REASON,
        settled=sum(each.settled_at is not None for each in desk.comments),
    )  # fmt: skip


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text.strip()) if text.strip() else None
    except ValueError:
        wanted = "a day such as 2026-04-20, or nothing"
        raise Invalid(
            f"{text.strip()!r} is no day", where="effective_on", expected=wanted,
            fix="choose the day, or leave it empty", fields={"effective_on": wanted},
        ) from None  # fmt: skip


def region_name(desk: Desk) -> str:
    """Name of the draft's region as it is typed; its id where nothing is."""
    names = (each.facts.get("name") for each in desk.entries if each.kind == "regions")
    return next(filter(None, names), desk.draft.book)


def problems(w: Words, desk: Desk, severity: str) -> list[tuple[Place, CellProblem]]:
    """What is wrong, or odd, with the draft's cells, each with the address at which it is mended."""
    return [
        (_place(w, desk, number, problem.cell.name), problem)
        for number, found in sorted(desk.checked.problems.items())
        for problem in found
        if problem.severity == severity
    ]


def comments(w: Words, desk: Desk) -> list[tuple[Place, CommentRow]]:
    """Comments that nobody has settled."""
    return [
        (_place(w, desk, each.entry, each.place), each) for each in desk.comments if each.settled_at is None
    ]


def cited(w: Words, laid: Laid) -> list[tuple[str, str, list[tuple[str, str]], tuple[str, ...]]]:
    """The changed tables: title, standing, each source with how it was read, and ids of no source."""
    return [
        (
            each.title or each.id, w(f"tables.standing-{each.standing}"),
            [
                (
                    ", ".join(str(part) for part in (s.title, s.publisher, s.year, s.locator, s.url) if part),
                    w(f"cells.choice-read-{s.read}"),
                )
                for s in each.sources
            ],
            each.unknown,
        )
        for each in laid.cited
    ]  # fmt: skip


def _place(w: Words, desk: Desk, number: int, place: str) -> Place:
    entry = next((each for each in desk.entries if each.number == number), None)
    draft = f"/tables/drafts/{desk.draft.id}"
    if entry is None:
        return Place(w("releases.whole-draft") if number == 0 else w("releases.removed"), "", draft)
    facts = entry.facts
    table = facts.get("title") or facts.get("name") or entry.id or one_name(w, entry.kind)
    address = f"{draft}/entries/{number}" + (f"#f-{place}" if place else "")
    return Place(table, cell_name(w, entry.kind, cell_at_place(place)), address)
