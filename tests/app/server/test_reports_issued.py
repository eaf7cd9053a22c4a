"""Reports: previewed to the byte, issued once, replaced and never changed."""

from __future__ import annotations

import hashlib
import threading
from typing import Any

import pytest
import sqlalchemy as sa

from reports.build import build_report
from service.actions import advising, privacy, reporting
from service.actions.papers import TypedValue, type_values
from service.actions.reporting import Wish, draft, drawn, issue
from service.callers import operator
from service.refusals import Conflict, Invalid, NotAllowed, NotFound, Unavailable
from service.store import schema
from tests.app.server.conftest import World
from tests.app.server.land import P, add_field, add_value, add_visit, advised_land
from tests.app.server.tokens import program


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawing stands for itself elsewhere; here it says what would be drawn."""
    monkeypatch.setattr(
        reporting, "pdf", lambda page, paper: f"%PDF {paper} {page.language} {page.attachment}".encode()
    )


def rows(world: World, table: sa.Table) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(table).order_by(*table.primary_key)))


def test_what_is_previewed_is_what_is_issued_to_the_byte(lite_world: World) -> None:
    land = advised_land(lite_world)
    client = lite_world.client("agent")
    path = f"/visits/{land.visits[0]}"
    desk = client.get(f"{path}/report").text
    seen = draft(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish()).card.report_id
    assert f'name="seen" value="{seen}"' in desk
    preview = client.get(f"{path}/report.pdf?language=en&units=metric&paper=a4&replaces=")
    assert preview.headers["content-type"] == "application/pdf"
    assert preview.headers["content-disposition"] == 'inline; filename="TC-1.preview.pdf"'
    assert preview.content.startswith(b"%PDF-")
    assert rows(lite_world, schema.report) == []
    form = {"form_token": lite_world.form_token(client), "language": "en", "units": "metric", "paper": "a4"}
    issued = client.post(f"{path}/report", data=form | {"seen": seen})
    assert issued.status_code == 303, issued.text
    (report,) = rows(lite_world, schema.report)
    assert issued.headers["location"] == f"/reports/{report.id}?done=reports.done-issued"
    download = client.get(f"/reports/{report.id}/pdf")
    assert download.content == preview.content
    assert hashlib.sha256(download.content).hexdigest() == report.document_sha256
    assert download.headers["content-disposition"] == f'attachment; filename="TC-1.{seen}.pdf"'


def test_a_report_keeps_what_it_was_made_from(world: World, quick: None) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    advising.set_comment(world.site, agent, land.visits[0], 1, "Lime in the autumn.")
    made = issue(world.site, agent, land.visits[0], Wish(language="es", units="us", paper="letter"))
    (report,) = rows(world, schema.report)
    assert (report.report_id, report.language, report.units, report.paper) == (
        made.report_id, "es", "us", "letter"
    )  # fmt: skip
    assert (report.crop, report.issued_by, report.tables_sha256) == (
        "maize",
        "Agent",
        world.site.in_force().digest_for("marrowdale"),
    )
    assert report.issued_on == world.clock.at.date()
    assert (report.card["agent_name"], report.card["agent_comment"]) == ("Agent", "Lime in the autumn.")
    assert report.card["report_id"] == made.report_id
    assert report.advice["results"][0]["origin"] == "run BR-0412"
    (document,) = rows(world, schema.document)
    assert document.content.startswith(b"%PDF letter es")
    line = rows(world, schema.audit)[-1]
    assert (line.verb, line.kind, line.object_id) == ("issue", "report", str(report.id))
    assert "Marlowe" not in str(line.after)


def test_later_changes_do_not_reach_an_issued_report(world: World, quick: None) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    made = issue(world.site, agent, land.visits[0], Wish())
    before = reporting.document(world.site, agent, made.id)[1]
    advising.set_plan(world.site, agent, land.visits[0], 1, advising.Plan(crop="potato"))
    assert reporting.document(world.site, agent, made.id)[1] == before
    assert reporting.advice(world.site, agent, made.id)["crop"] == "maize"


def test_a_second_report_of_a_crop_replaces_the_first_by_name(world: World, quick: None) -> None:
    land = advised_land(world)
    agent, visit = world.caller("agent"), land.visits[0]
    first = issue(world.site, agent, visit, Wish())
    with pytest.raises(Conflict, match=f"already: {first.report_id}"):
        issue(world.site, agent, visit, Wish(language="es"))
    with pytest.raises(Invalid, match="no report NONE"):
        issue(world.site, agent, visit, Wish(replaces="NONE"))
    second = issue(world.site, agent, visit, Wish(language="es", replaces=first.report_id))
    assert (second.replaces, second.replaces_report) == (first.id, first.report_id)
    assert reporting.one(world.site, agent, first.id).replaced_by == second.id
    assert rows(world, schema.report)[1].card["replaces"] == first.report_id  # and it is printed
    with pytest.raises(Invalid, match="left to replace"):  # a report is replaced once
        issue(world.site, agent, visit, Wish(replaces=first.report_id))
    assert len(rows(world, schema.report)) == 2


def test_a_report_for_another_crop_stands_beside_the_first(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    agent, visit = lite_world.caller("agent"), land.visits[0]
    issue(lite_world.site, agent, visit, Wish())
    advising.set_plan(lite_world.site, agent, visit, 1, advising.Plan(crop="potato"))
    second = issue(lite_world.site, agent, visit, Wish())
    assert second.replaces is None
    assert len(reporting.desk(lite_world.site, agent, visit).standing) == 2


@pytest.mark.parametrize("what", ["value", "plan", "day", "comment"])
def test_what_has_changed_since_it_was_looked_at_is_not_issued(
    lite_world: World, quick: None, what: str
) -> None:
    land = advised_land(lite_world)
    agent, visit = lite_world.caller("agent"), land.visits[0]
    seen = draft(lite_world.site, agent, visit, Wish()).card.report_id
    if what == "value":
        add_value(lite_world, land.samples[0], ("P", "P", "olsen-1:20-colour", "mg/kg", "air-dry"), 14.0)
    elif what == "plan":
        advising.set_plan(lite_world.site, agent, visit, 1, advising.Plan(crop="maize", yield_goal=9.0))
    elif what == "comment":
        advising.set_comment(lite_world.site, agent, visit, 1, "new")
    else:
        lite_world.clock.move(hours=24)
    with pytest.raises(Conflict, match="has changed since you looked"):
        issue(lite_world.site, agent, visit, Wish(), seen)
    assert rows(lite_world, schema.report) == []


def test_a_value_released_while_the_report_is_drawn_stops_it(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    land = advised_land(world)

    def late(_page: object, _paper: str) -> bytes:
        add_value(world, land.samples[0], ("P", "P", "olsen-1:20-colour", "mg/kg", "air-dry"), 14.0)
        return b"%PDF"

    monkeypatch.setattr(reporting, "pdf", late)
    with pytest.raises(Conflict, match="has changed"):
        issue(world.site, world.caller("agent"), land.visits[0], Wish())
    assert rows(world, schema.report) == rows(world, schema.document) == []


def test_nothing_to_report_is_said_in_words(lite_world: World) -> None:
    land = add_field(lite_world)
    add_visit(lite_world, land)
    with pytest.raises(Invalid, match="nothing to report yet"):
        issue(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish())
    page = lite_world.client("agent").get(f"/visits/{land.visits[0]}/report")
    assert (page.status_code, "nothing to report yet" in page.text) == (422, True)
    assert 'name="seen"' not in page.text


def test_reports_are_seen_and_issued_within_ones_scope(world: World, quick: None) -> None:
    land = advised_land(world)
    made = issue(world.site, world.caller("laboratory"), land.visits[0], Wish())
    for person in ("other-agent", "other-laboratory"):
        caller = world.caller(person)
        for act in (
            lambda c: reporting.one(world.site, c, made.id),
            lambda c: reporting.document(world.site, c, made.id),
            lambda c: issue(world.site, c, land.visits[0], Wish()),
            lambda c: draft(world.site, c, land.visits[0], Wish()),
        ):
            with pytest.raises(NotFound):
                act(caller)
        assert reporting.find(world.site, caller, "")[0] == ()
        assert reporting.after(world.site, caller, 0, 10) == ()
    with pytest.raises(NotAllowed):
        reporting.find(world.site, world.caller("agronomist"), "")


def test_reports_are_found_by_identity_field_and_grower(world: World, quick: None) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    made = issue(world.site, agent, land.visits[0], Wish())
    for search in (made.report_id, made.report_id[:6].lower(), "long mead", "marlowe", ""):
        assert [each.id for each in reporting.find(world.site, agent, search)[0]] == [made.id], search
    for search in ("ZZZZ-0", "prado", "\x00x"):
        assert reporting.find(world.site, agent, search)[0] == ()


def test_one_report_is_drawn_at_a_time_and_few_wait(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    land = advised_land(lite_world)
    made = draft(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish())
    begun, go_on = threading.Event(), threading.Event()

    def slow(_page: object, _paper: str) -> bytes:
        begun.set()
        go_on.wait(20)
        return b"%PDF"

    monkeypatch.setattr(reporting, "pdf", slow)
    monkeypatch.setattr(reporting, "SECONDS_TO_WAIT", 0.01)
    first = threading.Thread(target=drawn, args=(made,))
    first.start()
    assert begun.wait(20)
    with pytest.raises(Unavailable, match="many reports are being drawn"):
        drawn(made)  # the press is taken, and this one has waited long enough
    monkeypatch.setattr(reporting, "_queue", threading.BoundedSemaphore(1))
    assert reporting._queue.acquire(blocking=False)
    with pytest.raises(Unavailable):
        drawn(made)  # the queue is full, and this one does not wait at all
    go_on.set()
    first.join(20)
    assert not first.is_alive()


# ---------------------------------------------------------------------------------------------- pages


def test_the_desk_asks_whether_the_earlier_report_is_replaced(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    agent = lite_world.caller("agent")
    first = issue(lite_world.site, agent, land.visits[0], Wish())
    client = lite_world.client("agent")
    path = f"/visits/{land.visits[0]}/report"
    desk = client.get(f"{path}?language=es").text
    assert f'<option value="{first.report_id}" selected>' in desk
    assert f"It says that it replaces {first.report_id}" in desk
    refused = client.get(f"{path}?replaces=")
    assert (refused.status_code, "already" in refused.text, 'name="seen"' in refused.text) == (
        422,
        True,
        False,
    )
    form = {"form_token": lite_world.form_token(client), "language": "es", "units": "metric", "paper": "a4"}
    done = client.post(path, data=form | {"replaces": first.report_id})
    assert done.status_code == 303
    assert "This report was replaced by" in client.get(f"/reports/{first.id}").text
    wrong = client.post(path, data=form | {"paper": "a0", "replaces": ""})
    assert (wrong.status_code, 'id="e-paper"' in wrong.text) == (422, True)


def test_a_comment_is_stored_with_its_version_and_kept_out_of_addresses(lite_world: World) -> None:
    land = advised_land(lite_world)
    client = lite_world.client("agent")
    path = f"/visits/{land.visits[0]}"
    form = {"form_token": lite_world.form_token(client), "version": "1", "language": "es"}
    done = client.post(f"{path}/comment", data=form | {"comment": "For E. Rowe:\r\nlime <first>"})
    assert done.headers["location"] == f"{path}/report?language=es&done=reports.done-taken-over"
    assert "lime &lt;first&gt;" in client.get(f"{path}/report").text
    assert client.post(f"{path}/comment", data=form | {"comment": "again"}).status_code == 409
    assert (
        client.post(f"{path}/comment", data=form | {"version": "2", "comment": "x" * 4001}).status_code == 422
    )


def test_a_link_for_the_grower_is_shown_once(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    made = issue(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish())
    client = lite_world.client("agent")
    page = client.post(f"/reports/{made.id}/link", data={"form_token": lite_world.form_token(client)})
    assert "https://soil.example/r/" in page.text
    assert "/r/" not in client.get(f"/reports/{made.id}").text.replace("/reports/", "")


def test_the_link_of_a_replaced_report_says_so(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    agent, grower = lite_world.caller("agent"), lite_world.client()
    first = issue(lite_world.site, agent, land.visits[0], Wish())
    path = privacy.report_link(lite_world.site, agent, first.id)
    assert "replaces this one" not in grower.get(path).text
    second = issue(lite_world.site, agent, land.visits[0], Wish(replaces=first.report_id))
    assert f"A newer report, {second.report_id}, replaces this one." in grower.get(path).text
    newer = grower.get(privacy.report_link(lite_world.site, agent, second.id)).text
    assert (second.report_id in newer, "replaces this one" in newer) == (True, False)


def test_the_list_of_reports_says_which_stand(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    agent = lite_world.caller("agent")
    first = issue(lite_world.site, agent, land.visits[0], Wish())
    issue(lite_world.site, agent, land.visits[0], Wish(replaces=first.report_id))
    page = lite_world.client("agent").get("/reports").text
    assert page.count('class="state replaced"') == page.count('class="state issued"') == 1
    assert "No report of yours" in lite_world.client("agent").get("/reports?search=zzz").text


# ------------------------------------------------------------------------------------------------ API


def test_programs_issue_follow_and_download(lite_world: World, quick: None) -> None:
    land = advised_land(lite_world)
    asking = program(lite_world, "agent")
    path = f"/api/v1/visits/{land.visits[0]}/reports"
    first = asking.post(path, json={})
    assert first.status_code == 201, first.text
    assert asking.post(path, json={}).status_code == 409
    assert asking.post(path, json={"paper": "a0"}).json()["errors"][0]["pointer"] == "#/paper"
    second = asking.post(path, json={"replaces": first.json()["report_id"], "language": "es"}).json()
    feed = asking.get("/api/v1/reports/feed?limit=1").json()
    assert ([each["id"] for each in feed["items"]], feed["next"]) == (
        [first.json()["id"]],
        first.json()["id"],
    )
    rest = asking.get(f"/api/v1/reports/feed?after={feed['next']}").json()
    assert ([each["id"] for each in rest["items"]], rest["next"]) == ([second["id"]], None)
    assert asking.get(f"/api/v1/reports/feed?after={second['id']}").json()["items"] == []
    one = asking.get(f"/api/v1/reports/{first.json()['id']}").json()
    assert (one["replaced_by"], one["crop"]) == (second["id"], "maize")
    assert asking.get(f"/api/v1/reports/{second['id']}/advice").json()["field_id"] == "TC-1"
    pdf = asking.get(f"/api/v1/reports/{second['id']}/pdf")
    assert (pdf.headers["content-type"], pdf.content[:4]) == ("application/pdf", b"%PDF")
    assert program(lite_world, "other-agent").get(f"/api/v1/reports/{second['id']}/pdf").status_code == 404
    assert asking.get("/api/v1/reports?search=marlowe&limit=1").json()["next"] == first.json()["id"]


def test_a_value_from_paper_is_named_on_the_report(lite_world: World) -> None:
    land = add_field(lite_world)
    add_visit(lite_world, land)
    add_value(lite_world, land.samples[0], P, 9.0, origin="Fenwater Laboratory, paper 77-1")
    made = draft(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish())
    page = build_report(made.advice, made.card)
    assert "Fenwater Laboratory, paper 77-1" in {cell for row in page.results.rows for cell in row}


def test_what_was_typed_and_not_yet_looked_at_is_taken_over_before_anything_is_issued(
    lite_world: World, quick: None
) -> None:
    land = advised_land(lite_world)
    client = lite_world.client("agent")
    path = f"/visits/{land.visits[0]}/report"
    form = {
        "form_token": lite_world.form_token(client), "version": "1", "language": "en", "units": "metric",
        "paper": "a4", "replaces": "", "shown": "language=en&units=metric&paper=a4&replaces=",
        "seen": draft(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish()).card.report_id,
    }  # fmt: skip
    assert form["shown"].replace("&", "&amp;") in client.get(path).text

    spanish = client.post(path, data=form | {"language": "es", "comment": "Call first."})
    assert spanish.headers["location"] == (
        f"{path}?language=es&units=metric&paper=a4&replaces=&done=reports.done-taken-over"
    )
    assert rows(lite_world, schema.report) == []
    desk = client.get(spanish.headers["location"]).text
    assert ("Call first." in desk, '<option value="es" selected>' in desk) == (True, True)

    only_typed = client.post(path, data=form | {"version": "2", "comment": "Call first!"})
    assert only_typed.headers["location"].endswith("&done=reports.done-taken-over")
    assert rows(lite_world, schema.report) == []
    same = client.post(path, data=form | {"version": "3", "seen": "", "comment": "Call first!"})
    assert same.headers["location"].endswith("?done=reports.done-issued")
    (report,) = rows(lite_world, schema.report)
    assert report.card["agent_comment"] == "Call first!"


def test_a_report_says_that_values_came_after_it(world: World, quick: None) -> None:
    land = advised_land(world)
    site, agent, visit = world.site, world.caller("agent"), land.visits[0]
    first, client = issue(site, agent, visit, Wish()), world.client("agent")
    assert "what it advises may no longer hold" not in client.get(f"/reports/{first.id}").text
    world.clock.move(minutes=5)
    typed = TypedValue(
        sample="004811", analyte="P", form="P", method="olsen-1:20-colour", value="14", unit="mg/kg",
        basis="air-dry",
    )  # fmt: skip
    type_values(site, agent, visit, [typed], "Fenwater 77")
    page = client.get(f"/reports/{first.id}").text
    assert "what it advises may no longer hold" in page
    assert f'<a href="/visits/{visit}">Look at the advice as it is now</a>' in page
    second = issue(site, agent, visit, Wish(replaces=first.report_id))
    for report in (first, second):  # the one was replaced, the other knows them
        assert "what it advises may no longer hold" not in client.get(f"/reports/{report.id}").text
