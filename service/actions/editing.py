"""One table of a draft before somebody who types: as it is stored, and as it would be."""

from __future__ import annotations

from dataclasses import dataclass

from interpretation.agronomy.tables import ScaleTable, Source, TableSet
from service.actions.draftdesk import Desk, around, lay_out, the_entry
from service.callers import Caller, Right
from service.entries.entry import CellProblem, Entry
from service.entries.reading import read_entry
from service.site import Site
from service.store import drafts
from service.store.tablecomments import CommentRow


@dataclass(frozen=True)
class Editing:
    """One table of a draft.

    Attributes
    ----------
    desk
        The draft, with ``entry`` in the place of what is stored.
    entry
        The table as it is looked at: what was typed, or else what is stored.
    stored
        The table as it is stored.
    around
        What all regions share, and the other regions.
    """

    desk: Desk
    entry: Entry
    stored: Entry
    around: TableSet

    @property
    def problems(self) -> tuple[CellProblem, ...]:
        """What is wrong, or odd, with the table as it is looked at."""
        return self.desk.checked.problems.get(self.entry.number, ())

    @property
    def comments(self) -> tuple[CommentRow, ...]:
        """What was said about the table and is not settled, oldest first."""
        return tuple(
            each for each in self.desk.comments
            if each.entry == self.entry.number and each.settled_at is None
        )  # fmt: skip

    @property
    def scales(self) -> tuple[ScaleTable, ...]:
        """Scales of the draft; one that cannot be read stands as it was in the release before."""
        found = self.desk.checked.book.scales
        typed = {each.number: each for each in self.desk.entries if each.kind == "scales"}
        before = [
            read_entry(each, self.desk.draft.book).record for each in self.desk.base
            if each.number in typed and typed[each.number].id not in found
        ]  # fmt: skip
        return (*found.values(), *(each for each in before if isinstance(each, ScaleTable)))

    def source(self, name: str) -> Source | Entry | None:
        """A source that the table may cite; an entry where it is in the draft and not whole yet."""
        own = next((each for each in self.desk.entries if each.kind == "sources" and each.id == name), None)
        if own is not None:
            return self.desk.checked.book.sources.get(name, own)
        found = self.around.sources.get(name)
        return found if found is not None and found.region is None else None


def opened(site: Site, caller: Caller, draft_id: int, number: int, typed: Entry | None = None) -> Editing:
    """Open one table of a draft.

    Parameters
    ----------
    typed
        What somebody has typed and not stored, to be looked at.

    Raises
    ------
    NotFound
        If the draft is not the caller's, or has no such table.
    """
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        draft = drafts.the_draft(look, draft_id)
        stored = the_entry(drafts.entries(look, draft_id), number)
        tried = typed.model_copy(update={"number": number, "kind": stored.kind}) if typed else None
        desk = lay_out(site, look, draft_id, tried)
        return Editing(desk, tried or stored, stored, around(site, look, draft.book))


def as_stored(site: Site, caller: Caller, draft_id: int, number: int) -> Entry:
    """One table of a draft as it is stored, unchecked: to know which cells a form of it has."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        drafts.the_draft(look, draft_id)
        return the_entry(drafts.entries(look, draft_id), number)
