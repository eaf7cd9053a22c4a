"""Steps that tests of drafts and releases begin with."""

from __future__ import annotations

from service.actions import drafting, reviewing
from service.actions.draftdesk import desk
from service.entries.entry import Entry
from tests.app.server.conftest import World

REGION = "marrowdale"
SCALE = "marrowdale/phosphorus-bray1"


def begun(world: World, region: str = REGION) -> int:
    """A draft of the agronomist's."""
    return drafting.begin(world.site, world.caller("agronomist"), region, "To try it out.")


def named(world: World, draft: int, table_id: str = SCALE) -> Entry:
    """One table of a draft by its id."""
    found = desk(world.site, world.caller("agronomist"), draft).entries
    return next(each for each in found if each.id == table_id)


def with_fact(entry: Entry, **facts: str) -> Entry:
    """The entry with other texts in some of its cells."""
    return entry.model_copy(update={"facts": entry.facts | facts})


def with_cell(entry: Entry, sheet: str, row: int, column: str, text: str) -> Entry:
    """The entry with another text in a cell of a row."""
    rows = [dict(each) for each in entry.rows[sheet]]
    rows[row][column] = text
    return entry.model_copy(update={"rows": entry.rows | {sheet: tuple(rows)}})


def saved(world: World, draft: int, entry: Entry, person: str = "agronomist") -> int:
    """Store a table of a draft; returns the number of the revision."""
    caller = world.caller(person)
    return drafting.save(world.site, caller, draft, desk(world.site, caller, draft).revision, entry)


def changed(world: World) -> int:
    """A draft in which the class "high" of phosphorus begins at 24 in place of 23."""
    draft = begun(world)
    entry = named(world, draft)
    row = next(i for i, each in enumerate(entry.rows["classes"]) if each["name"] == "high")
    saved(world, draft, with_cell(entry, "classes", row, "from", "24"))
    return draft


def submitted(world: World, draft: int | None = None) -> tuple[int, str]:
    """A draft that is handed over, and its digest."""
    draft = changed(world) if draft is None else draft
    caller = world.caller("agronomist")
    revision = desk(world.site, caller, draft).revision
    return draft, reviewing.submit(world.site, caller, draft, revision, "New trials.")


def released(world: World, draft: int | None = None) -> int:
    """A release of a draft that the reviewer has approved."""
    draft, sha256 = submitted(world, draft)
    reviewing.approve(world.site, world.caller("reviewer"), draft, sha256)
    return reviewing.publish(world.site, world.caller("agronomist"), draft, sha256)
