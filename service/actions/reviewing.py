"""The way from a draft to a release: submitted, approved by a second person, published.

What is approved is exactly what was shown: the approval names the digest of the records, of the reason given
and of the day from which they are used. A draft of which anything changes has to be approved again. A draft
that another release of its region has overtaken is refused, never merged.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from service.actions.draftdesk import Desk, lay_out, wrong_state
from service.actions.written import refuse_unseen
from service.books import SHARED, canonical, digest, written
from service.callers import Caller, Right
from service.entries.comparing import compare
from service.refusals import Conflict, Invalid, NotAllowed
from service.releases import Content
from service.site import Site
from service.store import drafts, releases
from service.store.database import Change, Look
from service.store.drafts import DraftRow

LONGEST_REASON = 2000
DRAFT_STANDING = "regional-draft"


@dataclass(frozen=True)
class Review:
    """A submitted draft as a reviewer sees it.

    Attributes
    ----------
    sha256
        Digest of all that would be published: what an approval names.
    may_approve
        Whether the caller is somebody else than those who wrote and submitted it.
    """

    desk: Desk
    sha256: str
    may_approve: bool


def submit(
    site: Site, caller: Caller, draft_id: int, revision: int, why: str, effective_on: date | None = None
) -> str:
    """Hand a draft to a second person; returns the digest of what is handed over.

    Parameters
    ----------
    revision
        The one that the person had before them.
    why
        Why the tables change; it is printed in the history of the region for good.
    effective_on
        First day on which the release is used; the day it is published if not given.

    Raises
    ------
    Conflict
        If the draft is not open, or has changed since the revision, or another release overtook it.
    Invalid
        If a cell cannot be read, a rule is broken, nothing differs from the last release, a standing still is
        that of a draft, no reason is given, or the day has passed.
    """
    why = why.strip()
    if not 0 < len(why) <= LONGEST_REASON:
        raise Invalid(
            "no reason is given" if not why else f"a reason of {len(why)} characters", where="why",
            expected=f"1 to {LONGEST_REASON} characters", fix="write why the tables change",
            fields={"why": f"write why the tables change, in 1 to {LONGEST_REASON} characters"},
        )  # fmt: skip
    refuse_unseen(why=why)
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        draft = drafts.hold(change, draft_id)
        if draft.state != "open":
            raise wrong_state(draft, "an open draft")
        desk = lay_out(site, change, draft_id)
        if desk.revision != revision:
            raise Conflict(
                "somebody else has changed this draft since you opened it, so it was not submitted",
                where=f"draft {draft_id}",
                expected=f"the draft at revision {revision}; it is at {desk.revision}",
                fix="look at what is there now, then submit it",
            )  # fmt: skip
        _refuse_unfit(desk, effective_on, change)
        sha256 = digest_of(desk, why, effective_on)
        drafts.alter(
            change, draft_id, state="submitted", why=why, effective_on=effective_on, submitted_at=change.now,
            submitted_by=caller.name, submitted_by_id=caller.account_id, submitted_sha256=sha256,
            approved_at=None, approved_by="", returned_because="",
        )  # fmt: skip
        drafts.drop_uploads(change, draft_id)
        change.note("submit", "table-draft", draft_id, after={"sha256": sha256}, reason=why)
    return sha256


def review(site: Site, caller: Caller, draft_id: int) -> Review:
    """A draft that was submitted, with the digest of what would be published.

    Raises
    ------
    Conflict
        If it is not submitted.
    """
    with site.database.look(caller, Right.PUBLISH_TABLES) as look:
        draft = drafts.the_draft(look, draft_id)
        if draft.state not in ("submitted", "approved"):
            raise wrong_state(draft, "a draft that was submitted")
        return Review(
            lay_out(site, look, draft_id), draft.submitted_sha256, not is_an_author(look, draft, caller)
        )


def approve(site: Site, caller: Caller, draft_id: int, sha256: str) -> None:
    """Agree to what was shown.

    Parameters
    ----------
    sha256
        Digest of what the reviewer was shown.

    Raises
    ------
    NotAllowed
        If the caller wrote or submitted any of it.
    Conflict
        If the draft is not submitted, or it is not what was shown.
    """
    with site.database.change(caller, Right.PUBLISH_TABLES) as change:
        draft = drafts.hold(change, draft_id)
        if draft.state != "submitted":
            raise wrong_state(draft, "a draft that was submitted and not approved yet")
        if is_an_author(change, draft, caller):
            raise NotAllowed(
                "who wrote or submitted a draft cannot approve it", where=f"draft {draft_id}",
                expected="a second person with the right to publish", fix="ask a colleague to look at it",
            )  # fmt: skip
        desk = _as_shown(site, change, draft, sha256)
        _refuse_stale(desk)
        drafts.alter(change, draft_id, state="approved", approved_at=change.now, approved_by=caller.name)
        change.note("approve", "table-draft", draft_id, after={"sha256": sha256})


def send_back(site: Site, caller: Caller, draft_id: int, reason: str) -> None:
    """Open a submitted draft again, so that it can be changed; an approval of it is gone.

    Raises
    ------
    Invalid
        If no reason is given.
    Conflict
        If the draft is not submitted.
    """
    reason = reason.strip()
    if not 0 < len(reason) <= LONGEST_REASON:
        raise Invalid(
            "no reason is given", where="reason", expected=f"1 to {LONGEST_REASON} characters",
            fix="write what is to be changed", fields={"reason": "write what is to be changed"},
        )  # fmt: skip
    refuse_unseen(reason=reason)
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        draft = drafts.hold(change, draft_id)
        if draft.state not in ("submitted", "approved"):
            raise wrong_state(draft, "a draft that was submitted")
        drafts.alter(
            change, draft_id, state="open", returned_because=f"{caller.name}: {reason}", approved_at=None,
            approved_by="", submitted_sha256="",
        )  # fmt: skip
        change.note("send-back", "table-draft", draft_id, before={"state": draft.state}, reason=reason)


def publish(site: Site, caller: Caller, draft_id: int, sha256: str) -> int:
    """Make a release of an approved draft; returns the release's id.

    The release, the end of the draft and the line about it are stored together or not at all.

    Raises
    ------
    Conflict
        If the draft is not approved, is not what was shown, or another release overtook it.
    Invalid
        If it no longer fits the tables that all regions share, or its day has passed.
    """
    with site.database.change(caller, Right.PUBLISH_TABLES) as change:
        draft = drafts.hold(change, draft_id)
        if draft.state != "approved":
            raise wrong_state(draft, "a draft that a second person has approved")
        releases.in_turn(change, draft.book)  # before it is read what the last ones are
        desk = _as_shown(site, change, draft, sha256)
        _refuse_unfit(desk, draft.effective_on, change)
        last = releases.latest(change)
        before = last.get(draft.book)
        content = Content(
            book=draft.book, number=before.number + 1 if before else 1,
            previous=before.sha256 if before else "", shared=last[SHARED].sha256 if SHARED in last else "",
            effective_on=draft.effective_on or change.now.date(), published_at=change.now,
            published_by=caller.name, written_by=written_by(change, draft), approved_by=draft.approved_by,
            why=draft.why, records=written(draft.book, desk.checked.book),
        )  # fmt: skip
        added = releases.add(change, [content])[draft.book]
        drafts.alter(change, draft_id, state="published", release_id=added)
        change.note(
            "publish", "table-release", added,
            after={
                "region": draft.book, "number": content.number, "sha256": digest(content.text()),
                "draft": draft_id, "effective_on": content.effective_on.isoformat(),
                "approved_by": draft.approved_by,
            },
            reason=draft.why,
        )  # fmt: skip
    return added


def digest_of(desk: Desk, why: str, effective_on: date | None) -> str:
    """Digest of what would be published of a draft."""
    return digest(
        canonical(
            {
                "book": desk.draft.book, "base": desk.draft.base_id, "why": why,
                "effective_on": effective_on.isoformat() if effective_on else None,
                "records": written(desk.draft.book, desk.checked.book),
            }
        )
    )  # fmt: skip


def _as_shown(site: Site, change: Change, draft: DraftRow, sha256: str) -> Desk:
    desk = lay_out(site, change, draft.id)
    if not sha256 == draft.submitted_sha256 == digest_of(desk, draft.why, draft.effective_on):
        raise Conflict(
            "this draft is no longer what you were shown, so nothing was done", where=f"draft {draft.id}",
            expected=f"what has the digest {sha256[:12]}", fix="open the review again and look once more",
        )  # fmt: skip
    return desk


def _refuse_unfit(desk: Desk, effective_on: date | None, change: Change) -> None:
    """Refuse what cannot be a release."""
    _refuse_stale(desk)
    draft, today = desk.draft, change.now.date()
    if errors := desk.checked.errors():
        raise Invalid(
            f"{errors} {'thing keeps' if errors == 1 else 'things keep'} this draft from being released",
            where=f"draft {draft.id}", expected="a draft without errors",
            fix="open the tables that are marked, and mend the cells",
        )  # fmt: skip
    written_now = written(draft.book, desk.checked.book)
    drafted = [
        record for kind in written_now.values() for record in kind.values()
        if record.get("standing") == DRAFT_STANDING
    ]  # fmt: skip
    if drafted:
        names = ", ".join(record["id"] for record in drafted[:3])
        raise Invalid(
            f"{len(drafted)} records still stand as a draft of the region: {names}",
            where=f"draft {draft.id}", expected="published, restated, regional or another standing",
            fix="say where the numbers come from; 'regional' where the region itself sets them",
        )  # fmt: skip
    if desk.base and not compare(desk.base, desk.entries):
        raise Invalid(
            "nothing differs from the last release", where=f"draft {draft.id}", expected="a change",
            fix="change a table, or discard the draft",
        )  # fmt: skip
    if effective_on is not None and effective_on < today:
        raise Invalid(
            f"the day {effective_on} has passed", where="effective_on", expected=f"{today} or a later day",
            fix="choose another day: what was in force on a day that has passed stays as it was",
            fields={"effective_on": f"choose {today} or a later day"},
        )  # fmt: skip
    _refuse_too_early(desk, effective_on or today, change)


def _refuse_too_early(desk: Desk, day: date, change: Change) -> None:
    """Refuse a day on which a region that the draft names has no tables yet: they begin later."""
    region = desk.checked.book.regions[desk.draft.book]
    there = {row.book for row in releases.in_force(change, day)}
    if missing := [each for each in region.cautions_of if each not in there]:
        raise Invalid(
            f"on {day} there are no tables yet of {', '.join(missing)}, whose cautions this region takes",
            where="effective_on", expected="a day on which they are used",
            fix=f"choose a later day, or take {missing[0]} out of the region's cell cautions_of",
            fields={"effective_on": f"choose a day on which there are tables of {', '.join(missing)}"},
        )  # fmt: skip


def _refuse_stale(desk: Desk) -> None:
    if desk.stale:
        raise Conflict(
            "another release of this region was published since this draft was begun",
            where=f"draft {desk.draft.id}", expected="a draft that begins from the last release",
            fix="begin a new draft and make the change there; this one stays to be read and downloaded",
        )  # fmt: skip


def is_an_author(look: Look, draft: DraftRow, caller: Caller) -> bool:
    """Whether somebody wrote or submitted any of a draft; the command line is one person as well."""
    return caller.account_id in {draft.submitted_by_id, *drafts.authors(look, draft.id)}


def written_by(look: Look, draft: DraftRow) -> tuple[str, ...]:
    """Names of those who wrote or submitted any of a draft."""
    return tuple(sorted({*drafts.authors(look, draft.id).values(), draft.submitted_by} - {""}))
