"""Drafts of tables: typed into, gone back in, and never overwritten in silence."""

from __future__ import annotations

import pytest

from service.actions import draftdesk, drafting
from service.actions.draftdesk import desk
from service.entries.columns import MOST_ENTRIES
from service.entries.entry import Entry
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from service.site import Site
from service.store import drafts
from tests.app.server.conftest import World
from tests.app.server.draft_steps import REGION, SCALE, begun, named, saved, with_cell, with_fact


def text_of(site: Site, world: World, draft: int, column: str) -> str:
    return desk(site, world.caller("agronomist"), draft).entry(named(world, draft).number).facts[column]


def test_a_draft_begins_as_the_last_release_without_errors(world: World) -> None:
    draft = begun(world)
    found = desk(world.site, world.caller("agronomist"), draft)
    assert found.entries == found.base
    assert found.checked.errors() == 0
    assert {each.kind for each in found.entries} == {"regions", "scales", "rates"}
    assert (found.draft.state, found.stale, found.draft.base_number) == ("open", False, 1)


def test_what_is_typed_is_kept_however_wrong_and_told_beside_its_cell(world: World) -> None:
    draft = begun(world)
    entry = with_cell(with_fact(named(world, draft), round_to="one"), "classes", 1, "from", "7,5")
    saved(world, draft, entry)
    found = desk(world.site, world.caller("agronomist"), draft)
    assert found.entry(entry.number) == entry
    told = {each.cell.name: each for each in found.checked.problems[entry.number]}
    assert told["round_to"].message == "'one' is no number"
    assert told["classes.1.from"].message == "'7,5' is no number"
    assert told["classes.1.from"].fix == "write it plainly, with a decimal point"


def test_two_people_may_type_into_two_tables_at_once_and_not_into_one(world: World) -> None:
    draft = begun(world)
    seen = desk(world.site, world.caller("agronomist"), draft).revision
    scale, rate = named(world, draft), named(world, draft, "marrowdale/k2o-arable")
    mine, hers = with_fact(scale, title="Mine"), with_fact(rate, title="Hers")
    drafting.save(world.site, world.caller("agronomist"), draft, seen, mine)
    drafting.save(world.site, world.caller("reviewer"), draft, seen, hers)
    with pytest.raises(Conflict) as refused:
        drafting.save(world.site, world.caller("reviewer"), draft, seen, with_fact(scale, title="Hers, too"))
    assert "somebody else has changed this table since you opened it" in str(refused.value)
    found = desk(world.site, world.caller("agronomist"), draft)
    assert found.entry(scale.number) == mine
    assert found.entry(rate.number) == hers
    assert [each.by for each in found.revisions] == ["Reviewer", "Agronomist", "Agronomist"]


def test_every_change_can_be_gone_back_to(world: World) -> None:
    draft = begun(world)
    entry = named(world, draft)
    for title in ("One", "Two"):
        saved(world, draft, with_fact(entry, title=title))
    caller = world.caller("agronomist")
    assert drafting.go_back(world.site, caller, draft, 3, 2) == 4
    assert text_of(world.site, world, draft, "title") == "One"
    assert drafting.go_back(world.site, caller, draft, 4, 3) == 5
    assert text_of(world.site, world, draft, "title") == "Two"
    found = desk(world.site, caller, draft).revisions
    assert [(each.number, each.as_of, each.what) for each in found] == [
        (5, 3, "back"), (4, 2, "back"), (3, 3, "edit"), (2, 2, "edit"), (1, 1, "start"),
    ]  # fmt: skip
    with pytest.raises(Conflict, match="so nothing was undone"):
        drafting.go_back(world.site, caller, draft, 4, 1)
    with pytest.raises(NotFound):
        drafting.go_back(world.site, caller, draft, 5, 6)


def test_tables_are_added_copied_and_removed(world: World) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    number = drafting.add(world.site, caller, draft, "scales", copied=named(world, draft).number)
    found = desk(world.site, caller, draft)
    assert found.entry(number).id == f"{SCALE}-copy"
    assert found.entry(number).rows == named(world, draft).rows
    empty = drafting.add(world.site, caller, draft, "rates")
    found = desk(world.site, caller, draft)
    missing = {each.cell.name for each in found.checked.problems[empty] if each.message == "missing"}
    assert {"id", "nutrient", "unit", "round_to", "sources", "standing"} <= missing
    for each in (number, empty):
        revision = desk(world.site, caller, draft).revision
        drafting.remove(world.site, caller, draft, revision, each, "Not wanted.")
    assert desk(world.site, caller, draft).checked.errors() == 0
    with pytest.raises(NotFound, match="no such table in this draft"):
        drafting.remove(world.site, caller, draft, desk(world.site, caller, draft).revision, empty)


