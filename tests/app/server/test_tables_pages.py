"""Tables in force, read on the server; and the first page."""

from __future__ import annotations

from datetime import date

import pytest

from service.actions import reporting, tablereading
from service.actions.reporting import Wish
from service.actions.waiting import waiting_for
from service.callers import operator
from service.refusals import NotFound
from service.store import schema
from tests.app.server.conftest import World
from tests.app.server.land import P, add_field, add_value, add_visit, advised_land
from tests.app.server.tokens import program


def test_every_table_has_its_page_in_both_languages(lite_world: World) -> None:
    site = lite_world.site
    client = lite_world.client("agent")
    assert site.tables.regions["marrowdale"].publisher in client.get("/tables").text
    for language in ("en", "es"):
        with site.database.housekeeping(operator()) as look:
            look.connection.execute(schema.account.update().values(language=language))
        for kind in ("scales", "rates"):
            chosen = sorted(getattr(site.tables, kind))[:: 12 if kind == "scales" else 6]
            for table_id in chosen:
                assert client.get(f"/tables/{kind}/{table_id}").status_code == 200, table_id
        for region_id in sorted(site.tables.regions)[::4]:
            assert client.get(f"/tables/regions/{region_id}").status_code == 200, region_id


def test_a_scale_and_a_rate_are_shown_in_full(lite_world: World) -> None:
    client = lite_world.client("agronomist")
    scale = client.get("/tables/scales/marrowdale/phosphorus-bray1").text
    table = lite_world.site.tables.scales["marrowdale/phosphorus-bray1"]
    for each in table.classes:
        assert f'<th scope="row">{each.name}</th>' in scale
    assert lite_world.site.tables.fingerprints[table.id] in scale
    rate = client.get("/tables/rates/marrowdale/n-maize").text
    for text in ("n_per_t * yield_goal", "nitrate in the soil", "These numbers are invented"):
        assert text in rate


def test_an_agronomist_reads_the_tables_of_the_own_region(lite_world: World) -> None:
    caller = lite_world.caller("agronomist")
    assert [each.region.id for each in tablereading.regions(lite_world.site, caller)] == ["marrowdale"]
    with pytest.raises(NotFound):
        tablereading.region(lite_world.site, caller, "ohio")
    other = next(each for each in lite_world.site.tables.scales.values() if each.region == "ohio")
    with pytest.raises(NotFound):
        tablereading.whole(lite_world.site, caller, "scales", other.id)
    for path in ("/tables/regions/ohio", f"/tables/scales/{other.id}", "/tables/scales/nowhere/x"):
        assert lite_world.client("agronomist").get(path).status_code == 404
    assert lite_world.client("agent").get("/tables/regions/ohio").status_code == 200


def test_an_agronomist_is_led_from_a_table_to_where_it_is_changed(lite_world: World) -> None:
    path = "/tables/scales/marrowdale/phosphorus-bray1"
    assert 'href="/tables/drafts"' in lite_world.client("agronomist").get(path).text
    assert 'href="/tables/drafts"' not in lite_world.client("agent").get(path).text


def test_programs_read_tables(lite_world: World) -> None:
    asking = program(lite_world, "agent")
    listed = asking.get("/api/v1/tables?region=marrowdale").json()
    assert {each["region"] for each in listed} == {"marrowdale"}
    assert {each["kind"] for each in listed} == {"scales", "rates"}
    for each in listed:
        one = asking.get(f"/api/v1/tables/{each['kind']}/{each['id']}")
        assert (one.status_code, one.json()["table"]["id"]) == (200, each["id"])
    scale = asking.get("/api/v1/tables/scales/marrowdale/phosphorus-bray1").json()
    assert scale["table"]["classes"][0]["from"] == 0
    assert len(scale["fingerprint"]) == 64
    assert asking.get("/api/v1/tables?region=nowhere").status_code == 422
    assert len(asking.get("/api/v1/tables/regions").json()) == len(lite_world.site.tables.regions)


def test_what_waits_is_counted_within_ones_scope(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reporting, "pdf", lambda _page, _paper: b"%PDF")
    land = advised_land(world)
    add_visit(world, land, date(2026, 4, 3), ("empty",))  # no values: nothing to report
    elsewhere = add_field(world, "LO", county="lower")
    add_visit(world, elsewhere, samples=("lower",))
    add_value(world, elsewhere.samples[0], P, 9.0)
    with world.site.database.housekeeping(operator()) as look:
        for number, state in enumerate(("read", "read", "held", "accepted", "released")):
            run = look.connection.execute(
                schema.run.insert()
                .values(
                    laboratory_id=world.laboratories["a"], run_id=f"R{number}", run_id_folded=f"r{number}",
                    analyte="P", method=P[2], run_on=date(2026, 4, 9), operator="x", file_name="x.csv",
                    content=b"x", content_sha256="x", layout="x", choice={}, excluded=[], state=state,
                    uploaded_at=look.now, uploaded_by="x",
                )
                .returning(schema.run.c.id)
            ).scalar_one()  # fmt: skip
        look.connection.execute(
            schema.waiting_cup.insert().values(
                laboratory_id=world.laboratories["a"], run_id=run, lab_number="77"
            )
        )
    laboratory = waiting_for(world.site, world.caller("laboratory"))
    assert (laboratory.runs, laboratory.cups) == ({"read": 2, "held": 1, "accepted": 1}, 1)
    assert [visit.id for visit in laboratory.visits] == [elsewhere.visits[0], land.visits[0]]
    agent = waiting_for(world.site, world.caller("agent"))
    assert (agent.runs, agent.cups, [visit.id for visit in agent.visits]) == ({}, 0, [land.visits[0]])
    other = waiting_for(world.site, world.caller("other-laboratory"))
    assert (other.runs, other.cups, other.visits) == ({}, 0, [])
    reporting.issue(world.site, world.caller("agent"), land.visits[0], Wish())
    assert waiting_for(world.site, world.caller("agent")).visits == []


@pytest.mark.parametrize("person", ["laboratory", "agent", "agronomist", "administrator"])
def test_everybody_has_a_first_page(lite_world: World, person: str) -> None:
    advised_land(lite_world)
    page = lite_world.client(person).get("/")
    assert page.status_code == 200
    assert ("Long Meadow" in page.text) == (person in ("laboratory", "agent"))
    assert ('href="/runs?state=held"' in page.text) == (person == "laboratory")
