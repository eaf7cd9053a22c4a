"""What somebody could try at the agronomist's desk: ways around the second person, traps for who reads."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from datetime import date, timedelta

import pytest
import sqlalchemy as sa

from interpretation.agronomy.tables import Source
from interpretation.errors import TableError
from service.actions import draftfiles, drafting, regionstart, reviewing
from service.actions.draftdesk import Desk, desk
from service.actions.seeding import seed
from service.bookfiles import forms
from service.callers import Caller
from service.entries.columns import FACTS, LONGEST_STORED
from service.entries.entry import Entry
from service.refusals import Conflict, Invalid, NotAllowed, Unavailable
from service.releases import breaks
from service.site import Shelf
from service.store import releases, schema, tablecomments
from service.store.database import Change
from service.uploads import Upload
from tests.app.server.conftest import START, World
from tests.app.server.draft_steps import (
    REGION,
    begun,
    changed,
    named,
    released,
    saved,
    submitted,
    with_fact,
)  # fmt: skip

ESCAPED = "New trials.\x1b[2K\u202e"  # a terminal would clear its line, a browser turn what follows


def test_who_wrote_a_file_cannot_let_a_colleague_take_it_and_approve_it(world: World) -> None:
    draft = begun(world)
    content = forms.write("csv", REGION, [with_fact(named(world, draft), title="Better")])
    upload = draftfiles.upload(world.site, world.caller("reviewer"), draft, Upload("a.zip", content))
    author = world.caller("agronomist")
    shown = draftfiles.waiting(world.site, author, draft, upload, whole=False)
    with pytest.raises(NotAllowed) as refused:
        draftfiles.take(world.site, author, draft, upload, 1, shown.sha256, whole=False)
    assert (refused.value.what, refused.value.fix) == (
        "somebody else brought this file", "ask Reviewer to take it over, or bring it yourself",
    )  # fmt: skip
    draftfiles.take(world.site, world.caller("reviewer"), draft, upload, 1, shown.sha256, whole=False)
    _, sha256 = submitted(world, draft)
    with pytest.raises(NotAllowed):
        reviewing.approve(world.site, world.caller("reviewer"), draft, sha256)


def test_the_page_offers_a_file_only_to_who_brought_it(lite_world: World) -> None:
    draft = begun(lite_world)
    content = forms.write("csv", REGION, [with_fact(named(lite_world, draft), title="Better")])
    upload = draftfiles.upload(
        lite_world.site, lite_world.caller("reviewer"), draft, Upload("a.zip", content)
    )
    page = f"/tables/drafts/{draft}/files/{upload}"
    for person, offered in (("reviewer", True), ("agronomist", False)):
        text = lite_world.client(person).get(page).text
        assert (f'action="{page}/take"' in text, "Reviewer, who brought this one" in text) == (
            offered, not offered,
        )  # fmt: skip


@pytest.mark.parametrize(
    "place", ["evil.1.x", "classes.x.from", "facts", "classes.1", "amounts.0.rate", ".."]
)
def test_a_comment_is_about_a_cell(lite_world: World, place: str) -> None:
    draft = begun(lite_world)
    number = named(lite_world, draft).number
    with pytest.raises(Invalid, match="there is no such cell"):
        drafting.comment(lite_world.site, lite_world.caller("reviewer"), draft, number, place, "Why?")


@pytest.mark.parametrize("place", ["evil.1.x", "classes.99999.from", '"><script>.1.x', ""])
def test_a_comment_about_no_cell_breaks_no_page(lite_world: World, place: str) -> None:
    draft = begun(lite_world)
    number = named(lite_world, draft).number
    with lite_world.site.database.change(lite_world.caller("reviewer"), None) as change:
        tablecomments.add(change, draft, number, place, "Look <b>here</b>.")
        change.note("comment", "table-draft", draft)
    client, at = lite_world.client("agronomist"), f"/tables/drafts/{draft}"
    for path in (at, f"{at}/review", f"{at}/entries/{number}"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert "Look &lt;b&gt;here&lt;/b&gt;." in answer.text
        assert "<script>.1.x" not in answer.text


def test_what_is_written_beside_tables_can_be_seen(world: World) -> None:
    site, caller = world.site, world.caller("agronomist")
    draft = changed(world)
    entry = named(world, draft)
    at = desk(site, caller, draft).revision
    new = regionstart.NewRegion(
        id="coastvale", name=ESCAPED, publisher="Coast", valid_for="Coast soils", why="First."
    )
    for attempt in (
        lambda: drafting.begin(site, caller, REGION, ESCAPED),
        lambda: drafting.describe(site, caller, draft, ESCAPED),
        lambda: drafting.save(site, caller, draft, at, entry, ESCAPED),
        lambda: drafting.remove(site, caller, draft, at, entry.number, ESCAPED),
        lambda: drafting.comment(site, caller, draft, entry.number, "", ESCAPED),
        lambda: drafting.discard(site, caller, draft, ESCAPED),
        lambda: reviewing.submit(site, caller, draft, at, ESCAPED),
        lambda: regionstart.copy_region(site, of_every_region(world), new, REGION),
    ):
        with pytest.raises(Invalid, match=r"the text holds the invisible character U\+001B") as refused:
            attempt()
        assert set(refused.value.fields) <= {"why", "reason", "text", "name"}
    submitted(world, draft)
    with pytest.raises(Invalid, match="invisible character"):
        reviewing.send_back(site, caller, draft, ESCAPED)
    found = desk(site, caller, draft)
    assert (found.draft.state, found.draft.why, found.comments) == ("submitted", "New trials.", ())


def of_every_region(world: World, person: str = "agronomist") -> Caller:
    """An agronomist of every region."""
    caller = world.caller(person)
    return replace(caller, scope=replace(caller.scope, region=""))


def test_a_region_is_not_named_as_what_all_regions_share(lite_world: World) -> None:
    for name in ("shared", "methods", "crops", "materials", "notes", "sources"):
        new = regionstart.NewRegion(
            id=name, name="Coast", publisher="Coast", valid_for="Coast soils", why="First."
        )
        with pytest.raises(Invalid) as refused:
            regionstart.copy_region(lite_world.site, of_every_region(lite_world), new, REGION)
        assert refused.value.fields == {"id": "is the name of what all regions share; choose another"}


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        (
            "effective_on", date(2030, 1, 1),
            "release 2 is used from 2030-01-01; it was published to be used from 2026-04-20",
        ),
        (
            "published_at", START - timedelta(days=400),
            f"release 2 was published at {START}, not at {START - timedelta(days=400)}",
        ),
        ("content", "{}", "release 2 cannot be read"),
    ],
)  # fmt: skip
def test_a_day_that_somebody_changed_in_the_database_is_told(
    world: World, column: str, value: object, told: str
) -> None:
    """What is in force is chosen by the columns, not by what is in the content."""
    released(world)
    release = schema.table_release
    with world.site.database.engine.begin() as connection:
        connection.execute(
            release.update().where(release.c.book == REGION, release.c.number == 2).values({column: value})
        )
    with world.site.database.look(world.caller("agronomist"), None) as look:
        assert told in breaks(releases.chain(look, REGION))


def test_a_start_looks_at_the_tables_of_coming_days_too(world: World) -> None:
    """A release of later is used with what all regions share by then, so it must fit that already."""
    site = world.site
    extra = Source(id="coming-trials", title="Coming trials", read="invented")
    given = replace(site, files=replace(site.files, sources={**site.files.sources, extra.id: extra}))
    assert seed(given).added == ("shared",)
    draft = begun(world)
    entry = named(world, draft)
    saved(world, draft, with_fact(entry, sources=f"{entry.facts['sources']}; coming-trials"))
    author = world.caller("agronomist")
    later = START.date() + timedelta(days=30)
    revision = desk(site, author, draft).revision
    sha256 = reviewing.submit(site, author, draft, revision, "Trials.", later)
    reviewing.approve(site, world.caller("reviewer"), draft, sha256)
    reviewing.publish(site, author, draft, sha256)
    with pytest.raises(TableError, match=f"the tables in force on {later} do not fit together"):
        seed(site)  # the files without the source
    assert seed(given).added == ()


def test_a_region_is_not_used_before_one_whose_cautions_it_takes_over(world: World) -> None:
    """Or the tables of today would not fit together, and no server with other files could start."""
    site, author, reviewer = world.site, of_every_region(world), of_every_region(world, "reviewer")
    new = regionstart.NewRegion(
        id="coastvale", name="Coast", publisher="Coast", valid_for="Coast soils", why="First."
    )
    coast = regionstart.copy_region(site, author, new, "ohio")
    later = START.date() + timedelta(days=30)
    revision = drafting.adopt(site, author, coast, 1)
    sha256 = reviewing.submit(site, author, coast, revision, "First.", later)
    reviewing.approve(site, reviewer, coast, sha256)
    reviewing.publish(site, author, coast, sha256)

    draft = begun(world)
    about = next(each for each in desk(site, author, draft).entries if each.kind == "regions")
    at = saved(world, draft, with_fact(about, cautions_of="coastvale"))
    for day in (None, later - timedelta(days=1)):
        with pytest.raises(Invalid, match="there are no tables yet of coastvale") as refused:
            reviewing.submit(site, author, draft, at, "Trials.", day)
        assert refused.value.fields == {"effective_on": "choose a day on which there are tables of coastvale"}
        assert "take coastvale out of the region's cell cautions_of" in refused.value.fix
    reviewing.submit(site, author, draft, at, "Trials.", later)


def test_whatever_is_typed_where_few_things_can_be_breaks_no_page(lite_world: World) -> None:
    draft = begun(lite_world)
    typed = '"><img src=x onerror=alert(1)>'
    for entry in desk(lite_world.site, lite_world.caller("agronomist"), draft).entries:
        chosen = {column.name: typed for column in FACTS[entry.kind] if column.choices}
        saved(lite_world, draft, with_fact(entry, **chosen))
    client, at = lite_world.client("agronomist"), f"/tables/drafts/{draft}"
    for path in (at, f"{at}/review"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert "&lt;img src=x onerror=alert(1)&gt;" in answer.text or path == at
        assert "<img src=x" not in answer.text


def test_two_regions_published_at_once_do_not_both_get_a_source_of_one_id(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, author, reviewer = world.site, of_every_region(world), of_every_region(world, "reviewer")
    handed = []
    for region in (REGION, "ohio"):
        draft = drafting.begin(site, author, region, "Trials.")
        number = drafting.add(site, author, draft, "sources")
        facts = {"id": "trials-2026", "title": f"Trials of {region}", "read": "invented"}
        typed = Entry(kind="sources", number=number, facts=facts)
        revision = drafting.save(site, author, draft, 2, typed)
        sha256 = reviewing.submit(site, author, draft, revision, "Trials.")
        reviewing.approve(site, reviewer, draft, sha256)
        handed.append((draft, sha256))
    looked = threading.Barrier(2)
    refuse_unfit = reviewing._refuse_unfit

    def and_wait(desk: Desk, day: date | None, change: Change) -> None:
        refuse_unfit(desk, day, change)
        with suppress(threading.BrokenBarrierError):
            looked.wait(2)  # for the other, who must not get here before this one has published

    monkeypatch.setattr(reviewing, "_refuse_unfit", and_wait)

    def publish(handed: tuple[int, str]) -> str:
        try:
            reviewing.publish(site, author, *handed)
        except Conflict as refused:
            return str(refused)
        return "published"

    with ThreadPoolExecutor(2) as pool:
        said = sorted(pool.map(publish, handed), key=len)
    assert said[0] == "published"
    assert "this draft is no longer what you were shown, so nothing was done" in said[1]
    owners = {each.region for each in site.in_force().tables.sources.values() if each.id == "trials-2026"}
    assert len(owners) == 1


def test_a_release_that_was_changed_in_the_database_classes_nothing(world: World) -> None:
    """What was read before the change stays true; after a new start nothing is worked out by it."""
    released(world)
    release = schema.table_release
    with world.site.database.engine.begin() as connection:
        chosen = (release.c.book == REGION) & (release.c.number == 2)
        text = connection.execute(sa.select(release.c.content).where(chosen)).scalar_one()
        connection.execute(
            release.update().where(chosen).values(content=text.replace('"from":24', '"from":9'))
        )
    started_again = replace(world.site, shelf=Shelf())
    with pytest.raises(Unavailable, match="release 2 of marrowdale is not what was published") as refused:
        _ = started_again.tables
    assert "restore a backup" in refused.value.fix


def test_a_cell_is_kept_as_it_was_typed_up_to_a_length(lite_world: World) -> None:
    draft = begun(lite_world)
    entry = named(lite_world, draft)
    saved(lite_world, draft, with_fact(entry, remark="x" * LONGEST_STORED))
    with pytest.raises(Invalid, match="too long to be kept"):
        saved(lite_world, draft, with_fact(entry, remark="x" * (LONGEST_STORED + 1)))
