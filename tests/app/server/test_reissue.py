"""Reports keep the release they were made from: printed, told, and worked out again to the byte."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from interpretation.errors import FurrowsliceError
from interpretation.results import FieldAdvice
from reports.build import build_report
from reports.render import html, pdf
from reports.view import LaboratoryCard
from service.actions import reporting, reviewing
from service.actions.advising import advise_on
from service.actions.card import read_laboratory
from service.actions.draftdesk import desk
from service.actions.reporting import Wish, issue
from service.actions.reportinputs import ReportInputs, page_of
from service.callers import operator
from service.paths import demo_directory
from service.store import releases, schema
from tests.app.server.conftest import START, World
from tests.app.server.draft_steps import REGION, begun, changed, named, released, saved, with_cell
from tests.app.server.land import add_value, advised_land
from tests.app.server.tokens import program


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawing stands for itself elsewhere; here it says what would be drawn."""
    monkeypatch.setattr(
        reporting, "pdf", lambda page, paper: f"%PDF {paper} {page.language} {page.attachment}".encode()
    )


def stored(world: World, report_id: int) -> Any:
    with world.site.database.look(operator(), None) as look:
        return look.connection.execute(sa.select(schema.report).where(schema.report.c.id == report_id)).one()


def printed(world: World, report_id: int) -> str:
    """What the PDF of a report was drawn from."""
    row = stored(world, report_id)
    advice, card = FieldAdvice.model_validate(row.advice), LaboratoryCard.model_validate(row.card)
    return html(build_report(advice, card, locale=row.language, units=row.units))


def recomputed(world: World, report_id: int) -> tuple[FieldAdvice, bytes]:
    """A report worked out again from its releases, the values and plan of its visit, and its card."""
    row = stored(world, report_id)
    with world.site.database.look(world.caller("agent"), None) as look:
        pinned = tuple(
            releases.the_release(look, each) for each in (row.shared_release_id, row.region_release_id)
        )
        tables = world.site.of_releases(look, pinned)
        advice = advise_on(look, tables, row.sampling_id).advice
    assert advice is not None
    inputs = ReportInputs.model_validate(row.inputs)
    return advice, pdf(page_of(inputs, advice, tables), row.paper)


def released_again(world: World, lower: str) -> int:
    """One more release, in which the class "high" of phosphorus begins elsewhere."""
    draft = begun(world)
    entry = named(world, draft)
    row = next(i for i, each in enumerate(entry.rows["classes"]) if each["name"] == "high")
    saved(world, draft, with_cell(entry, "classes", row, "from", lower))
    return released(world, draft)


# ----------------------------------------------------------------------------------------- to the byte


def test_an_old_report_is_worked_out_again_to_the_byte_after_two_more_releases(world: World) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    first = issue(world.site, agent, land.visits[0], Wish())
    for lower in ("20", "26"):  # the second sample, of 22 mg/kg, changes its class with the first of them
        world.clock.move(hours=25)
        released_again(world, lower)
    advice, content = recomputed(world, first.id)
    row, issued = reporting.document(world.site, agent, first.id)
    assert advice.model_dump(mode="json") == stored(world, first.id).advice
    assert content == issued
    assert hashlib.sha256(content).hexdigest() == row.document_sha256

    second = issue(world.site, agent, land.visits[0], Wish(replaces=first.report_id))
    assert recomputed(world, second.id)[1] == reporting.document(world.site, agent, second.id)[1]
    assert recomputed(world, first.id)[1] == issued != recomputed(world, second.id)[1]


def test_a_report_pins_the_releases_of_its_day(world: World, quick: None) -> None:
    land = advised_land(world)
    before = world.site.in_force().releases
    first = issue(world.site, world.caller("agent"), land.visits[0], Wish())
    added = released(world)
    second = issue(world.site, world.caller("agent"), land.visits[0], Wish(replaces=first.report_id))
    assert (first.region_release_id, first.shared_release_id) == (before[REGION].id, before["shared"].id)
    assert (second.region_release_id, second.shared_release_id) == (added, before["shared"].id)


# --------------------------------------------------------------------------------------------- printed


