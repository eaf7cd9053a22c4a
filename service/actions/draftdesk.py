"""A draft of a region's tables, laid out: what is typed, what can be read of it, what has become of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from interpretation.agronomy.tables import TableSet
from service.callers import Caller, Right
from service.entries.checking import Checked, check
from service.entries.entry import Entry
from service.entries.writing import entries_of
from service.refusals import Conflict, NotFound
from service.site import Site
from service.store import drafts, releases, tablecomments
from service.store.database import Look
from service.store.drafts import DraftRow, RevisionRow
from service.store.tablecomments import CommentRow


@dataclass(frozen=True)
class Desk:
    """A draft as it lies before somebody.

    Attributes
    ----------
    entries
        What is typed, at the last revision.
    checked
        What can be read of it, and what is wrong.
    base
        The entries of the release it began from; empty for a region that has none.
    stale
        Whether another release of the region was published since: then it can be read, and not submitted.
    """

    draft: DraftRow
    entries: tuple[Entry, ...]
    checked: Checked
    base: tuple[Entry, ...]
    revisions: tuple[RevisionRow, ...]
    comments: tuple[CommentRow, ...]
    stale: bool

    @property
    def revision(self) -> int:
        """Number of the last revision."""
        return self.revisions[0].number

    def entry(self, number: int) -> Entry:
        """One entry.

        Raises
        ------
        NotFound
            If the draft has none of this number.
        """
        return the_entry(self.entries, number)


def find(site: Site, caller: Caller, *, ended: bool = False) -> tuple[DraftRow, ...]:
    """Drafts of the caller's region, newest first: those that are alive, or those that have ended."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        return drafts.find(look, ended=ended)


def later(site: Site, caller: Caller, after: int, most: int, *, ended: bool = False) -> tuple[DraftRow, ...]:
    """As :func:`find`, by rising id, from the one after an id on."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        return drafts.later(look, after, most, ended=ended)


def row(site: Site, caller: Caller, draft_id: int) -> DraftRow:
    """What has become of one draft, without what is typed in it."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        return drafts.the_draft(look, draft_id)


def desk(site: Site, caller: Caller, draft_id: int) -> Desk:
    """One draft with all that belongs to it."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        return lay_out(site, look, draft_id)


def lay_out(site: Site, look: Look, draft_id: int, tried: Entry | None = None) -> Desk:
    """As :func:`desk`, inside a look or a change.

    Parameters
    ----------
    tried
        An entry to be looked at in place of the stored one of its number.
    """
    draft = drafts.the_draft(look, draft_id)
    typed = drafts.entries(look, draft_id)
    if tried is not None:
        typed = tuple(tried if each.number == tried.number else each for each in typed)
    last = releases.latest(look).get(draft.book)
    base = entries_of_release(site, look, draft.base_id)
    return Desk(
        draft=draft, entries=typed, checked=check(typed, draft.book, around(site, look, draft.book), base),
        base=base, revisions=drafts.revisions(look, draft_id),
        comments=tablecomments.of_draft(look, draft_id),
        stale=not draft.ended and (last.id if last else None) != draft.base_id,
    )  # fmt: skip


def around(site: Site, look: Look, region: str) -> TableSet:
    """What a draft of a region is checked with: the last release of every other book."""
    rows = tuple(row for book, row in sorted(releases.latest(look).items()) if book != region)
    return site.of_releases(look, rows)


def entries_of_release(site: Site, look: Look, release_id: int | None) -> tuple[Entry, ...]:
    """The entries of a region's release; none of no release."""
    if release_id is None:
        return ()
    row = releases.the_release(look, release_id)
    return entries_of(site.of_releases(look, (row,)), row.book)


def revisions(site: Site, caller: Caller, draft_id: int) -> tuple[RevisionRow, ...]:
    """The changes of a draft, newest first."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        drafts.the_draft(look, draft_id)
        return drafts.revisions(look, draft_id)


def comments(site: Site, caller: Caller, draft_id: int) -> tuple[CommentRow, ...]:
    """What is said about a draft, oldest first."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        drafts.the_draft(look, draft_id)
        return tablecomments.of_draft(look, draft_id)


def typed_at(site: Site, caller: Caller, draft_id: int, number: int) -> tuple[Entry, ...]:
    """What was typed in a draft at one of its revisions."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        drafts.the_draft(look, draft_id)
        return drafts.entries(look, draft_id, number)


def wrong_state(draft: DraftRow, expected: str) -> Conflict:
    """The refusal of what a draft's state does not allow."""
    return Conflict(
        f"this draft is {draft.state}, so nothing was done", where=f"draft {draft.id}", expected=expected,
        fix="open the draft again and look at what became of it",
    )  # fmt: skip


def the_entry(entries: Sequence[Entry], number: int) -> Entry:
    """One of the entries of a draft.

    Raises
    ------
    NotFound
        If none has this number.
    """
    for each in entries:
        if each.number == number:
            return each
    raise NotFound(
        "there is no such table in this draft", where=f"entry {number}",
        expected="a table of the draft; somebody may have removed it", fix="open the draft again",
    )  # fmt: skip
