"""Drafts of tables: begun, typed into, reviewed and published; a second person approves what one wrote."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query

from service.actions import draftdesk, drafting, regionstart, releasehistory, reviewdesk, reviewing
from service.actions.impact import preview
from service.actions.regionstart import FirstScale, NewRegion
from service.api.common import LARGEST_ID, After, Id, Limit, Line, Page, page_of
from service.api.draftmodels import (
    AddedEntry,
    Begun,
    ChosenSamples,
    DraftPurpose,
    DraftRevision,
    DraftSubmission,
    GivenComment,
    GivenEntry,
    GivenFirstScale,
    GivenRegion,
    GoneBack,
    ListedDraft,
    NewEntry,
    OneComment,
    OneDraft,
    OneEntry,
    Reason,
    RecordDifference,
    SavedDraft,
    SeenDigest,
    SeenRevisionAlone,
    SubmittedDraft,
    UnderReview,
)
from service.api.draftviews import (
    difference,
    listed_draft,
    problems_of,
    shown_comment,
    shown_draft,
    shown_entry,
    typed_entry,
    under_review,
)
from service.api.releases import OneRelease, shown_release
from service.callers import Caller
from service.entries.comparing import compare
from service.impact import Filter, Impact
from service.refusals import Invalid
from service.site import Site
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
Number = Annotated[int, Path(ge=1, le=LARGEST_ID, description="number of the entry in its draft")]
AfterNumber = Annotated[int, Query(ge=0, le=LARGEST_ID, description="the last number already seen")]
SeenRevision = Annotated[
    int, Query(ge=1, le=LARGEST_ID, description="number of the draft's revision that was looked at")
]


@router.get("/tables/drafts", summary="Drafts of tables")
def list_drafts(
    site: TheSite, caller: ApiCaller, after: After = 0, limit: Limit = 100,
    ended: Annotated[bool, Query(description="those that were published or discarded")] = False,
) -> Page[ListedDraft]:  # fmt: skip
    """List the drafts of the caller's region by rising id: those that are alive, or those that have ended."""
    found = draftdesk.later(site, caller, after, limit + 1, ended=ended)
    return page_of(found, limit, listed_draft)


@router.post("/tables/drafts", status_code=201, summary="Begin a draft")
def begin(site: TheSite, caller: ApiCaller, given: Begun) -> OneDraft:
    """Begin a draft of a region from its last release, or with the tables of an earlier one."""
    added = drafting.begin(site, caller, given.region, given.why, given.release)
    return shown_draft(draftdesk.desk(site, caller, added))


@router.post("/tables/regions", status_code=201, summary="Begin a new region")
def begin_region(site: TheSite, caller: ApiCaller, given: GivenRegion) -> OneDraft:
    """Begin the first draft of a region: a copy whose records all stand as drafts, or a first scale."""
    new = NewRegion(**given.model_dump(exclude={"copy_of", "scale"}))
    regionstart.startable(site, caller)  # whoever may not learns that first
    if (given.copy_of is None) == (given.scale is None):
        raise Invalid(
            "a region begins as a copy or with a first scale", where="copy_of, scale",
            expected="one of the two", fix="leave out the other",
            fields=dict.fromkeys(("copy_of", "scale"), "give one of the two"),
        )  # fmt: skip
    if given.copy_of is not None:
        added = regionstart.copy_region(site, caller, new, given.copy_of)
    else:
        assert given.scale is not None
        added = _begin_empty(site, caller, new, given.scale)
    return shown_draft(draftdesk.desk(site, caller, added))


@router.get("/tables/drafts/{draft_id}", summary="One draft with its problems")
def one_draft(site: TheSite, caller: ApiCaller, draft_id: Id) -> OneDraft:
    """Show what has become of a draft, its tables, and what keeps it from being released."""
    return shown_draft(draftdesk.desk(site, caller, draft_id))


@router.post("/tables/drafts/{draft_id}/discard", summary="Discard a draft")
def discard(site: TheSite, caller: ApiCaller, draft_id: Id, given: Reason) -> ListedDraft:
    """End a draft without a release; it can still be read."""
    drafting.discard(site, caller, draft_id, given.reason)
    return listed_draft(draftdesk.row(site, caller, draft_id))


@router.put("/tables/drafts/{draft_id}/why", summary="Say why the tables change")
def describe(site: TheSite, caller: ApiCaller, draft_id: Id, given: DraftPurpose) -> ListedDraft:
    """Store the reason that the release's history is to print; it can be changed until it is submitted."""
    drafting.describe(site, caller, draft_id, given.why)
    return listed_draft(draftdesk.row(site, caller, draft_id))


