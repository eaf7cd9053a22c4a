"""Pages of releases: a draft reviewed and published by two people, the history, two releases compared."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.actions import drafting, releasehistory, reviewing
from service.actions.draftdesk import desk
from service.actions.regionstart import NewRegion, copy_region
from service.actions.releasehistory import spans
from service.books import digest
from service.callers import operator
from service.refusals import Invalid, NotFound
from service.releases import content_of
from service.store import accounts, releases, schema
from service.store.releases import ReleaseRow
from tests.app.server.conftest import START, World
from tests.app.server.draft_steps import (
    REGION,
    SCALE,
    begun,
    changed,
    named,
    released,
    saved,
    submitted,
    with_cell,
    with_fact,
)  # fmt: skip

TODAY = START.date()


def rows(*days: int) -> list[ReleaseRow]:
    """Releases of these days, each published as late as its own day and those of newer ones allow."""
    return [
        ReleaseRow(
            id=number, book=REGION, number=number, effective_on=TODAY + timedelta(days=day),
            published_at=datetime.combine(
                TODAY + timedelta(days=min(0, *days[number - 1 :])), time(9, number), UTC
            ),
            sha256=str(number), previous_sha256="",
        )
        for number, day in enumerate(days, 1)
    ]  # fmt: skip


def post(client: TestClient, world: World, path: str, **form: str) -> Any:
    return client.post(path, data=form | {"form_token": world.form_token(client)})


def of_region(world: World) -> list[ReleaseRow]:
    """Releases of the region, first to last."""
    with world.site.database.look(operator(), None) as look:
        return list(reversed(releases.of_book(look, REGION)))


def shown_digest(page: str) -> str:
    found = re.search(r'name="sha256" value="(\w+)"', page)
    assert found is not None, page
    return found[1]


# ------------------------------------------------------------------------------------------- when used


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        ((0,), ["in-force"]),
        ((1,), ["later"]),
        ((-5, -2), ["past", "in-force"]),
        ((-5, 0), ["past", "in-force"]),
        ((-5, 1), ["in-force", "later"]),
        ((0, 0), ["past", "in-force"]),  # overtaken on its own day: it was used that morning
        ((2, 2), ["never", "later"]),  # overtaken before its day had come
        ((-5, 4, 2), ["in-force", "never", "later"]),  # overtaken before its day had come
        ((-5, 4, -1), ["past", "never", "in-force"]),
    ],
)
def test_a_release_is_used_until_a_newer_ones_day(days: tuple[int, ...], expected: list[str]) -> None:
    found = spans(rows(*days), TODAY)
    assert [found[row.id].standing for row in rows(*days)] == expected


def test_what_is_said_of_spans_is_what_is_used(world: World) -> None:
    site, caller = world.site, world.caller("agronomist")
    for day in (12, 8, 8):
        draft = begun(world)
        saved(world, draft, with_fact(named(world, draft), title=f"Title {draft}"))
        revision = desk(site, caller, draft).revision
        sha256 = reviewing.submit(site, caller, draft, revision, "Trials.", TODAY + timedelta(days=day))
        reviewing.approve(site, world.caller("reviewer"), draft, sha256)
        reviewing.publish(site, caller, draft, sha256)
    for day in range(15):
        on = TODAY + timedelta(days=day)
        found = spans(of_region(world), on).items()
        assert [each for each, span in found if span.standing == "in-force"] == [
            site.in_force(on=on).releases[REGION].id
        ]


# --------------------------------------------------------------------------------------------- review


def test_two_people_take_a_draft_to_a_release(lite_world: World) -> None:
    world = lite_world
    author, reviewer = world.client("agronomist"), world.client("reviewer")
    draft = changed(world)
    number = named(world, draft).number
    drafting.comment(world.site, world.caller("reviewer"), draft, number, "round_to", "Why 1?")
    path = f"/tables/drafts/{draft}/review"
    page = author.get(path).text
    assert '<th scope="row">Classes, high: From</th><td>23</td><td>24</td>' in page
    assert "Tables and sources changed: 1 (cells: 1). Added: 0. Removed: 0." in page
    assert f'<a href="/tables/drafts/{draft}/entries/{number}#f-round_to">' in page
    assert "Why 1?" in page
    day = (TODAY + timedelta(days=3)).isoformat()
    sent = post(author, world, f"{path}/submit", revision="2", why="Trials of <2025>.", effective_on=day)
    assert sent.headers["location"] == f"{path}?done=releases.done-submitted"

    mine = author.get(path).text
    assert "somebody else who may publish must approve it" in mine
    assert f'action="{path}/approve"' not in mine
    refused = post(author, world, f"{path}/approve", sha256="0" * 64)
    assert (refused.status_code, "cannot approve it" in refused.text) == (403, True)

    hers = reviewer.get(path).text
    for text in ("Trials of &lt;2025&gt;.", "April 23, 2026", "<dd>Agronomist</dd>", f"{path[:-7]}/impact"):
        assert text in hers, text
    source = world.site.tables.sources[world.site.tables.scales[SCALE].sources[0]]
    assert source.title in hers
    assert "<td>invented</td>" in hers  # how it was read
    sha256 = shown_digest(hers)
    assert sha256 == desk(world.site, world.caller("reviewer"), draft).draft.submitted_sha256
    assert f'SHA-256 of what is shown here: <span class="mono">{sha256[:12]}</span>' in hers
    done = post(reviewer, world, f"{path}/approve", sha256=sha256)
    assert done.headers["location"] == f"{path}?done=releases.done-approved"

    assert shown_digest(author.get(path).text) == sha256
    done = post(author, world, f"{path}/publish", sha256=sha256)
    added = of_region(world)[-1]
    assert done.headers["location"] == f"/tables/releases/{added.id}?done=releases.done-published"
    assert (added.number, added.effective_on) == (2, TODAY + timedelta(days=3))
    assert f'<a href="/tables/releases/{added.id}">' in author.get(path).text


def test_what_keeps_a_draft_is_listed_with_the_way_to_its_cell(lite_world: World) -> None:
    world = lite_world
    draft = begun(world)
    entry = with_cell(with_fact(named(world, draft), round_to="one"), "classes", 1, "from", "7,5")
    saved(world, draft, entry)
    client, path = world.client("agronomist"), f"/tables/drafts/{draft}"
    page = client.get(f"{path}/review").text
    assert "Keeps it from being released: 2" in page
    assert f'<a href="{path}/entries/{entry.number}#f-classes.1.from">' in page
    assert "Classes, 2: From</a>: &#39;7,5&#39; is no number" in page
    assert "<button disabled>Submit for review</button>" in page
    refused = post(client, world, f"{path}/review/submit", revision="2", why="Trials.")
    assert (refused.status_code, "2 things keep this draft" in refused.text) == (422, True)


@pytest.mark.parametrize(
    ("form", "field"),
    [
        ({"why": " "}, "why"),
        ({"why": "x" * 2001}, "why"),
        ({"why": "Trials.", "effective_on": "2026-04-19"}, "effective_on"),
        ({"why": "Trials.", "effective_on": "soon"}, "effective_on"),
    ],
)
def test_what_is_wrong_with_a_submission_stands_beside_its_field(
    lite_world: World, form: dict[str, str], field: str
) -> None:
    draft = changed(lite_world)
    client = lite_world.client("agronomist")
    path = f"/tables/drafts/{draft}/review/submit"
    refused = post(client, lite_world, path, revision="2", **form)
    assert refused.status_code == 422
    assert f'id="e-{field}"' in refused.text
    assert desk(lite_world.site, lite_world.caller("agronomist"), draft).draft.state == "open"


def test_a_draft_is_sent_back_with_a_reason_that_its_author_reads(lite_world: World) -> None:
    draft, _ = submitted(lite_world)
    path = f"/tables/drafts/{draft}/review"
    reviewer = lite_world.client("reviewer")
    assert post(reviewer, lite_world, f"{path}/send-back", reason=" ").status_code == 422
    done = post(reviewer, lite_world, f"{path}/send-back", reason="Say which trials.")
    assert done.headers["location"] == f"{path}?done=releases.done-sent-back"
    page = lite_world.client("agronomist").get(path).text
    assert "Reviewer: Say which trials." in page
    assert "New trials.</textarea>" in page  # what was said stays to be mended


def test_an_old_page_approves_nothing(lite_world: World) -> None:
    draft, old = submitted(lite_world)
    reviewing.send_back(lite_world.site, lite_world.caller("reviewer"), draft, "Say which.")
    saved(lite_world, draft, with_fact(named(lite_world, draft), remark="Trials of 2025."))
    submitted(lite_world, draft)
    path = f"/tables/drafts/{draft}/review"
    refused = post(lite_world.client("reviewer"), lite_world, f"{path}/approve", sha256=old)
    assert (refused.status_code, "no longer what you were shown" in refused.text) == (409, True)
    assert shown_digest(refused.text) != old  # what there is now is shown, with its own digest


def test_a_draft_that_was_overtaken_says_so_and_by_what(lite_world: World) -> None:
    slow = changed(lite_world)
    waiting, sha256 = submitted(lite_world)
    added = released(lite_world)
    for draft in (slow, waiting):
        page = lite_world.client("reviewer").get(f"/tables/drafts/{draft}/review").text
        assert "Another release of this region, number 2, in force from April 20, 2026" in page
        assert f'href="/tables/releases/{added}"' in page
        assert 'name="sha256"' not in page
        assert "/submit" not in page
    path = f"/tables/drafts/{waiting}/review/approve"
    assert post(lite_world.client("reviewer"), lite_world, path, sha256=sha256).status_code == 409


# -------------------------------------------------------------------------------- history and releases


def test_the_history_says_who_why_when_and_whether_the_chain_is_whole(lite_world: World) -> None:
    added = released(lite_world)
    page = lite_world.client("agent").get(f"/tables/regions/{REGION}/history").text
    assert "The chain is whole: each of the 2 releases is what was published" in page
    for text in ("New trials.", "<td>Agronomist</td><td>Reviewer</td>", "Taken over from the files"):
        assert text in page, text
    first, second = of_region(lite_world)
    assert page.index(f'href="/tables/releases/{added}"') < page.index(f'href="/tables/releases/{first.id}"')
    assert page.count('class="state current"') == 1
    assert second.sha256[:12] in page
    assert f'<option value="{first.id}" selected>1, from April 20, 2026</option>' in page


def test_a_change_behind_our_back_is_told_in_the_history(lite_world: World) -> None:
    released(lite_world)
    release = schema.table_release
    with lite_world.site.database.engine.begin() as connection:
        where = (release.c.book == REGION) & (release.c.number == 1)
        text = connection.execute(release.select().where(where)).one().content
        connection.execute(
            release.update().where(where).values(content=text.replace('"from":23', '"from":22'))
        )
    page = lite_world.client("agronomist").get(f"/tables/regions/{REGION}/history").text
    assert "The chain is broken" in page
    assert "release 1 is not what was published: its content has another digest" in page
    assert "The chain is whole" not in page


def test_a_release_is_handed_out_to_the_byte(lite_world: World) -> None:
    added = released(lite_world)
    client = lite_world.client("laboratory")
    page = client.get(f"/tables/releases/{added}").text
    file = client.get(f"/tables/releases/{added}/json")
    assert file.headers["content-disposition"] == f'attachment; filename="{REGION}.release-2.json"'
    sha256 = digest(file.text)
    assert f'<p class="mono">{sha256}</p>' in page
    content = content_of(file.text)
    assert (content.number, content.approved_by) == (2, "Reviewer")
    assert f'<p class="mono">{content.previous}</p>' in page


def test_tables_of_a_release_are_shown_as_they_stood(lite_world: World) -> None:
    released(lite_world)
    first, second = of_region(lite_world)
    client = lite_world.client("agent")
    before = client.get(f"/tables/releases/{first.id}/scales/{SCALE}").text
    after = client.get(f"/tables/releases/{second.id}/scales/{SCALE}").text
    row = '<th scope="row">high</th><td class="number">{}</td>'
    assert (row.format(23) in before, row.format(24) in after) == (True, True)
    assert "This is how the table stood in: Release 1 of Marrowdale" in before
    assert f'href="/tables/releases/{first.id}/rates/marrowdale/n-maize"' in (
        client.get(f"/tables/releases/{first.id}").text
    )
    assert client.get(f"/tables/releases/{first.id}/rates/marrowdale/n-maize").status_code == 200
    assert client.get(f"/tables/releases/{first.id}/scales/marrowdale/none").status_code == 404


def test_two_releases_are_compared_cell_by_cell(lite_world: World) -> None:
    released(lite_world)
    first, second = of_region(lite_world)
    client = lite_world.client("administrator")
    forth = client.get(f"/tables/compare?before={first.id}&after={second.id}").text
    back = client.get(f"/tables/compare?before={second.id}&after={first.id}").text
    assert '<th scope="row">Classes, high: From</th><td>23</td><td>24</td>' in forth
    assert '<th scope="row">Classes, high: From</th><td>24</td><td>23</td>' in back
    assert "Nothing differs." in client.get(f"/tables/compare?before={first.id}&after={first.id}").text
    other = lite_world.site.in_force().releases["ohio"].id
    refused = client.get(f"/tables/compare?before={first.id}&after={other}")
    assert (refused.status_code, "of two regions" in refused.text) == (422, True)
    assert client.get("/tables/compare?before=99999&after=99999").status_code == 404


def test_what_all_regions_share_has_a_history_too(lite_world: World) -> None:
    shared = lite_world.site.in_force().releases["shared"].id
    client = lite_world.client("agronomist")
    page = client.get("/tables/regions/shared/history").text
    assert "The chain is whole: each of the 1 releases" in page
    assert "begin a draft" not in page
    whole = client.get(f"/tables/releases/{shared}").text
    assert "bray1-1:10-colour" in whole
    assert client.get(f"/tables/compare?before={shared}&after={shared}").status_code == 200
    assert post(client, lite_world, f"/tables/releases/{shared}/draft", why="x").status_code == 404


def test_another_regions_releases_are_not_there(lite_world: World) -> None:
    ohio = lite_world.site.in_force().releases["ohio"].id
    mine = lite_world.site.in_force().releases[REGION].id
    client = lite_world.client("agronomist")
    for path in (
        "/tables/regions/ohio/history", "/tables/regions/nowhere/history", f"/tables/releases/{ohio}",
        f"/tables/releases/{ohio}/json", f"/tables/compare?before={mine}&after={ohio}",
    ):  # fmt: skip
        assert client.get(path).status_code == 404, path
    assert lite_world.client("agent").get("/tables/regions/ohio/history").status_code == 200
    caller = lite_world.caller("agronomist")
    with pytest.raises(NotFound):
        releasehistory.history(lite_world.site, caller, "ohio")
    assert set(releasehistory.used(lite_world.site, caller)) == {REGION, "shared"}
    with pytest.raises(Invalid, match="release 1 of marrowdale and release 1 of ohio are of two regions"):
        releasehistory.compared(lite_world.site, lite_world.caller("agent"), mine, ohio)


def test_going_back_begins_a_draft_from_an_earlier_release(lite_world: World) -> None:
    released(lite_world)
    first, second = of_region(lite_world)
    client = lite_world.client("agronomist")
    for release, offered in ((first, True), (second, False)):
        path = f"/tables/releases/{release.id}"
        assert (f'action="{path}/draft"' in client.get(path).text) == offered
    done = post(client, lite_world, f"/tables/releases/{first.id}/draft", why="The trials were wrong.")
    draft = int(done.headers["location"].split("/")[3].split("?")[0])
    found = desk(lite_world.site, lite_world.caller("agronomist"), draft)
    assert (found.draft.base_id, found.draft.why) == (second.id, "The trials were wrong.")
    page = client.get(f"/tables/drafts/{draft}/review").text
    assert '<th scope="row">Classes, high: From</th><td>24</td><td>23</td>' in page


def test_pages_of_tables_say_which_release_is_used_and_which_will_be(lite_world: World) -> None:
    world, caller = lite_world, lite_world.caller("agronomist")
    draft = changed(world)
    sha256 = reviewing.submit(world.site, caller, draft, 2, "Trials.", TODAY + timedelta(days=11))
    reviewing.approve(world.site, world.caller("reviewer"), draft, sha256)
    reviewing.publish(world.site, caller, draft, sha256)
    client = world.client("agronomist")
    page = client.get(f"/tables/regions/{REGION}").text
    assert "In force: release 1, from April 20, 2026. From May 1, 2026 release 2 will be." in page
    assert f'href="/tables/regions/{REGION}/history"' in page
    assert 'href="/tables/drafts"' in page
    listed = client.get("/tables").text
    assert "1, from April 20, 2026</a><br>then 2, from May 1, 2026" in listed
    for person in ("agent", "administrator"):
        assert 'href="/tables/drafts"' not in world.client(person).get(f"/tables/regions/{REGION}").text
    world.clock.move(days=11)
    page = world.client("agent").get(f"/tables/regions/{REGION}").text
    assert "In force: release 2, from May 1, 2026." in page


def test_pages_of_releases_speak_spanish(lite_world: World) -> None:
    added = released(lite_world)
    draft = begun(lite_world)
    saved(lite_world, draft, with_fact(named(lite_world, draft), title="Another title"))
    submitted(lite_world, draft)
    with lite_world.site.database.housekeeping(operator()) as look:
        accounts.set_language(look, lite_world.people["reviewer"], "es")
    client = lite_world.client("reviewer")
    for path, text in (
        (f"/tables/regions/{REGION}/history", "La cadena está entera"),
        (f"/tables/releases/{added}", "Publicación 2 de Marrowdale"),
        (f"/tables/drafts/{draft}/review", "Usted aprueba exactamente lo que se muestra"),
    ):
        assert text in client.get(path).text, path


# ----------------------------------------------------------------------------------- the ends of a draft


def test_a_new_region_is_reviewed_as_all_of_it_added(lite_world: World) -> None:
    world = lite_world
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(
            schema.account.update().where(schema.account.c.region == REGION).values(region="newvale")
        )
    new = NewRegion(id="newvale", name="Newvale", publisher="Board", valid_for="Loams.", why="We begin.")
    draft = copy_region(world.site, world.caller("agronomist"), new, "ohio")
    page = world.client("agronomist").get(f"/tables/drafts/{draft}/review").text
    assert "<dd>nothing; the region is new</dd>" in page
    count = len(desk(world.site, world.caller("agronomist"), draft).entries)
    assert f"Tables and sources changed: 0 (cells: 0). Added: {count}. Removed: 0." in page
    for path in ("/tables/regions/newvale", "/tables/regions/newvale/history"):
        assert world.client("agronomist").get(path).status_code == 404  # nothing was published yet


def test_a_discarded_draft_offers_nothing(lite_world: World) -> None:
    draft = changed(lite_world)
    drafting.discard(lite_world.site, lite_world.caller("agronomist"), draft)
    page = lite_world.client("reviewer").get(f"/tables/drafts/{draft}/review").text
    assert "This draft was discarded." in page
    assert "/review/" not in page
    path = f"/tables/drafts/{draft}/review/submit"
    refused = post(lite_world.client("agronomist"), lite_world, path, revision="2", why="Trials.")
    assert (refused.status_code, "this draft is discarded" in refused.text) == (409, True)


def test_what_is_not_what_was_submitted_cannot_be_approved(lite_world: World) -> None:
    draft, _ = submitted(lite_world)
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.table_draft.update().values(why="Something else."))
    page = lite_world.client("reviewer").get(f"/tables/drafts/{draft}/review").text
    assert "is not what was submitted, so it cannot be approved" in page
    assert 'name="sha256"' not in page
    assert "/review/send-back" in page