def test_no_number_is_given_twice(world: World) -> None:
    """A comment, or a page that somebody still has open, would else be about another table."""
    draft, caller = begun(world), world.caller("agronomist")
    first = drafting.add(world.site, caller, draft, "rates")
    drafting.comment(world.site, caller, draft, first, "unit", "Which one?")
    revision = desk(world.site, caller, draft).revision
    drafting.remove(world.site, caller, draft, revision, first)
    assert drafting.add(world.site, caller, draft, "rates") == first + 1
    with pytest.raises(NotFound, match="no such table in this draft"):
        drafting.remove(world.site, caller, draft, revision, first)


def test_a_table_that_somebody_else_changed_is_not_removed(world: World) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    entry = named(world, draft)
    saved(world, draft, with_fact(entry, title="Better"), "reviewer")
    with pytest.raises(Conflict, match="so it was not removed"):
        drafting.remove(world.site, caller, draft, 1, entry.number)


def test_a_draft_holds_so_many_tables_and_no_more(lite_world: World) -> None:
    draft, caller = begun(lite_world), lite_world.caller("agronomist")
    many = [Entry(number=number, kind="scales") for number in range(1, MOST_ENTRIES + 1)]
    drafting.replace_all(lite_world.site, caller, draft, 1, many[:-1], "many.xlsx")
    drafting.add(lite_world.site, caller, draft, "rates")
    with pytest.raises(Invalid, match="the draft is full"):
        drafting.add(lite_world.site, caller, draft, "rates")


def test_a_file_is_taken_only_over_the_draft_it_was_compared_with(world: World) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    found = desk(world.site, caller, draft)
    saved(world, draft, with_fact(named(world, draft), title="Meanwhile"))
    with pytest.raises(Conflict, match="since the file was read"):
        drafting.replace_all(world.site, caller, draft, found.revision, found.entries[:-1], "a.yaml")
    drafting.replace_all(world.site, caller, draft, found.revision + 1, found.entries[:-1], "a.yaml")
    assert desk(world.site, caller, draft).entries == found.entries[:-1]


def test_comments_stay_beside_their_cell_until_they_are_settled(world: World) -> None:
    draft, caller = begun(world), world.caller("reviewer")
    number = named(world, draft).number
    first = drafting.comment(world.site, caller, draft, number, "classes.1.from", " Why 7? ")
    (said,) = desk(world.site, caller, draft).comments
    assert (said.text, said.by, said.place, said.settled_at) == ("Why 7?", "Reviewer", "classes.1.from", None)
    drafting.settle(world.site, world.caller("agronomist"), draft, first)
    assert desk(world.site, caller, draft).comments[0].settled_by == "Agronomist"
    with pytest.raises(NotFound):
        drafting.settle(world.site, caller, draft, first)
    for text, fits in (("x" * 2000, True), ("x" * 2001, False), ("  ", False)):
        if fits:
            drafting.comment(world.site, caller, draft, number, "", text)
        else:
            with pytest.raises(Invalid, match="1 to 2000 characters"):
                drafting.comment(world.site, caller, draft, number, "", text)


def test_a_discarded_draft_can_be_read_and_not_changed(world: World) -> None:
    draft, caller = begun(world), world.caller("agronomist")
    entry = named(world, draft)
    drafting.discard(world.site, caller, draft, "Not needed.")
    assert draftdesk.find(world.site, caller) == ()
    assert [each.id for each in draftdesk.find(world.site, caller, ended=True)] == [draft]
    with pytest.raises(Conflict, match="this draft is discarded"):
        saved(world, draft, with_fact(entry, title="Late"))
    with pytest.raises(Conflict, match="this draft is discarded"):
        drafting.discard(world.site, caller, draft)


def test_drafts_are_their_regions_own_and_for_agronomists(world: World) -> None:
    with pytest.raises(NotFound):
        drafting.begin(world.site, world.caller("agronomist"), "ohio")
    with pytest.raises(NotFound):
        drafting.begin(world.site, world.caller("agronomist"), "shared")
    for person in ("laboratory", "agent", "administrator"):
        with pytest.raises(NotAllowed):
            drafting.begin(world.site, world.caller(person), REGION)
    draft = begun(world)
    with world.site.database.change(world.caller("agronomist"), None) as change:
        drafts.alter(change, draft, book="ohio")
        change.note("edit", "table-draft", draft)
    with pytest.raises(NotFound):
        desk(world.site, world.caller("agronomist"), draft)


@pytest.mark.parametrize(
    ("facts", "message"),
    [
        ({"id": "ohio/p"}, "does not begin with marrowdale/"),
        ({"id": "marrowdale/k2o-arable"}, "is in this draft already"),
        ({"id": ""}, "missing"),
    ],
)
def test_an_id_is_the_regions_own(lite_world: World, facts: dict[str, str], message: str) -> None:
    draft = begun(lite_world)
    entry = named(lite_world, draft)
    saved(lite_world, draft, with_fact(entry, **facts))
    found = desk(lite_world.site, lite_world.caller("agronomist"), draft).checked
    told = [each for number in found.problems for each in found.problems[number] if each.cell.name == "id"]
    assert any(message in each.message for each in told)
