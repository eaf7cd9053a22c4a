"""What was in force for a field on a day: the releases, and which of their tables hold."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from interpretation.agronomy.tables import ScaleTable
from service.actions import reviewing
from service.actions.advising import advised
from service.actions.draftdesk import desk
from service.actions.fieldtables import MOST_VISITS, FieldTables, for_field
from service.refusals import NotAllowed, NotFound
from tests.app.server.conftest import START, World
from tests.app.server.draft_steps import REGION, SCALE, changed
from tests.app.server.land import PH, P, add_field, add_value, add_visit, advised_land

TODAY = START.date()


def shown(world: World, field: int, on: date | None = None) -> FieldTables:
    return for_field(world.site, world.caller("agent"), field, on)


def later_release(world: World, days: int) -> int:
    """A release that is used so many days from now."""
    draft, caller = changed(world), world.caller("agronomist")
    revision = desk(world.site, caller, draft).revision
    day = TODAY + timedelta(days=days)
    sha256 = reviewing.submit(world.site, caller, draft, revision, "Trials.", day)
    reviewing.approve(world.site, world.caller("reviewer"), draft, sha256)
    return reviewing.publish(world.site, caller, draft, sha256)


def test_the_release_of_the_day_is_found_with_the_tables_that_hold(world: World) -> None:
    land = advised_land(world)
    first = world.site.in_force().releases
    added = later_release(world, 10)
    found = shown(world, land.field)
    assert (found.on, found.of_region, found.shared) == (TODAY, first[REGION], first["shared"])
    (visit,) = found.visits
    assert (visit.id, visit.crop, visit.sampled_on) == (land.visits[0], "maize", date(2026, 4, 2))
    held = {each.subject: each.table for each in visit.scales}
    assert held["P"] is world.site.in_force().tables.scales[SCALE]
    amounts = {each.subject: each.table and each.table.id for each in visit.rates}
    assert amounts["N"] == "marrowdale/n-maize"
    for days, release in ((9, first[REGION].id), (10, added), (400, added)):
        then = shown(world, land.field, TODAY + timedelta(days=days))
        assert then.of_region is not None
        assert then.of_region.id == release
    table = {each.subject: each.table for each in then.visits[0].scales}["P"]
    assert isinstance(table, ScaleTable)
    assert table.classes[3].lower == 24


def test_what_holds_is_what_the_advice_of_the_day_used(world: World) -> None:
    land = advised_land(world)
    advice = advised(world.site, world.caller("agent"), land.visits[0]).advice
    assert advice is not None
    (visit,) = shown(world, land.field).visits
    used = {each.table for each in advice.results if each.table}
    assert used == {each.table.id for each in visit.scales if each.table}
    rates = {each.table for each in advice.amounts if each.table}
    assert rates == {each.table.id for each in visit.rates if each.table}
    untested = {each.subject for each in visit.rates if not each.tested}
    assert untested == {"S", "Zn", "lime"}


def test_why_no_table_holds_is_said(lite_world: World) -> None:
    land = add_field(lite_world)
    add_visit(lite_world, land)
    add_value(lite_world, land.samples[0], (*P[:3], "mg/kg", "oven-dry"), 9.0)
    add_value(lite_world, land.samples[0], ("B", "B", "b-hot-water", "mg/kg", "air-dry"), 0.4)
    (visit,) = shown(lite_world, land.field).visits
    held = {each.subject: (each.table, each.failed) for each in visit.scales}
    assert held == {"P": (None, ("basis",)), "B": (None, ("analyte",))}
    page = lite_world.client("agent").get(f"/fields/{land.field}/tables").text
    assert "none: kind of soil mass does not match" in page
    assert "none: the region has no classes for this test" in page


def test_samples_that_are_alike_share_a_line_and_others_do_not(lite_world: World) -> None:
    land = advised_land(lite_world)
    (visit,) = shown(lite_world, land.field).visits
    assert [len(each.soils) for each in visit.scales] == [1, 1, 1]
    add_visit(lite_world, land, date(2025, 4, 2), ("900",))
    add_value(lite_world, land.samples[-1], PH, 6.0)
    newest, older = shown(lite_world, land.field).visits
    assert (newest.sampled_on.year, older.sampled_on.year) == (2026, 2025)


def test_only_what_was_measured_by_that_day_is_looked_at(lite_world: World) -> None:
    land = advised_land(lite_world)
    add_visit(lite_world, land, TODAY + timedelta(days=3), ("901",))
    add_value(lite_world, land.samples[-1], PH, 6.0)
    assert len(shown(lite_world, land.field).visits) == 1
    assert len(shown(lite_world, land.field, TODAY + timedelta(days=3)).visits) == 2


def test_so_many_visits_are_shown_and_no_more(lite_world: World) -> None:
    land = add_field(lite_world)
    for number in range(MOST_VISITS + 1):
        add_visit(lite_world, land, date(2026, 1, 1) + timedelta(days=number), (f"7{number}",))
        add_value(lite_world, land.samples[-1], PH, 6.0)
        found = shown(lite_world, land.field)
        if number == MOST_VISITS - 1:
            assert (len(found.visits), found.more) == (MOST_VISITS, False)
    assert (len(found.visits), found.more) == (MOST_VISITS, True)


def test_before_the_first_release_nothing_was_kept(lite_world: World) -> None:
    land = advised_land(lite_world)
    day = TODAY - timedelta(days=1)
    found = shown(lite_world, land.field, day)
    assert (found.of_region, found.visits, found.first) == (None, (), TODAY)
    page = lite_world.client("agent").get(f"/fields/{land.field}/tables?on={day}").text
    assert "Nothing was kept for April 19, 2026: the first release of these tables is in force from" in page


def test_the_page_is_reached_from_the_field_and_links_to_the_release(lite_world: World) -> None:
    land = advised_land(lite_world)
    client, path = lite_world.client("laboratory"), f"/fields/{land.field}/tables"
    assert f'href="{path}"' in client.get(f"/fields/{land.field}").text
    page = client.get(f"{path}?on=2026-04-20").text
    own = lite_world.site.in_force().releases[REGION].id
    assert (
        f'<a href="/tables/releases/{own}">Release 1 of Marrowdale, in force from April 20, 2026</a>' in page
    )
    assert f'<a href="/tables/releases/{own}/scales/{SCALE}">' in page
    assert f'<a href="/tables/releases/{own}/rates/marrowdale/n-maize">' in page
    refused = client.get(f"{path}?on=soon")
    assert (refused.status_code, "&#39;soon&#39; is no day" in refused.text) == (422, True)


def test_a_field_without_values_says_so(lite_world: World) -> None:
    land = add_field(lite_world)
    add_visit(lite_world, land)
    page = lite_world.client("agent").get(f"/fields/{land.field}/tables").text
    assert "Nothing had been measured on this field by then." in page


def test_it_is_seen_within_ones_scope(world: World) -> None:
    land = advised_land(world)
    for person in ("other-agent", "other-laboratory"):
        with pytest.raises(NotFound):
            for_field(world.site, world.caller(person), land.field)
    with pytest.raises(NotAllowed):
        for_field(world.site, world.caller("agronomist"), land.field)
