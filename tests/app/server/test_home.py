"""The first page: what waits, and the ways in for each person."""

from __future__ import annotations

import pytest

from service.actions import reviewing
from service.actions.reporting import Wish, issue
from service.callers import operator
from service.store import schema
from tests.app.server.batches import add_many, ended_batch
from tests.app.server.conftest import World
from tests.app.server.draft_steps import begun, submitted


def test_a_new_administrator_is_told_where_to_begin(lite_world: World) -> None:
    page = lite_world.client("administrator").get("/").text.partition("<main")[2]
    ways = [page.index(f'<li><a href="{path}">') for path in ("/laboratories", "/counties", "/accounts")]
    assert ways == sorted(ways)
    assert "A new server begins here." in page


def test_cups_without_a_sample_lead_to_the_list_that_names_them(lite_world: World) -> None:
    page = lite_world.client("laboratory").get("/").text
    assert '<a href="/samples/upload"><strong>0</strong> measured cups' in page
    assert 'href="/laboratories"' not in page


def test_visits_that_wait_lead_to_a_batch_and_a_batch_to_its_reports(lite_world: World) -> None:
    client = lite_world.client("laboratory")
    assert 'href="/batches/new"' not in client.get("/").text
    add_many(lite_world, 2)
    assert 'href="/batches/new">Make many reports at once</a>' in client.get("/").text
    caller = lite_world.caller("laboratory")
    issued = issue(lite_world.site, caller, 1, Wish()).id
    page = f"/batches/{ended_batch(lite_world, caller, {1: issued, 2: None})}"
    ended = client.get(page).text
    assert "done, some failed" in ended
    assert "done, some failed" in client.get("/batches").text
    assert 'href="/reports">See single reports' in ended
    so_far = "The files hold what is issued so far."
    assert so_far not in ended
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.job.update().values(state="running"))
    assert so_far in client.get(page).text


@pytest.mark.parametrize("person", ["agent", "agronomist"])
def test_the_administrator_s_lists_are_nobody_else_s(lite_world: World, person: str) -> None:
    assert 'href="/laboratories"' not in lite_world.client(person).get("/").text


def _drafts(world: World, person: str) -> str:
    return world.client(person).get("/").text.partition("<main")[2]


def test_an_agronomist_finds_the_drafts_and_what_waits_for_a_review(lite_world: World) -> None:
    assert "No draft is open." in _drafts(lite_world, "agronomist")
    draft, sha256 = submitted(lite_world)
    mine, theirs = _drafts(lite_world, "agronomist"), _drafts(lite_world, "reviewer")
    for page in (mine, theirs):
        assert f'href="/tables/drafts/{draft}/review"' in page
    assert "waits for a second person" in mine
    assert "waits for your review" not in mine, "nobody reviews their own"
    assert "waits for your review" in theirs
    reviewing.approve(lite_world.site, lite_world.caller("reviewer"), draft, sha256)
    assert "approved: to be published" in _drafts(lite_world, "agronomist")
    assert "Drafts of tables" not in _drafts(lite_world, "agent")


def test_what_waits_for_a_review_comes_first_and_what_was_sent_back_says_so(lite_world: World) -> None:
    draft, _ = submitted(lite_world)
    newer = begun(lite_world)
    page = _drafts(lite_world, "reviewer")
    assert page.index(f"/tables/drafts/{draft}/review") < page.index(f'"/tables/drafts/{newer}"')
    reviewing.send_back(lite_world.site, lite_world.caller("reviewer"), draft, "Too high.")
    assert "sent back to be changed" in _drafts(lite_world, "agronomist")