@router.get("/tables/drafts/{draft_id}/entries", summary="Tables of a draft, cell by cell")
def list_entries(
    site: TheSite, caller: ApiCaller, draft_id: Id, after: AfterNumber = 0, limit: Limit = 100
) -> Page[OneEntry]:
    """List what is typed in a draft with what is wrong or odd with each cell, by rising number."""
    found = draftdesk.desk(site, caller, draft_id)
    wanted = sorted((each for each in found.entries if each.number > after), key=lambda each: each.number)
    shown = [shown_entry(found, each) for each in wanted[:limit]]
    return Page(items=shown, next=shown[-1].number if len(wanted) > limit else None)


@router.post("/tables/drafts/{draft_id}/entries", status_code=201, summary="Add a table to a draft")
def add_entry(site: TheSite, caller: ApiCaller, draft_id: Id, given: NewEntry) -> AddedEntry:
    """Add a table, empty or copied from another of the draft; what it says is then given with PUT."""
    number = drafting.add(site, caller, draft_id, given.kind, given.copy_of)
    return AddedEntry(number=number)


@router.get("/tables/drafts/{draft_id}/entries/{number}", summary="One table of a draft")
def one_entry(site: TheSite, caller: ApiCaller, draft_id: Id, number: Number) -> OneEntry:
    """Show what is typed in one table, and what is wrong or odd with each cell."""
    found = draftdesk.desk(site, caller, draft_id)
    return shown_entry(found, found.entry(number))


@router.put("/tables/drafts/{draft_id}/entries/{number}", summary="Store what is typed in one table")
def save_entry(
    site: TheSite, caller: ApiCaller, draft_id: Id, number: Number, given: GivenEntry
) -> SavedDraft:
    """Store a whole table as it is typed; a cell may be wrong until the draft is submitted.

    The revision is the one that was looked at: if somebody has changed this very table since, nothing is
    stored (409). Somebody else's change of another table is no hindrance.
    """
    seen = draftdesk.the_entry(draftdesk.typed_at(site, caller, draft_id, given.revision), number)
    typed = typed_entry(given, seen.kind, number)
    revision = drafting.save(site, caller, draft_id, given.revision, typed, given.reason)
    return SavedDraft(revision=revision, problems=problems_of(draftdesk.desk(site, caller, draft_id), number))


@router.delete("/tables/drafts/{draft_id}/entries/{number}", summary="Remove a table from a draft")
def remove_entry(
    site: TheSite, caller: ApiCaller, draft_id: Id, number: Number, revision: SeenRevision,
    reason: Annotated[Line, Query(description="kept in the draft's history")] = "",
) -> SavedDraft:  # fmt: skip
    """Remove a table; refused (409) if somebody has changed it since the revision."""
    made = drafting.remove(site, caller, draft_id, revision, number, reason)
    return SavedDraft(revision=made, problems=problems_of(draftdesk.desk(site, caller, draft_id), 0))


@router.get("/tables/drafts/{draft_id}/changes", summary="What differs from the release it began from")
def changes(site: TheSite, caller: ApiCaller, draft_id: Id) -> list[RecordDifference]:
    """Compare what is typed with the release that the draft began from, cell by cell."""
    found = draftdesk.desk(site, caller, draft_id)
    return [difference(each) for each in compare(found.base, found.entries)]


@router.post("/tables/drafts/{draft_id}/impact", summary="What a draft would do to past samples")
def impact(site: TheSite, caller: ApiCaller, draft_id: Id, given: ChosenSamples) -> Impact:
    """Advise on past samples by the draft and by the last release, and say what differs; nothing is stored.

    No answer says whose a field is.
    """
    return preview(site, caller, draft_id, Filter(**given.model_dump()))


@router.get("/tables/drafts/{draft_id}/revisions", summary="Every change of a draft")
def list_revisions(
    site: TheSite, caller: ApiCaller, draft_id: Id, after: AfterNumber = 0, limit: Limit = 100
) -> Page[DraftRevision]:
    """List the changes of a draft, first to last; each can be gone back to."""
    rows = reversed(draftdesk.revisions(site, caller, draft_id))
    later = [DraftRevision(**each.model_dump(exclude={"by_id"})) for each in rows if each.number > after]
    return Page(items=later[:limit], next=later[limit - 1].number if len(later) > limit else None)


@router.post("/tables/drafts/{draft_id}/back", summary="Go back to an earlier revision")
def go_back(site: TheSite, caller: ApiCaller, draft_id: Id, given: GoneBack) -> SavedDraft:
    """Let the draft say again what it once said; that is a revision as well, and so can be undone."""
    made = drafting.go_back(site, caller, draft_id, given.revision, given.to)
    return SavedDraft(revision=made, problems=problems_of(draftdesk.desk(site, caller, draft_id), 0))