def test_a_report_prints_its_release_and_what_it_replaces(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    agent = lite_world.caller("agent")
    first = issue(lite_world.site, agent, land.visits[0], Wish())
    released(lite_world)
    again = issue(lite_world.site, agent, land.visits[0], Wish(replaces=first.report_id))
    own = lite_world.site.in_force().releases[REGION]
    old, new = printed(lite_world, first.id), printed(lite_world, again.id)
    assert "Release of these tables.</strong> 1, in force from April 20, 2026 (SHA-256 " in old
    assert f"2, in force from April 20, 2026 (SHA-256 {own.sha256[:12]}), with release 1 of what all" in new
    assert first.report_id in new
    assert again.report_id not in old


def test_a_report_of_files_prints_no_release(lite_world: World) -> None:
    land = advised_land(lite_world)
    made = reporting.draft(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish())
    card = made.card.model_copy(update={"tables_release": None})
    page = build_report(made.advice, card)
    assert "tables_release" not in card.model_dump_json()
    assert "Release of these tables" not in html(page)


def test_a_card_file_names_no_release(tmp_path: Path) -> None:
    text = (demo_directory() / "laboratory.yaml").read_text("utf-8")
    path = tmp_path / "laboratory.yaml"
    path.write_text(f"{text}\ntables_release: 1\n", "utf-8")
    with pytest.raises(FurrowsliceError, match="'tables_release' is not part of a laboratory card"):
        read_laboratory(path)


# ----------------------------------------------------------------------------------- pages and programs


def test_a_report_says_what_it_was_made_from_and_that_a_newer_release_is_in_force(
    lite_world: World, quick: None
) -> None:
    land = advised_land(lite_world)
    visit, agent = land.visits[0], lite_world.caller("agent")
    first = issue(lite_world.site, agent, visit, Wish(language="es", units="us", paper="letter"))
    client = lite_world.client("agent")
    page = client.get(f"/reports/{first.id}").text
    own = lite_world.site.in_force().releases[REGION].id
    assert f'<a href="/tables/releases/{own}">release 1 of Marrowdale, in force from April 20, 2026' in page
    assert "has been in force since" not in page
    added = released(lite_world)
    page = client.get(f"/reports/{first.id}").text
    assert "Release 2 of Marrowdale has been in force since April 20, 2026." in page
    query = f"language=es&amp;units=us&amp;paper=letter&amp;replaces={first.report_id}"
    assert f'<a href="/visits/{visit}/report?{query}">' in page
    told = program(lite_world, "agent").get(f"/api/v1/reports/{first.id}").json()
    assert (told["region_release_id"], told["shared_release_id"]) == (own, first.shared_release_id)

    again = issue(lite_world.site, agent, visit, Wish(replaces=first.report_id))
    assert again.region_release_id == added
    for report in (first, again):  # the one was replaced, the other is made from the newest
        assert "has been in force since" not in client.get(f"/reports/{report.id}").text


def test_a_release_of_later_is_no_reason_to_look_again(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    site, caller = lite_world.site, lite_world.caller("agronomist")
    first = issue(site, lite_world.caller("agent"), land.visits[0], Wish())
    draft, day = changed(lite_world), START.date() + timedelta(days=5)
    sha256 = reviewing.submit(site, caller, draft, desk(site, caller, draft).revision, "Trials.", day)
    reviewing.approve(site, lite_world.caller("reviewer"), draft, sha256)
    reviewing.publish(site, caller, draft, sha256)
    client, path = lite_world.client("agent"), f"/reports/{first.id}"
    assert "has been in force since" not in client.get(path).text
    lite_world.clock.move(days=5)
    assert "Release 2 of Marrowdale has been in force since" in lite_world.client("agent").get(path).text


def test_a_report_older_than_releases_says_so(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    first = issue(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish())
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.report.update().values(region_release_id=None, shared_release_id=None))
    page = lite_world.client("agent").get(f"/reports/{first.id}").text
    assert "Issued before releases of the tables were kept." in page
    told = program(lite_world, "agent").get(f"/api/v1/reports/{first.id}").json()
    assert (told["region_release_id"], told["shared_release_id"]) == (None, None)


def test_what_a_new_report_would_change_is_shown_before_it_is_issued(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    visit, client = land.visits[0], lite_world.client("agent")
    first = issue(lite_world.site, lite_world.caller("agent"), visit, Wish())
    address = f"/visits/{visit}/report?replaces={first.report_id}"
    same = client.get(address).text
    assert f"What would differ from report {first.report_id}" in same
    assert "values and amounts would differ, nor any class." in same
    released_again(lite_world, "20")  # 22 mg/kg was medium, and is high now
    page = client.get(address).text
    assert "Tables that are new or say something else now: " in page
    row = '<tr><th scope="row">Phosphorus: class</th><td>East</td><td>{}</td><td>{}</td></tr>'
    assert row.format("medium (22 ± 1 mg/kg)", "high (22 ± 1 mg/kg)") in page
    assert "Phosphate (P₂O₅): amount</th><td>East</td><td>55 kg/ha</td><td>30 kg/ha" in page
    assert "pH: class" not in page
    add_value(lite_world, land.samples[0], ("Zn", "Zn", "zn-dtpa", "mg/kg", "air-dry"), 0.4)
    assert "<td>not there</td>" in client.get(address).text


def test_nothing_is_compared_where_nothing_is_replaced(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    page = lite_world.client("agent").get(f"/visits/{land.visits[0]}/report").text
    assert "What would differ" not in page
