"""A region that has no tables yet: copied from another, or begun with a first scale; and who may begin it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.actions import drafting, people, regionstart, reviewing
from service.actions.draftdesk import Desk, desk
from service.actions.people import EVERY_REGION, Person
from service.actions.regionstart import FirstScale, NewRegion
from service.actions.wrongfields import WrongFields
from service.callers import Caller, Scope
from service.entries.entry import Entry
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from tests.app.server.conftest import World
from tests.app.server.draft_steps import begun, named, released, with_fact
from tests.app.server.test_drafts_pages import sent

NEW = NewRegion(
    id="newvale", name="Newvale", publisher="Newvale Board", valid_for="Loams of Newvale.", why="We begin."
)
SCALE = FirstScale(
    analyte="P", method="olsen-1:20-colour", unit="mg/kg", basis="air-dry", depth_from_cm="0",
    depth_to_cm="20", crops="maize; winter-wheat", round_to="1",
)  # fmt: skip
ASKED = NEW.model_dump() | {"id": "newvale"}


def everywhere(world: World, person: str = "agronomist", region: str = "") -> Caller:
    """The agronomist, but of every region or of another."""
    return replace(world.caller(person), scope=Scope(region=region))


def copied(world: World, region: str, new: NewRegion = NEW) -> Desk:
    """A draft of a new region that copies another."""
    caller = everywhere(world)
    return desk(world.site, caller, regionstart.copy_region(world.site, caller, new, region))


def test_a_copied_region_is_the_new_ones_draft_in_every_record(world: World) -> None:
    found = copied(world, "ohio")
    tables = world.site.tables
    regional = [each for each in found.entries if each.kind in regionstart.STANDING]
    assert len(regional) == 1 + sum(
        each.region == "ohio" for kind in ("scales", "rates", "conversions")
        for each in getattr(tables, kind).values()
    )  # fmt: skip
    assert {each.facts["standing"] for each in regional} == {"regional-draft"}
    for each in regional[1:]:
        like = getattr(tables, each.kind)[each.id.replace("newvale/", "ohio/")]
        assert each.facts["sources"] == "; ".join(like.sources), "sources that all share stay cited"
    region = next(each for each in found.entries if each.kind == "regions").facts
    assert (region["id"], region["name"], region["publisher"]) == ("newvale", "Newvale", "Newvale Board")
    assert region["valid_for"] == "Loams of Newvale."
    assert region["not_for"] == tables.regions["ohio"].not_for
    assert region["cautions_of"] == "; ".join(("ohio", *tables.regions["ohio"].cautions_of))
    assert found.checked.errors() == 0, found.checked.problems
    assert found.draft.base_id is None
    with pytest.raises(Invalid, match="records still stand as a draft of the region"):
        reviewing.submit(world.site, everywhere(world), found.draft.id, 1, "We begin.")


def test_a_copy_of_the_invented_region_leaves_nothing_invented(lite_world: World) -> None:
    found = copied(lite_world, "marrowdale")
    for each in found.entries:
        assert "invented" not in str(each.said()), each.id
        assert "marrowdale/" not in str(each.said()), each.id
        assert "marrowdale-tables" not in str(each.said()), each.id
    region = next(each for each in found.entries if each.kind == "regions").facts
    assert "not_for" not in region
    assert region["cautions_of"] == "marrowdale"
    told = [each.message for problems in found.checked.problems.values() for each in problems]
    assert "missing" in told, "what has to be written anew is asked for"


def test_a_regions_own_sources_are_copied_with_ids_of_the_new_one(lite_world: World) -> None:
    draft, caller = begun(lite_world), lite_world.caller("agronomist")
    for name in ("marrowdale/trials", "other-trials"):
        number = drafting.add(lite_world.site, caller, draft, "sources", named=name)
        facts = {"id": name, "title": f"Trials, {name}", "read": "seen"}
        seen = desk(lite_world.site, caller, draft).revision
        drafting.save(lite_world.site, caller, draft, seen, Entry(number=number, kind="sources", facts=facts))
    entry = with_fact(
        named(lite_world, draft), sources="marrowdale/trials; marrowdale-tables-2025; other-trials"
    )
    drafting.save(lite_world.site, caller, draft, desk(lite_world.site, caller, draft).revision, entry)
    released(lite_world, draft)
    found = copied(lite_world, "marrowdale")
    assert [each.id for each in found.entries if each.kind == "sources"] == [
        "newvale/trials", "newvale/other-trials",
    ]  # fmt: skip
    like = next(each for each in found.entries if each.id == "newvale/phosphorus-bray1")
    assert like.facts["sources"] == "newvale/trials; newvale/other-trials"
    assert found.checked.problems.get(like.number, ()) == ()


def test_a_copy_is_adopted_reviewed_and_published(lite_world: World) -> None:
    found = copied(lite_world, "ohio")
    author, second = everywhere(lite_world), everywhere(lite_world, "reviewer")
    revision = drafting.adopt(lite_world.site, author, found.draft.id, found.revision)
    sha256 = reviewing.submit(lite_world.site, author, found.draft.id, revision, "We begin.")
    reviewing.approve(lite_world.site, second, found.draft.id, sha256)
    reviewing.publish(lite_world.site, author, found.draft.id, sha256)
    made = lite_world.site.tables.regions["newvale"]
    assert (made.standing, made.cautions_of[0]) == ("regional", "ohio")
    with pytest.raises(Invalid) as refused:
        copied(lite_world, "ohio")
    assert refused.value.fields["id"] == "this region is there already, or somebody has begun it"


def test_a_region_is_copied_before_its_release_is_in_force(lite_world: World) -> None:
    found = copied(lite_world, "ohio")
    author, second = everywhere(lite_world), everywhere(lite_world, "reviewer")
    revision = drafting.adopt(lite_world.site, author, found.draft.id, found.revision)
    day = lite_world.clock().date() + timedelta(days=30)
    sha256 = reviewing.submit(lite_world.site, author, found.draft.id, revision, "We begin.", day)
    reviewing.approve(lite_world.site, second, found.draft.id, sha256)
    reviewing.publish(lite_world.site, author, found.draft.id, sha256)
    assert "newvale" in regionstart.published(lite_world.site, author)
    again = copied(lite_world, "newvale", NEW.model_copy(update={"id": "thirdvale"}))
    region = next(each for each in again.entries if each.kind == "regions").facts
    assert region["cautions_of"].split("; ")[:2] == ["newvale", "ohio"]


def test_an_empty_region_begins_with_what_is_measured(world: World) -> None:
    caller = everywhere(world)
    found = desk(world.site, caller, regionstart.begin_empty(world.site, caller, NEW, SCALE))
    region, scale, source = found.entries
    assert scale.id == "newvale/p-olsen-1-20-colour"
    for name, text in SCALE.model_dump().items():
        assert scale.facts[name] == text
    assert region.facts["sources"] == scale.facts["sources"] == source.id == "newvale/tables"
    assert {region.facts["standing"], scale.facts["standing"]} == {"regional-draft"}
    told = {each.cell.name for problems in found.checked.problems.values() for each in problems}
    assert {"not_for", "read", "classes.0.name"} <= told, "what is still missing is asked for"
    with pytest.raises(Invalid) as refused:
        regionstart.begin_empty(world.site, caller, NEW.model_copy(update={"id": "other"}), FirstScale())
    assert refused.value.fields.keys() == FirstScale.model_fields.keys()


@pytest.mark.parametrize(
    ("fields", "name", "told"),
    [
        ({"id": ""}, "id", "small letters"), ({"id": "New Vale"}, "id", "small letters"),
        ({"id": "a/b"}, "id", "small letters"), ({"id": "x" * 61}, "id", "small letters"),
        ({"id": "shared"}, "id", "all regions share"), ({"id": "kansas"}, "id", "there already"),
        ({"name": " "}, "name", "1 to 200"), ({"publisher": "x" * 201}, "publisher", "1 to 200"),
        ({"valid_for": ""}, "valid_for", "1 to 4000"), ({"why": ""}, "why", "1 to 2000"),
    ],
)  # fmt: skip
def test_what_is_asked_about_a_new_region_is_needed(
    lite_world: World, fields: dict[str, str], name: str, told: str
) -> None:
    with pytest.raises(Invalid) as refused:
        copied(lite_world, "ohio", NEW.model_copy(update=fields))
    assert refused.value.fields.keys() == {name}
    assert told in refused.value.fields[name]


def test_who_may_begin_a_new_region(lite_world: World) -> None:
    site = lite_world.site
    with pytest.raises(Conflict, match="your region has its tables already"):
        regionstart.copy_region(site, lite_world.caller("agronomist"), NEW, "ohio")
    for person in ("laboratory", "agent", "administrator"):
        with pytest.raises(NotAllowed):
            regionstart.copy_region(site, lite_world.caller(person), NEW, "ohio")
    own = everywhere(lite_world, region="westvale")
    with pytest.raises(Invalid) as refused:
        regionstart.copy_region(site, own, NEW, "ohio")
    assert refused.value.fields == {"id": "your region is westvale"}
    for copied_region in ("nowhere", "shared"):
        with pytest.raises(NotFound):
            regionstart.copy_region(site, everywhere(lite_world), NEW, copied_region)
    made = regionstart.copy_region(site, own, NEW.model_copy(update={"id": "westvale"}), "ohio")
    assert desk(site, own, made).draft.book == "westvale"
    with pytest.raises(NotFound):
        desk(site, lite_world.caller("agronomist"), made)


def test_an_account_is_of_a_region_that_has_a_draft_or_of_every_region(lite_world: World) -> None:
    site, keeper = lite_world.site, lite_world.caller("administrator")

    def add(email: str, region: str) -> str:
        person = Person(email=email, name="A", role="agronomist", region=region)
        return people.add_account(site, keeper, person)[0].region

    with pytest.raises(WrongFields):
        add("a@soil.example", "newvale")
    copied(lite_world, "ohio")
    assert add("a@soil.example", "newvale") == "newvale"
    assert add("b@soil.example", EVERY_REGION) == ""
    with pytest.raises(WrongFields):
        add("c@soil.example", "")
    client = lite_world.client("administrator")
    page = client.get("/accounts/new").text
    assert '<option value="newvale">newvale</option>' in page
    last = people.list_accounts(site, keeper)[0]
    every = next(each.id for each in last if each.email == "b@soil.example")
    shown = client.get(f"/accounts/{every}").text
    assert '<option value="*" selected>every region, and new ones</option>' in shown


def test_a_new_region_is_begun_on_its_pages(lite_world: World) -> None:
    site, keeper = lite_world.site, lite_world.caller("administrator")
    for path in ("/tables/drafts/new-region", "/tables/drafts/new-region/empty"):
        assert "Your region has its tables already." in lite_world.client("agronomist").get(path).text
    person = Person(email="reviewer@soil.example", name="Reviewer", role="agronomist", region=EVERY_REGION)
    people.change_account(site, keeper, lite_world.people["reviewer"], person)
    client = lite_world.client("reviewer")
    assert "/tables/drafts/new-region" in client.get("/tables/drafts").text
    assert '<option value="ohio">' in client.get("/tables/drafts/new-region").text
    refused = sent(lite_world, client, "/tables/drafts/new-region", **ASKED | {"id": "New"}, copied="ohio")
    assert "small letters, digits and dashes, at most 60" in refused
    assert "Loams of Newvale." in refused
    path = sent(lite_world, client, "/tables/drafts/new-region", **ASKED, copied="ohio")
    page = client.get(path).text
    assert "Newvale, draft 1" in page
    assert "The region sets these numbers" in page
    other = ASKED | SCALE.model_dump() | {"id": "othervale"}
    refused = sent(lite_world, client, "/tables/drafts/new-region/empty", **other | {"unit": ""})
    assert "fill this in" in refused
    path = sent(lite_world, client, "/tables/drafts/new-region/empty", **other)
    assert path == "/tables/drafts/2/entries/2?done=drafts.done-begun"
    assert "olsen-1:20-colour" in client.get(path).text
