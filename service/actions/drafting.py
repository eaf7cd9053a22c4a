"""Drafts of a region's tables: begun, typed into, gone back in, and looked at.

Nothing that was typed is lost: a cell may hold whatever it likes until the draft is submitted, and every
change is a revision that can be gone back to. Two people may type into two tables of one draft at once; who
saves a table that somebody else has changed meanwhile is refused, and keeps on the page what was typed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from service.actions.draftdesk import entries_of_release, the_entry, wrong_state
from service.actions.written import refuse_unseen
from service.books import SHARED
from service.callers import Caller, Right
from service.entries.columns import LONGEST_STORED, MOST_ENTRIES, Kind
from service.entries.entry import Entry, entry, is_place
from service.refusals import Conflict, Invalid
from service.site import Site
from service.store import drafts, releases, tablecomments
from service.store.database import Change
from service.store.drafts import DraftRow, What
from service.store.land import absent

LONGEST_COMMENT = 2000
Entries = tuple[Entry, ...]


def begin(site: Site, caller: Caller, region: str, why: str = "", release_id: int | None = None) -> int:
    """Begin a draft of a region that has a release; returns its id.

    Parameters
    ----------
    release_id
        A release whose tables the draft is to hold, to go back to them; the last one if not given. Whichever
        it is, the draft will follow the last.

    Raises
    ------
    NotFound
        If the region has no release, or is not the caller's, or the release is another region's.
    """
    refuse_unseen(why=why)
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        last = releases.latest(change).get(region)
        if last is None or region == SHARED or change.scope.region not in ("", region):
            raise absent("region")
        if release_id is not None and releases.the_release(change, release_id).book != region:
            raise absent("release")
        typed = entries_of_release(site, change, release_id or last.id)
        return start(change, region, last.id, why, typed, {"release": release_id or last.id})


def start(
    change: Change,
    region: str,
    base_id: int | None,
    why: str,
    typed: Sequence[Entry],
    told: dict[str, object],
) -> int:
    """Add a draft with what is typed in it at first; returns its id."""
    added = drafts.begin(change, region, base_id, why)
    drafts.add_revision(change, added, typed, "start")
    change.note("begin", "table-draft", added, after={"region": region} | dict(told), reason=why)
    return added


def save(site: Site, caller: Caller, draft_id: int, revision: int, typed: Entry, reason: str = "") -> int:
    """Store what was typed into one table; returns the number of the draft's new revision.

    Parameters
    ----------
    revision
        The one that the person had before them.
    typed
        The whole entry, with its number.

    Raises
    ------
    Conflict
        If somebody else has changed this very table since, or the draft is not open.
    NotFound
        If the table is no longer in the draft.
    """

    def changed(entries: Entries, seen: Entries, _: int) -> Entries:
        now, before = the_entry(entries, typed.number), the_entry(seen, typed.number)
        if now != before:
            raise Conflict(
                "somebody else has changed this table since you opened it, so nothing was stored",
                where=f"draft {draft_id}, {now.id}", expected=f"the table as it was at revision {revision}",
                fix="look at what is there now, and make your change once more",
            )  # fmt: skip
        return tuple(typed if each.number == typed.number else each for each in entries)

    return _revise(site, caller, draft_id, revision, changed, "edit", typed.id, reason)


def add(
    site: Site, caller: Caller, draft_id: int, kind: Kind, copied: int | None = None, named: str = ""
) -> int:
    """Add a table to a draft, empty or copied from another of its tables; returns its number in the draft.

    Parameters
    ----------
    named
        Id of an empty one; it can be typed later.

    Raises
    ------
    Conflict
        If the draft is not open.
    Invalid
        If the draft holds as many entries as it can.
    """
    number = 0

    def added(entries: Entries, _: Entries, free: int) -> Entries:
        nonlocal number
        if len(entries) >= MOST_ENTRIES:
            raise Invalid(
                "the draft is full", where=f"draft {draft_id}", expected=f"at most {MOST_ENTRIES} tables",
                fix="remove a table that has ended",
            )  # fmt: skip
        number = free
        like = the_entry(entries, copied) if copied is not None else Entry(kind=kind)
        facts = like.facts | {"id": f"{like.id}-copy" if copied is not None else named}
        return (*entries, entry(like.kind, facts, like.rows, number))

    _revise(site, caller, draft_id, None, added, "add", kind, "")
    return number


def remove(site: Site, caller: Caller, draft_id: int, revision: int, number: int, reason: str = "") -> int:
    """Remove a table from a draft; returns the number of the new revision.

    Raises
    ------
    Conflict
        If somebody else has changed this table since the revision, or the draft is not open.
    """
    about = ""

    def removed(entries: Entries, seen: Entries, _: int) -> Entries:
        nonlocal about
        gone = the_entry(entries, number)
        about = gone.id
        if gone != the_entry(seen, number):
            raise Conflict(
                "somebody else has changed this table since you opened it, so it was not removed",
                where=f"draft {draft_id}, {gone.id}", expected=f"the table as it was at revision {revision}",
                fix="look at what is there now, then remove it if it still has to go",
            )  # fmt: skip
        return tuple(each for each in entries if each.number != number)

    return _revise(site, caller, draft_id, revision, removed, "remove", lambda: about, reason)


def go_back(site: Site, caller: Caller, draft_id: int, revision: int, to: int) -> int:
    """Let a draft say again what it said at an earlier revision; returns the number of the new one.

    Raises
    ------
    Conflict
        If the draft has a newer revision than the person saw, or is not open.
    NotFound
        If there is no such revision.
    """
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        _hold_open(change, draft_id)
        last = drafts.revisions(change, draft_id)[0].number
        if last != revision:
            raise Conflict(
                "somebody else has changed this draft since you opened it, so nothing was undone",
                where=f"draft {draft_id}", expected=f"the draft at revision {revision}; it is at {last}",
                fix="look at what is there now, then go back if you still want to",
            )  # fmt: skip
        typed = drafts.entries(change, draft_id, to)
        number = drafts.add_revision(change, draft_id, typed, "back", as_of=to)
        change.note("go-back", "table-draft", draft_id, before={"revision": last}, after={"revision": to})
    return number


def replace_all(
    site: Site, caller: Caller, draft_id: int, revision: int, typed: Sequence[Entry], about: str
) -> int:
    """Store every table of a draft at once, as a file says them; returns the number of the new revision.

    Raises
    ------
    Conflict
        If anything in the draft has changed since the revision, or the draft is not open.
    """

    def all_new(entries: Entries, seen: Entries, _: int) -> Entries:
        if entries != seen:
            raise Conflict(
                "somebody else has changed this draft since the file was read, so it was not taken",
                where=f"draft {draft_id}", expected=f"the draft as it was at revision {revision}",
                fix="upload the file again and look at the difference",
            )  # fmt: skip
        return tuple(typed)

    return _revise(site, caller, draft_id, revision, all_new, "upload", about, "")


def adopt(site: Site, caller: Caller, draft_id: int, revision: int) -> int:
    """Say that the region sets the numbers of a draft: what stands as a draft of it stands as its own.

    Returns
    -------
    int
        Number of the new revision.

    Raises
    ------
    Conflict
        If anything in the draft has changed since the revision, or the draft is not open.
    """

    def adopted(entries: Entries, seen: Entries, _: int) -> Entries:
        if entries != seen:
            raise Conflict(
                "somebody else has changed this draft since you opened it, so nothing was stored",
                where=f"draft {draft_id}", expected=f"the draft as it was at revision {revision}",
                fix="look at what is there now, then say it once more",
            )  # fmt: skip
        return tuple(
            each.model_copy(update={"facts": each.facts | {"standing": "regional"}})
            if each.facts.get("standing") == "regional-draft"
            else each
            for each in entries
        )

    return _revise(site, caller, draft_id, revision, adopted, "edit", "standing", "")


def describe(site: Site, caller: Caller, draft_id: int, why: str) -> None:
    """Say why the tables change.

    Raises
    ------
    Conflict
        If the draft is not open.
    """
    refuse_unseen(why=why)
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        _hold_open(change, draft_id)
        drafts.alter(change, draft_id, why=why.strip())
        change.note("describe", "table-draft", draft_id, reason=why.strip())


def discard(site: Site, caller: Caller, draft_id: int, reason: str = "") -> None:
    """End a draft without a release; it can still be read.

    Raises
    ------
    Conflict
        If it has ended already.
    """
    refuse_unseen(reason=reason)
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        draft = drafts.hold(change, draft_id)
        if draft.ended:
            raise wrong_state(draft, "a draft that has not ended")
        drafts.alter(change, draft_id, state="discarded")
        drafts.drop_uploads(change, draft_id)
        change.note("discard", "table-draft", draft_id, before={"state": draft.state}, reason=reason)


def comment(site: Site, caller: Caller, draft_id: int, number: int, place: str, text: str) -> int:
    """Say something about a cell of a draft, whatever its state; returns the comment's id.

    Raises
    ------
    Invalid
        If nothing is said, or too much, or about what is no cell.
    """
    refuse_unseen(text=text, place=place)
    text = text.strip()
    if not 0 < len(text) <= LONGEST_COMMENT:
        raise Invalid(
            f"a comment of {len(text)} characters", where="text",
            expected=f"1 to {LONGEST_COMMENT} characters", fix="write what is to be looked at",
            fields={"text": f"write 1 to {LONGEST_COMMENT} characters"},
        )  # fmt: skip
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        drafts.the_draft(change, draft_id)
        about = the_entry(drafts.entries(change, draft_id), number)
        if place and not is_place(about.kind, place):
            raise Invalid(
                "there is no such cell", where="place", expected="such as unit or classes.2.from, or nothing",
                fix="choose a cell of the table", fields={"place": "is no cell of this table"},
            )  # fmt: skip
        added = tablecomments.add(change, draft_id, number, place, text)
        change.note("comment", "table-draft", draft_id, after={"entry": number, "place": place})
    return added


def settle(site: Site, caller: Caller, draft_id: int, comment_id: int) -> None:
    """Mark a comment as settled."""
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        drafts.the_draft(change, draft_id)
        tablecomments.settle(change, draft_id, comment_id)
        change.note("settle", "table-draft", draft_id, after={"comment": comment_id})


def _revise(
    site: Site, caller: Caller, draft_id: int, revision: int | None,
    how: Callable[[Entries, Entries, int], Entries],
    what: What, about: str | Callable[[], str], reason: str,
) -> int:  # fmt: skip
    """Add a revision: ``how`` makes new entries of those that are there, those seen, and a free number."""
    refuse_unseen(reason=reason)
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        draft = _hold_open(change, draft_id)
        now = drafts.entries(change, draft_id)
        seen = now if revision is None else drafts.entries(change, draft_id, revision)
        made = how(now, seen, draft.last_entry + 1)
        _refuse_endless(made)
        named = about if isinstance(about, str) else about()
        number = drafts.add_revision(change, draft_id, made, what, about=named, reason=reason)
        if what == "upload":
            drafts.drop_uploads(change, draft_id)  # it is taken
        change.note(what, "table-draft", draft_id, after={"revision": number, "table": named}, reason=reason)
    return number


def _refuse_endless(entries: Entries) -> None:
    """Every later revision keeps a cell again, and no table needs one as long as a book."""
    for each in entries:
        texts = (
            *each.facts.values(),
            *(text for rows in each.rows.values() for row in rows for text in row.values()),
        )
        if any(len(text) > LONGEST_STORED for text in texts):
            raise Invalid(
                "a cell is too long to be kept", where=f"entry {each.number}",
                expected=f"at most {LONGEST_STORED} characters", fix="shorten the text; nothing was stored",
            )  # fmt: skip


def _hold_open(change: Change, draft_id: int) -> DraftRow:
    draft = drafts.hold(change, draft_id)
    if draft.state != "open":
        raise wrong_state(draft, "an open draft; one that was submitted is sent back first")
    return draft
