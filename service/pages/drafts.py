"""Pages of the drafts of a region's tables: the list, and one draft with its tables, changes and comments."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Form
from starlette.responses import HTMLResponse, Response

from interpretation.errors import FurrowsliceError
from service.actions import draftdesk, drafting, regionstart
from service.actions.undoing import step_back, step_forward
from service.entries.columns import KINDS, Kind
from service.pages import drafteditor
from service.pages import regionstart as regionpages
from service.pages.cellwords import one_name
from service.pages.draftlines import changes_of, comments_of, groups_of, in_hand, region_name
from service.pages.forms import Id, wrong_fields
from service.refusals import Invalid, NotAllowed, NotFound
from service.web.problems import status_of
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
router.include_router(regionpages.router)  # before what takes any id
router.include_router(drafteditor.router)
Reason = Annotated[str, Form(max_length=2000)]
Number = Annotated[int, Form(ge=1, le=2**31 - 1)]
CHANGES_SHOWN = 12  # of the list of changes; the rest lies below a fold


@router.get("/tables/drafts")
def drafts_page(visit: Visiting) -> HTMLResponse:
    """List the drafts."""
    return _list(visit)


def _list(visit: Visit, why: str = "", error: FurrowsliceError | None = None) -> HTMLResponse:
    site, caller = visit.site, visit.caller
    alive = draftdesk.find(site, caller)
    known = visit.tables.regions
    startable = regionstart.startable(site, caller)
    return visit.page(
        "drafts/list.html.j2", status_of(error) if error else 200, alive=alive,
        ended=draftdesk.find(site, caller, ended=True),
        regions=sorted(((each, known[each].name if each in known else each) for each in startable.known),
                       key=lambda each: each[1].casefold()),
        names={name: each.name for name, each in known.items()},
        why=why, error=error, wrong=wrong_fields(error),
    )  # fmt: skip


@router.post("/tables/drafts")
def begin(visit: Posted, region: Annotated[str, Form(max_length=120)] = "", why: Reason = "") -> Response:
    """Begin a draft of a region that has a release."""
    if not why.strip():
        wrong = visit.words("drafts.why-needed")
        return _list(visit, why, Invalid(wrong, where="why", fields={"why": wrong}))
    draft_id = drafting.begin(visit.site, visit.caller, region, why.strip())
    return visit.go(f"/tables/drafts/{draft_id}", "drafts.done-begun")


@router.get("/tables/drafts/{draft_id}")
def overview(visit: Visiting, draft_id: Id) -> HTMLResponse:
    """Show one draft."""
    return _overview(visit, draft_id)


def _overview(visit: Visit, draft_id: int, error: FurrowsliceError | None = None) -> HTMLResponse:
    desk, w = draftdesk.desk(visit.site, visit.caller, draft_id), visit.words
    changes, groups = changes_of(w, desk), groups_of(w, desk)
    return visit.page(
        "drafts/draft.html.j2", status_of(error) if error else 200, error=error, desk=desk, draft=desk.draft,
        region_name=region_name(desk), groups=groups, in_hand=in_hand(groups, desk),
        whole=desk.checked.problems.get(0, ()),
        comments=comments_of(w, desk), changes=changes[:CHANGES_SHOWN],
        older=changes[CHANGES_SHOWN:], back=step_back(desk.revisions), forward=step_forward(desk.revisions),
        kinds=[(kind, one_name(w, kind)) for kind in KINDS if kind != "regions"],
        drafted=regionstart.drafted(desk.entries), may_change=desk.draft.state == "open",
    )  # fmt: skip


def _tried(visit: Visit, draft_id: int, change: Callable[[], object], done: str) -> Response:
    """Make a change; what is refused is told above the draft as it is now."""
    try:
        change()
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        return _overview(visit, draft_id, error)
    return visit.go(f"/tables/drafts/{draft_id}", f"drafts.done-{done}")


@router.post("/tables/drafts/{draft_id}/add")
def add(
    visit: Posted, draft_id: Id, kind: Annotated[str, Form()] = "", copied: Annotated[str, Form()] = ""
) -> Response:
    """Add a table, empty or copied from another; its editor opens."""
    number = int(copied) if copied.isdecimal() and len(copied) < 10 else None
    if kind not in KINDS and number is None:
        raise NotFound(
            "there is no such kind of table",
            where="kind",
            expected=", ".join(KINDS),
            fix="choose one of them",
        )
    chosen: Kind = kind if kind in KINDS else "scales"
    try:
        added = drafting.add(visit.site, visit.caller, draft_id, chosen, number)
    except (NotAllowed, NotFound):
        raise
    except FurrowsliceError as error:
        return _overview(visit, draft_id, error)
    return visit.go(f"/tables/drafts/{draft_id}/entries/{added}", "drafts.done-added")


@router.post("/tables/drafts/{draft_id}/entries/{number}/remove")
def remove(visit: Posted, draft_id: Id, number: Id, revision: Number, reason: Reason = "") -> Response:
    """Remove a table from the draft."""
    return _tried(
        visit,
        draft_id,
        lambda: drafting.remove(visit.site, visit.caller, draft_id, revision, number, reason.strip()),
        "removed",
    )


@router.post("/tables/drafts/{draft_id}/go-back")
def go_back(visit: Posted, draft_id: Id, revision: Number, to: Number) -> Response:
    """Let the draft say again what it said at another revision."""
    return _tried(
        visit, draft_id, lambda: drafting.go_back(visit.site, visit.caller, draft_id, revision, to), "back"
    )


@router.post("/tables/drafts/{draft_id}/adopt")
def adopt(visit: Posted, draft_id: Id, revision: Number) -> Response:
    """Say that the region itself sets the numbers of its draft."""
    return _tried(
        visit, draft_id, lambda: drafting.adopt(visit.site, visit.caller, draft_id, revision), "adopted"
    )


@router.post("/tables/drafts/{draft_id}/why")
def describe(visit: Posted, draft_id: Id, why: Reason = "") -> Response:
    """Say why the tables change."""
    return _tried(visit, draft_id, lambda: drafting.describe(visit.site, visit.caller, draft_id, why), "why")


@router.post("/tables/drafts/{draft_id}/discard")
def discard(visit: Posted, draft_id: Id, reason: Reason = "") -> Response:
    """End the draft without a release."""
    return _tried(
        visit,
        draft_id,
        lambda: drafting.discard(visit.site, visit.caller, draft_id, reason.strip()),
        "discarded",
    )


@router.post("/tables/drafts/{draft_id}/comments/{comment_id}/settle")
def settle(visit: Posted, draft_id: Id, comment_id: Id) -> Response:
    """Mark a comment as settled."""
    return _tried(
        visit, draft_id, lambda: drafting.settle(visit.site, visit.caller, draft_id, comment_id), "settled"
    )
