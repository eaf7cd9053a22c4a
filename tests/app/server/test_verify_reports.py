"""Reports checked against the database that issued them: on the command line, by programs, on the page."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import sqlalchemy as sa

from reports.render import Paper, pdf
from reports.view import GrowerReport
from service.actions import reporting, verifying
from service.actions.privacy import erase_grower
from service.actions.reportdocument import schema as data_schema
from service.actions.reporting import Wish, issue
from service.actions.reportinputs import page_of
from service.actions.verifying import Verified, verify
from service.callers import operator
from service.refusals import NotAllowed
from service.store import schema
from service.web.findings import sentence
from service.web.templates import words
from tests.app.server.conftest import World
from tests.app.server.land import add_value, advised_land
from tests.app.server.tokens import program
from tests.app.tampering import changed, data_in, forged, with_data
from tests.app.test_command_line import Command, command

__all__ = ["command"]  # the fixture

BRAY = "marrowdale/phosphorus-bray1"


def issued(world: World) -> tuple[int, str, bytes]:
    """A report as the server issued it: its id, its number, its file."""
    land = advised_land(world)
    row = issue(world.site, world.caller("agent"), land.visits[0], Wish())
    return row.id, row.report_id, reporting.document(world.site, world.caller("agent"), row.id)[1]


def said(found: Verified) -> list[str]:
    return [sentence(words("en"), each) for each in found.findings]


def keys(world: World, content: bytes) -> list[str]:
    return [each.key for each in verify(content, world.site, operator()).findings]


def lower(records: dict[str, Any]) -> None:
    records["scales"][BRAY]["classes"][1]["from"] = 1.0


def test_an_issued_report_holds_and_the_database_vouches_for_it(world: World) -> None:
    _, number, content = issued(world)
    for caller in (operator(), world.caller("laboratory"), world.caller("agent")):
        found = verify(content, world.site, caller)
        assert (found.outcome, said(found), found.report_id) == ("holds", [], number)
        assert [each.key for each in found.confirmed] == [
            "data-hold", "same-bytes", "issued", "tables-published"
        ]  # fmt: skip
        assert found.remarks == ()
    jsonschema.Draft202012Validator(data_schema()).validate(data_in(content))


def test_a_report_that_this_program_draws_otherwise_holds_where_the_database_knows_the_very_file(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, _, content = issued(lite_world)
    genuine = verifying.press

    def otherwise(page: GrowerReport, paper: Paper) -> bytes:
        return genuine(replace(page, end="That is all."), paper)

    monkeypatch.setattr(verifying, "press", otherwise)
    found = verify(content, lite_world.site, operator())
    assert (found.outcome, said(found)) == ("holds", [])
    assert [each.key for each in found.remarks] == ["drawn-otherwise"]
    assert sentence(words("en"), found.remarks[0]).startswith(
        "This program draws the pages otherwise than on the day of issue"
    )
    assert "same-bytes" not in [each.key for each in found.confirmed]
    alone = verify(content)  # the file may have been changed, for all that it says itself
    assert alone.outcome == "differs"


def test_its_preview_was_never_issued(lite_world: World) -> None:
    land = advised_land(lite_world)
    made = reporting.draft(lite_world.site, lite_world.caller("agent"), land.visits[0], Wish())
    found = verify(reporting.drawn(made), lite_world.site, operator())
    assert said(found) == [
        f"The database holds no report {made.card.report_id} that you may see: this server did not issue it."
    ]


def test_a_report_forged_as_a_whole_is_found_by_its_tables_and_its_bytes(lite_world: World) -> None:
    _, number, content = issued(lite_world)
    false = forged(content, lower)
    assert verify(false).outcome == "holds"
    assert said(verify(false, lite_world.site, operator())) == [
        f"The database holds report {number}, but another file of it: these are not the bytes that were "
        "issued.",
        f"scales/{BRAY} in the file's tables is not as it was published in the release that the report "
        "names.",
    ]


def test_tables_that_were_added_or_left_out_are_found(lite_world: World) -> None:
    _, _, content = issued(lite_world)

    def without(records: dict[str, Any]) -> None:
        del records["scales"]["marrowdale/zinc"]

    def more(records: dict[str, Any]) -> None:
        again = records["scales"][BRAY] | {"id": "marrowdale/own", "depth_cm": [90, 95]}
        records["scales"]["marrowdale/own"] = again

    assert keys(lite_world, forged(content, without)) == ["other-file", "record-missing"]
    assert keys(lite_world, forged(content, more)) == ["other-file", "record-added"]


def test_a_release_that_was_never_published_is_found(lite_world: World) -> None:
    _, _, content = issued(lite_world)

    def another(data: dict[str, Any]) -> None:
        data["inputs"]["card"]["tables_release"]["sha256"] = "0" * 64

    assert "no-such-release" in keys(lite_world, with_data(content, another))


def test_the_same_content_in_other_bytes_is_not_what_was_issued(lite_world: World) -> None:
    _, _, content = issued(lite_world)
    again = changed(content, lambda opened: None)
    assert verify(again).outcome == "holds"
    assert keys(lite_world, again) == ["other-file"]


def test_a_report_whose_data_were_taken_out_is_recognised(lite_world: World) -> None:
    _, number, content = issued(lite_world)

    def bare(opened: Any) -> None:
        del opened.attachments["soil-report.json"]

    found = verify(changed(content, bare), lite_world.site, operator())
    assert found.outcome == "differs"
    assert said(found) == [
        f"The pages name report {number}, which this server issued, and the data of the report were taken "
        "out of the file."
    ]


def test_a_replaced_report_still_holds_and_names_the_newer_one(lite_world: World) -> None:
    _, number, content = issued(lite_world)
    agent = lite_world.caller("agent")
    with lite_world.site.database.look(operator(), None) as look:
        visit, sample = look.connection.execute(
            sa.select(schema.sample.c.sampling_id, schema.sample.c.id)
        ).first()
    add_value(lite_world, sample, ("Zn", "Zn", "zn-dtpa", "mg/kg", "air-dry"), 0.9)
    newer = issue(lite_world.site, agent, visit, Wish(replaces=number))
    found = verify(content, lite_world.site, agent)
    assert found.outcome == "holds"
    assert [sentence(words("en"), each) for each in found.remarks] == [
        f"A newer report replaces this one: {newer.report_id}."
    ]
    _, now = reporting.document(lite_world.site, agent, newer.id)
    assert data_in(now)["prov:wasRevisionOf"]["label"] == f"report {number}"


def test_an_erased_report_is_told(lite_world: World) -> None:
    _, number, content = issued(lite_world)
    with lite_world.site.database.look(operator(), None) as look:
        grower = look.connection.scalar(sa.select(schema.grower.c.id))
    erase_grower(lite_world.site, lite_world.caller("agent"), grower)
    found = verify(content, lite_world.site, lite_world.caller("agent"))
    assert found.outcome == "holds"
    assert f"What report {number} said was erased" in sentence(words("en"), found.remarks[0])


def test_nobody_learns_of_reports_that_are_not_theirs(lite_world: World) -> None:
    _, _, content = issued(lite_world)
    for person in ("other-laboratory", "other-agent"):
        assert [
            each.key for each in verify(content, lite_world.site, lite_world.caller(person)).findings
        ] == ["not-issued"]
    with pytest.raises(NotAllowed):
        verify(content, lite_world.site, lite_world.caller("agronomist"))


def test_the_command_line_asks_a_server_s_database(
    lite_world: World, command: Command, tmp_path: Path
) -> None:
    _, number, content = issued(lite_world)
    (tmp_path / "sound.pdf").write_bytes(content)
    (tmp_path / "false.pdf").write_bytes(forged(content, lower))
    database = ("--database-url", lite_world.site.settings.url)
    done = command("verify", tmp_path / "sound.pdf", *database)
    assert (done.status, "= The database holds this very file: issued on 2026-04-20" in done.out) == (0, True)
    done = command("verify", tmp_path / "false.pdf", *database)
    assert done.status == 1
    assert f"x scales/{BRAY} in the file's tables is not as it was published" in done.out
    assert f"x The database holds report {number}, but another file of it" in done.out
    assert command("verify", tmp_path / "false.pdf").status == 0


def test_a_report_of_the_first_format_is_vouched_for_by_its_bytes(lite_world: World) -> None:
    """One that was issued before reports carried what they are made from."""
    land = advised_land(lite_world)
    agent = lite_world.caller("agent")
    made = reporting.draft(lite_world.site, agent, land.visits[0], Wish())
    plain = {"format": "furrowslice-field-report-1", "laboratory": made.card.model_dump(mode="json")}
    plain |= {"advice": made.advice.model_dump(mode="json")}
    page = replace(page_of(made.inputs, made.advice, made.in_force.tables), attachment=json.dumps(plain))
    content = pdf(page, "a4")
    with lite_world.site.database.change(agent, None) as change:
        reporting.issued_in(change, made, content)
    found = verify(content, lite_world.site, agent)
    assert (found.outcome, [each.key for each in found.remarks]) == ("holds", ["old"])
    assert verify(content).outcome == "not-checked"
    assert keys(lite_world, changed(content, lambda opened: None)) == ["other-file"]
    with lite_world.site.database.look(operator(), None) as look:
        grower = look.connection.scalar(sa.select(schema.grower.c.id))
    erase_grower(lite_world.site, agent, grower)  # then any file could bear the number
    found = verify(content, lite_world.site, agent)
    assert (found.outcome, [each.key for each in found.findings]) == ("not-checked", ["erased"])
    assert [each.key for each in found.remarks] == ["old"]


def test_programs_and_pages_say_the_same(lite_world: World) -> None:
    _, number, content = issued(lite_world)
    false = with_data(content, lambda data: data["advice"]["results"][0].update(class_name="excellent"))
    asking = program(lite_world, "laboratory")
    whole = asking.post("/api/v1/verify", files={"file": ("r.pdf", content, "application/pdf")}).json()
    assert (whole["outcome"], whole["report_id"], whole["findings"]) == ("holds", number, [])
    told = asking.post("/api/v1/verify", files={"file": ("r.pdf", false, "application/pdf")}).json()
    assert told["outcome"] == "differs"
    assert told["findings"][0]["says"].startswith("Class of 004811 North, ")
    client = lite_world.client("agent")
    assert "Check a report" in client.get("/check-report").text
    form = {"form_token": lite_world.form_token(client)}
    good = client.post(
        "/check-report", data=form, files={"file": ("<b>.pdf", content, "application/pdf")}
    ).text
    assert "The file holds." in good
    assert "&lt;b&gt;.pdf" in good
    assert number in good
    bad = client.post("/check-report", data=form, files={"file": ("r.pdf", false, "application/pdf")}).text
    assert "Something in this file is not as it should be." in bad
    assert "the data say excellent" in bad
    none = client.post("/check-report", data=form, files={"file": ("r.pdf", b"%PDF-1.7", "application/pdf")})
    assert "The PDF is damaged." in none.text
    client.post("/me/language", data=form | {"language": "es"})
    assert "El archivo es correcto." in client.post("/check-report", data=form, files={"file": content}).text
