"""Pages of drafts: the list, one draft with its tables, what was changed and what was said."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.actions import drafting
from service.actions.draftdesk import desk
from service.actions.undoing import step_back, step_forward
from service.store import drafts
from service.store.drafts import RevisionRow
from tests.app.server.conftest import START, World
from tests.app.server.draft_steps import begun, changed, named, saved, with_cell, with_fact


def sent(world: World, client: TestClient, path: str, **form: str | int) -> str:
    """Send a form as somebody does; returns where it leads, or the page that refuses it."""
    token = {"form_token": world.form_token(client)}
    answer = client.post(path, data={k: str(v) for k, v in form.items()} | token)
    return answer.headers["location"] if answer.status_code == 303 else answer.text


def test_a_draft_is_begun_with_a_reason_and_stands_in_the_list(lite_world: World) -> None:
    client = lite_world.client("agronomist")
    assert "No draft is open." in client.get("/tables/drafts").text
    refused = sent(lite_world, client, "/tables/drafts", region="marrowdale", why="  ")
    assert "write why the tables change" in refused
    path = sent(lite_world, client, "/tables/drafts", region="marrowdale", why="New trials.")
    page = client.get(path).text
    assert "The draft was begun." in page
    for text in ("Marrowdale, draft 1", "release 1", "New trials.", "Phosphate (P₂O₅)", "the same"):
        assert text in page
    assert "Marrowdale, draft 1" in client.get("/tables/drafts").text
    assert sent(lite_world, client, "/tables/drafts", region="ohio", why="x").find("could not be done") > 0


def test_a_table_is_shown_with_what_is_wrong_and_how_it_differs(lite_world: World) -> None:
    draft = changed(lite_world)
    entry = named(lite_world, draft, "marrowdale/potassium")
    saved(lite_world, draft, with_fact(entry, round_to="one", unit="mg per kg"))
    page = lite_world.client("agronomist").get(f"/tables/drafts/{draft}").text
    for text in ("changed", "one error", "nothing", f"/tables/drafts/{draft}/entries/{entry.number}"):
        assert text in page
    for onward in ("files", "impact", "review"):
        assert f"/tables/drafts/{draft}/{onward}" in page


def test_what_is_wrong_or_changed_stands_before_the_list_of_all(lite_world: World) -> None:
    client, draft = lite_world.client("agronomist"), begun(lite_world)
    assert "Wrong or changed" not in client.get(f"/tables/drafts/{draft}").text
    for name, fact in (("phosphorus-bray1", {"title": "P"}), ("potassium", {"round_to": "one"})):
        saved(lite_world, draft, with_fact(named(lite_world, draft, f"marrowdale/{name}"), **fact))
    page = client.get(f"/tables/drafts/{draft}").text
    first = page[page.index("<h2>Wrong or changed") : page.index("<h2>Tables</h2>")]
    wrong, altered = (
        named(lite_world, draft, f"marrowdale/{each}") for each in ("potassium", "phosphorus-bray1")
    )
    assert first.count("/entries/") == 2
    assert first.index(f"/entries/{wrong.number}") < first.index(f"/entries/{altered.number}")


def test_tables_are_added_copied_and_removed_with_a_reason(lite_world: World) -> None:
    client, draft = lite_world.client("agronomist"), begun(lite_world)
    here, caller = f"/tables/drafts/{draft}", lite_world.caller("agronomist")
    before = desk(lite_world.site, caller, draft).entries
    like = named(lite_world, draft)
    added = sent(lite_world, client, f"{here}/add", kind="conversions")
    copied = sent(lite_world, client, f"{here}/add", copied=like.number)
    for number, path in enumerate((added, copied), len(before) + 1):
        assert path.startswith(f"{here}/entries/{number}?")
    now = desk(lite_world.site, caller, draft)
    assert [each.id for each in now.entries[-2:]] == ["", f"{like.id}-copy"]
    assert "Equation between two methods without a name" in client.get(here).text
    sent(lite_world, client, f"{here}/entries/{like.number}/remove", revision=now.revision, reason="Old.")
    page = client.get(here).text
    assert "Removed from the last release:" in page
    assert "Added: Equation between two methods" in page
    assert f"Removed: {like.id} Old." in page
    gone = sent(lite_world, client, f"{here}/entries/{like.number}/remove", revision=now.revision)
    assert "there is no such table in this draft" in gone
    assert "there is no such kind" in sent(lite_world, client, f"{here}/add", kind="methods")


def test_undo_redo_and_going_back_to_any_change(lite_world: World) -> None:
    client, draft = lite_world.client("agronomist"), begun(lite_world)
    here, caller = f"/tables/drafts/{draft}", lite_world.caller("agronomist")
    for title in ("One", "Two"):
        saved(lite_world, draft, with_fact(named(lite_world, draft), title=title))

    def said() -> str:
        return named(lite_world, draft).facts["title"]

    def go(how: str) -> None:
        found = desk(lite_world.site, caller, draft)
        to = {"back": step_back, "forward": step_forward}[how](found.revisions)
        assert to is not None
        sent(lite_world, client, f"{here}/go-back", revision=found.revision, to=to)

    assert "Redo what was undone" not in client.get(here).text
    go("back")
    assert said() == "One"
    assert "Redo what was undone" in client.get(here).text
    go("back")
    assert said() not in ("One", "Two")
    assert "Undo the last change" not in client.get(here).text
    go("forward")
    go("forward")
    assert said() == "Two"
    assert "Redo what was undone" not in client.get(here).text
    sent(lite_world, client, f"{here}/go-back", revision=7, to=2)
    assert said() == "One"
    assert "somebody else has changed this draft" in sent(
        lite_world, client, f"{here}/go-back", revision=3, to=1
    )


def revisions(*made: tuple[str, int]) -> list[RevisionRow]:
    """Revisions of a draft, newest first, of what each did and where it stood then."""
    return [
        RevisionRow(
            number=number, as_of=as_of, what=what, about="", at=START, by_id=1, by="A", reason=""
        )
        for number, (what, as_of) in enumerate(made, 1)
    ][::-1]  # fmt: skip


@pytest.mark.parametrize(
    ("made", "back", "forward"),
    [
        ([("start", 1)], None, None),
        ([("start", 1), ("edit", 2), ("edit", 3)], 2, None),
        ([("start", 1), ("edit", 2), ("edit", 3), ("back", 2)], 1, 3),
        ([("start", 1), ("edit", 2), ("edit", 3), ("back", 2), ("back", 1)], None, 2),
        # What is typed after going back begins a new line; the undone one can be gone back to by number.
        ([("start", 1), ("edit", 2), ("back", 1), ("edit", 4)], 1, None),
        ([("start", 1), ("edit", 2), ("back", 1), ("edit", 4), ("back", 1)], None, 4),
        ([("start", 1), ("edit", 2), ("back", 1), ("edit", 4), ("back", 2)], 1, None),
    ],
)
def test_a_step_follows_what_each_change_was_made_from(
    made: list[tuple[str, int]], back: int | None, forward: int | None
) -> None:
    found = revisions(*made)
    assert (step_back(found), step_forward(found)) == (back, forward)


def test_the_reason_is_stored_and_a_draft_is_discarded(lite_world: World) -> None:
    client, draft = lite_world.client("agronomist"), begun(lite_world)
    here = f"/tables/drafts/{draft}"
    sent(lite_world, client, f"{here}/why", why="Because of the new trials.")
    assert "Because of the new trials." in client.get(here).text
    sent(lite_world, client, f"{here}/discard", reason="Not needed.")
    page = client.get(here).text
    assert "discarded" in page
    assert "Discard the draft" not in page
    assert "Add an empty table" not in page
    assert "Drafts that have ended: 1" in client.get("/tables/drafts").text
    assert "this draft is discarded" in sent(lite_world, client, f"{here}/discard")


def test_a_draft_that_was_overtaken_says_so(lite_world: World) -> None:
    draft = begun(lite_world)
    with lite_world.site.database.change(lite_world.caller("agronomist"), None) as change:
        drafts.alter(change, draft, base_id=None)
        change.note("edit", "table-draft", draft)
    page = lite_world.client("agronomist").get(f"/tables/drafts/{draft}").text
    assert "Another release of this region was published since this draft was begun." in page
    assert "cannot be submitted" in page


def test_comments_are_listed_with_their_cell_and_settled(lite_world: World) -> None:
    draft, caller = begun(lite_world), lite_world.caller("reviewer")
    entry = named(lite_world, draft)
    for place in ("classes.2.from", "title", ""):
        drafting.comment(lite_world.site, caller, draft, entry.number, place, f"Why {place or 'all'}?")
    client, here = lite_world.client("agronomist"), f"/tables/drafts/{draft}"
    page = client.get(here).text
    for text in ("Classes, row 3: From", "Why classes.2.from?", "the table as a whole", "Reviewer"):
        assert text in page
    first = desk(lite_world.site, caller, draft).comments[0].id
    sent(lite_world, client, f"{here}/comments/{first}/settle")
    page = client.get(here).text
    assert "Why classes.2.from?" not in page
    assert "Why title?" in page


def test_the_region_says_that_it_sets_its_numbers_in_one_change(lite_world: World) -> None:
    client, draft = lite_world.client("agronomist"), begun(lite_world)
    here = f"/tables/drafts/{draft}"
    assert "The region sets these numbers" not in client.get(here).text
    for name in ("marrowdale/zinc", "marrowdale/potassium"):
        saved(lite_world, draft, with_fact(named(lite_world, draft, name), standing="regional-draft"))
    page = client.get(here).text
    assert "draft of the region: 2" in page
    assert page.index("The region sets these numbers") < page.index("<h2>Tables</h2>"), "before the long list"
    sent(lite_world, client, f"{here}/adopt", revision=3)
    found = desk(lite_world.site, lite_world.caller("agronomist"), draft)
    assert found.revision == 4
    assert [each.id for each in found.entries if each.facts["standing"] == "regional"] == [
        "marrowdale/potassium", "marrowdale/zinc",
    ]  # fmt: skip
    assert "nothing was stored" in sent(lite_world, client, f"{here}/adopt", revision=3)


def test_what_is_typed_is_printed_and_never_obeyed(lite_world: World) -> None:
    draft = begun(lite_world)
    bad = '"><script>alert(1)</script>'
    entry = with_fact(with_cell(named(lite_world, draft), "classes", 0, "name", bad), title=bad, crops=bad)
    saved(lite_world, draft, entry)
    drafting.comment(lite_world.site, lite_world.caller("reviewer"), draft, entry.number, "title", bad)
    assert "<script>alert" not in lite_world.client("agronomist").get(f"/tables/drafts/{draft}").text
