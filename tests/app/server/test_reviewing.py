"""From a draft to a release: a second person, exactly what was shown, a chain that can be checked."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
import sqlalchemy as sa

from service.actions import drafting, reviewing
from service.actions.draftdesk import desk
from service.books import digest
from service.refusals import Conflict, Invalid, NotAllowed
from service.releases import breaks, content_of
from service.store import releases, schema
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
    with_fact,
)  # fmt: skip


def test_a_release_is_used_once_a_second_person_has_approved_it(world: World) -> None:
    site = world.site
    before = site.in_force()
    assert before.tables.scales[SCALE].classes[3].lower == 23
    draft, sha256 = submitted(world)
    assert site.in_force().releases == before.releases
    with pytest.raises(Conflict, match="this draft is submitted"):
        reviewing.publish(site, world.caller("agronomist"), draft, sha256)
    for author in ("agronomist",):
        with pytest.raises(NotAllowed, match="cannot approve it"):
            reviewing.approve(site, world.caller(author), draft, sha256)
    reviewing.approve(site, world.caller("reviewer"), draft, sha256)
    assert site.in_force().releases == before.releases
    added = reviewing.publish(site, world.caller("agronomist"), draft, sha256)
    after = site.in_force()
    assert after.tables.scales[SCALE].classes[3].lower == 24
    assert after.releases[REGION].id == added
    with site.database.look(world.caller("agronomist"), None) as look:
        row = releases.the_release(look, added)
        content = content_of(releases.contents(look, [row.sha256])[row.sha256])
        assert breaks(releases.chain(look, REGION)) == ()
    assert (row.number, row.previous_sha256) == (2, before.releases[REGION].sha256)
    assert (content.written_by, content.approved_by) == (("Agronomist",), "Reviewer")
    assert (content.published_by, content.why) == ("Agronomist", "New trials.")
    assert (content.effective_on, content.shared) == (START.date(), before.releases["shared"].sha256)


def test_who_changed_a_cell_cannot_approve_whoever_submits(world: World) -> None:
    draft = begun(world)
    saved(world, draft, with_fact(named(world, draft), title="Mine"), "reviewer")
    _, sha256 = submitted(world, draft)
    for author in ("agronomist", "reviewer"):
        with pytest.raises(NotAllowed):
            reviewing.approve(world.site, world.caller(author), draft, sha256)


def test_only_what_was_shown_is_approved_and_published(world: World) -> None:
    draft, sha256 = submitted(world)
    site, reviewer = world.site, world.caller("reviewer")
    with pytest.raises(Conflict, match="no longer what you were shown"):
        reviewing.approve(site, reviewer, draft, digest("something else"))
    reviewing.send_back(site, reviewer, draft, "Say which trials.")
    assert desk(site, reviewer, draft).draft.returned_because == "Reviewer: Say which trials."
    with pytest.raises(Conflict, match="this draft is open"):
        reviewing.approve(site, reviewer, draft, sha256)
    saved(world, draft, with_fact(named(world, draft), remark="Trials of 2020 to 2025."))
    _, again = submitted(world, draft)
    assert again != sha256
    with pytest.raises(Conflict, match="no longer what you were shown"):
        reviewing.approve(site, reviewer, draft, sha256)
    reviewing.approve(site, reviewer, draft, again)
    with pytest.raises(Conflict, match="no longer what you were shown"):
        reviewing.publish(site, reviewer, draft, sha256)
    reviewing.publish(site, reviewer, draft, again)


def test_a_submitted_draft_is_not_changed(world: World) -> None:
    draft, _ = submitted(world)
    with pytest.raises(Conflict, match="sent back first"):
        saved(world, draft, with_fact(named(world, draft), title="Late"))


def test_a_draft_that_was_overtaken_is_refused_and_not_merged(world: World) -> None:
    slow = changed(world)
    site = world.site
    waiting, sha256 = submitted(world)
    released(world)
    assert desk(site, world.caller("agronomist"), slow).stale
    with pytest.raises(Conflict, match="another release of this region was published"):
        submitted(world, slow)
    with pytest.raises(Conflict, match="another release of this region was published"):
        reviewing.approve(site, world.caller("reviewer"), waiting, sha256)


def test_a_release_of_later_is_used_from_its_day_on(world: World) -> None:
    site, caller = world.site, world.caller("agronomist")
    draft = changed(world)
    day = START.date() + timedelta(days=10)
    revision = desk(site, caller, draft).revision
    for wrong in (START.date() - timedelta(days=1),):
        with pytest.raises(Invalid, match="has passed"):
            reviewing.submit(site, caller, draft, revision, "New trials.", wrong)
    sha256 = reviewing.submit(site, caller, draft, revision, "New trials.", day)
    reviewing.approve(site, world.caller("reviewer"), draft, sha256)
    reviewing.publish(site, caller, draft, sha256)
    assert site.in_force().releases[REGION].number == 1
    world.clock.move(days=9)
    assert site.in_force().releases[REGION].number == 1
    world.clock.move(days=1)
    assert site.in_force().releases[REGION].number == 2
    assert site.in_force(on=START.date()).releases[REGION].number == 1
    assert site.in_force(on=START.date() - timedelta(days=1)).releases == {}


def test_the_day_may_not_pass_before_it_is_published(world: World) -> None:
    site, caller = world.site, world.caller("agronomist")
    draft = changed(world)
    sha256 = reviewing.submit(
        site, caller, draft, desk(site, caller, draft).revision, "New trials.", START.date()
    )
    reviewing.approve(site, world.caller("reviewer"), draft, sha256)
    world.clock.move(days=1)
    with pytest.raises(Invalid, match="the day 2026-04-20 has passed"):
        reviewing.publish(site, caller, draft, sha256)


def test_going_back_to_an_earlier_release_is_a_new_release(world: World) -> None:
    site, caller = world.site, world.caller("agronomist")
    first = site.in_force().releases[REGION]
    released(world)
    draft = drafting.begin(site, caller, REGION, "Back.", first.id)
    released(world, draft)
    now = site.in_force()
    assert now.releases[REGION].number == 3
    assert now.tables.scales[SCALE].classes[3].lower == 23


def test_nothing_new_and_nothing_broken_is_submitted(world: World) -> None:
    draft = begun(world)
    with pytest.raises(Invalid, match="nothing differs from the last release"):
        submitted(world, draft)
    entry = named(world, draft)
    saved(world, draft, with_fact(entry, sources=""))  # a table that cites nothing
    with pytest.raises(Invalid, match="1 thing keeps this draft from being released"):
        submitted(world, draft)
    saved(world, draft, with_fact(entry, title="Phosphorus, Bray and Kurtz"))
    caller = world.caller("agronomist")
    revision = desk(world.site, caller, draft).revision
    for why in ("", "  ", "x" * 2001):
        with pytest.raises(Invalid, match="reason"):
            reviewing.submit(world.site, caller, draft, revision, why)
    with pytest.raises(Conflict, match="it was not submitted"):
        reviewing.submit(world.site, caller, draft, revision - 1, "New trials.")
    reviewing.submit(world.site, caller, draft, revision, "x" * 2000)


def test_a_release_that_somebody_changed_in_the_database_is_told(world: World) -> None:
    released(world)
    with world.site.database.look(world.caller("agronomist"), None) as look:
        assert breaks(releases.chain(look, REGION)) == ()
    release = schema.table_release
    with world.site.database.engine.begin() as connection:
        text = connection.execute(
            sa.select(release.c.content).where(release.c.book == REGION, release.c.number == 1)
        ).scalar_one()
        connection.execute(
            release.update()
            .where(release.c.book == REGION, release.c.number == 1)
            .values(content=text.replace('"from":23', '"from":22'))
        )
    with world.site.database.look(world.caller("agronomist"), None) as look:
        assert breaks(releases.chain(look, REGION)) == (
            "release 1 is not what was published: its content has another digest",
        )


def test_a_report_keeps_the_releases_it_was_made_from(world: World) -> None:
    day = world.site.in_force()
    assert day.digest_for(REGION) != day.digest_for("ohio")
    released(world)
    assert world.site.in_force().digest_for(REGION) != day.digest_for(REGION)
    assert world.site.in_force(on=date(2026, 4, 20)).releases[REGION].number == 2


def test_what_was_asked_before_a_release_does_not_hide_it(world: World) -> None:
    site, day = world.site, START.date() + timedelta(days=5)
    assert [site.in_force(on=on).releases[REGION].number for on in (START.date(), day)] == [1, 1]
    released(world)
    assert [site.in_force(on=on).releases[REGION].number for on in (START.date(), day)] == [2, 2]
    released(world, drafting.begin(site, world.caller("agronomist"), REGION, "Back.", 1 + _first(world)))
    assert site.in_force().releases[REGION].number == 3
    assert site.in_force() is site.in_force()


def _first(world: World) -> int:
    """One less than the id of the region's first release."""
    with world.site.database.look(world.caller("agronomist"), None) as look:
        return releases.of_book(look, REGION)[-1].id - 1