@router.post("/tables/drafts/{draft_id}/adoption", summary="Say that the region sets the numbers")
def adopt(site: TheSite, caller: ApiCaller, draft_id: Id, given: SeenRevisionAlone) -> SavedDraft:
    """Let every record that stands as a draft of the region stand as its own: `regional`."""
    made = drafting.adopt(site, caller, draft_id, given.revision)
    return SavedDraft(revision=made, problems=problems_of(draftdesk.desk(site, caller, draft_id), 0))


@router.get("/tables/drafts/{draft_id}/comments", summary="What people say about a draft")
def list_comments(
    site: TheSite, caller: ApiCaller, draft_id: Id, after: After = 0, limit: Limit = 100
) -> Page[OneComment]:
    """List comments on cells, first to last, settled ones as well."""
    found = [each for each in draftdesk.comments(site, caller, draft_id) if each.id > after]
    return page_of(found, limit, shown_comment)


@router.post("/tables/drafts/{draft_id}/comments", status_code=201, summary="Say something about a cell")
def comment(site: TheSite, caller: ApiCaller, draft_id: Id, given: GivenComment) -> OneComment:
    """Write beside a cell of a draft, whatever has become of it."""
    added = drafting.comment(site, caller, draft_id, given.entry, given.place, given.text)
    return _the_comment(site, caller, draft_id, added)


@router.post("/tables/drafts/{draft_id}/comments/{comment_id}/settled", summary="Settle a comment")
def settle(site: TheSite, caller: ApiCaller, draft_id: Id, comment_id: Id) -> OneComment:
    """Mark a comment as settled; it stays to be read."""
    drafting.settle(site, caller, draft_id, comment_id)
    return _the_comment(site, caller, draft_id, comment_id)


@router.post("/tables/drafts/{draft_id}/submission", summary="Hand a draft to a second person")
def submit(site: TheSite, caller: ApiCaller, draft_id: Id, given: DraftSubmission) -> SubmittedDraft:
    """Submit a draft without errors, with the reason; nobody changes it until it is sent back."""
    sha256 = reviewing.submit(site, caller, draft_id, given.revision, given.why, given.effective_on)
    return SubmittedDraft(sha256=sha256)


@router.get("/tables/drafts/{draft_id}/review", summary="A draft as it lies before who approves it")
def review(site: TheSite, caller: ApiCaller, draft_id: Id) -> UnderReview:
    """Show what would be published, with the digest that an approval names."""
    return under_review(reviewdesk.lay(site, caller, draft_id))


@router.post("/tables/drafts/{draft_id}/approval", summary="Approve what was shown")
def approve(site: TheSite, caller: ApiCaller, draft_id: Id, given: SeenDigest) -> ListedDraft:
    """Agree to what has this digest; who wrote or submitted any of it may not (403)."""
    reviewing.approve(site, caller, draft_id, given.sha256)
    return listed_draft(draftdesk.row(site, caller, draft_id))


@router.post("/tables/drafts/{draft_id}/return", summary="Send a draft back")
def send_back(site: TheSite, caller: ApiCaller, draft_id: Id, given: Reason) -> ListedDraft:
    """Open a submitted draft again, with what is to be changed; an approval of it is gone."""
    reviewing.send_back(site, caller, draft_id, given.reason)
    return listed_draft(draftdesk.row(site, caller, draft_id))


@router.post("/tables/drafts/{draft_id}/publication", status_code=201, summary="Publish an approved draft")
def publish(site: TheSite, caller: ApiCaller, draft_id: Id, given: SeenDigest) -> OneRelease:
    """Make a release of what was approved, for good; refused (409) if another release overtook the draft."""
    added = reviewing.publish(site, caller, draft_id, given.sha256)
    return shown_release(releasehistory.one(site, caller, added).told)


def _begin_empty(site: Site, caller: Caller, new: NewRegion, scale: GivenFirstScale) -> int:
    """Begin with a scale; what is missing of it is named as the body has it."""
    first = FirstScale(**scale.model_dump())
    try:
        return regionstart.begin_empty(site, caller, new, first)
    except Invalid as error:
        within = FirstScale.model_fields.keys()
        error.fields = {
            f"scale/{name}" if name in within else name: text for name, text in error.fields.items()
        }
        raise


def _the_comment(site: Site, caller: Caller, draft_id: int, comment_id: int) -> OneComment:
    found = draftdesk.comments(site, caller, draft_id)
    return next(shown_comment(each) for each in found if each.id == comment_id)
