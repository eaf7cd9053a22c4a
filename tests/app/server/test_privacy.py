"""A grower's data told and erased, and the links by which growers open a report."""

from __future__ import annotations

import io
import json
from datetime import date
from pathlib import Path
from typing import Any

import pikepdf
import pytest
import sqlalchemy as sa

from service.actions import myself, privacy
from service.callers import operator
from service.refusals import Conflict, NotAllowed, NotFound
from service.store import privacy as privacy_store
from service.store import schema
from service.store.database import Change, Look
from tests.app.server.conftest import World

# Each of these must be nowhere afterwards.
NAME, ADDRESS, TELEPHONE, EMAIL = "Ruž Ellery", "7 Sedge Lane\nFord", "555-0147", "ruz@ellery.example"
COPY_TO, CODE = "dealer@stores.example", "CL-77"
FARM, FIELD, FIELD_CODE, LABEL = "Ellerys' Bottom", "Gatepost Nine", "ELLERY-9", "by the crooked oak"
COMMENT, TESTS = "Ruž asked about the crooked oak", "ask Ruž"
TILLAGE = "as the neighbour ploughs"
GONE = (
    NAME, "Ellery", "7 Sedge Lane", TELEPHONE, EMAIL, COPY_TO, CODE, FARM, FIELD, FIELD_CODE, LABEL,
    COMMENT, TESTS, TILLAGE, "m-1@soil.example",
    "12.3456", "54.3211",
)  # fmt: skip


def add(world: World, table: sa.Table, **values: object) -> int:
    with world.site.database.housekeeping(operator()) as look:
        if "id" not in table.c:
            look.connection.execute(table.insert().values(values))
            return 0
        row: int = look.connection.execute(table.insert().values(values).returning(table.c.id)).scalar_one()
        return row


def keep_grower(
    world: World, county: str | None = "upper", name: str = NAME, tail: str = ""
) -> dict[str, int]:
    """A grower with a farm, a field, a visit, a sample, a value, a report with a PDF,
    and changes about them."""
    a, at = world.laboratories["a"], world.clock.at
    ids = {}
    ids["grower"] = add(
        world, schema.grower, laboratory_id=a, code=CODE + tail, name=name, address=ADDRESS,
        telephone=TELEPHONE,
        email=EMAIL, mail_consent=True, copy_to=COPY_TO, copy_consent=True, created_at=at,
    )  # fmt: skip
    ids["farm"] = add(world, schema.farm, grower_id=ids["grower"], name=FARM)
    ids["field"] = add_field(world, ids["farm"], county, FIELD_CODE + tail)
    ids["sampling"] = add(
        world, schema.sampling, field_id=ids["field"], sampled_on=date(2026, 4, 1), crop="maize",
        other_crops=[],
        comment=COMMENT, tests_wanted=TESTS, tillage=TILLAGE, registered_at=at, registered_by="Agent",
    )  # fmt: skip
    ids["sample"] = add(
        world, schema.sample, laboratory_id=a, sampling_id=ids["sampling"], lab_number=f"26-00041{tail}",
        label=LABEL,
        depth_from_cm=0, depth_to_cm=15, sampled_on=date(2026, 4, 1), longitude=12.3456, latitude=54.3211,
    )  # fmt: skip
    ids["value"] = add(
        world, schema.soil_value, sample_id=ids["sample"], analyte="P", form="P", method="olsen", value=21.5,
        unit="mg/kg", basis="air-dry", origin="run", released_at=at, released_by="Laboratory",
    )  # fmt: skip
    sha256 = f"pdf of {name}{tail}"
    add(world, schema.document, sha256=sha256, content=f"%PDF {name}".encode(), created_at=at)
    advice = {
        "field_id": FIELD_CODE, "field_name": FIELD, "farm_name": FARM, "grower_name": name, "crop": "maize",
        "samples": [{"lab_number": "26-00041", "label": LABEL}], "results": [{"analyte": "P", "value": 21.5}],
        "notes": [{"key": "x", "values": {"who": f"near {FIELD}"}}],
    }  # fmt: skip
    card = {
        "name": "Quillwater", "customer_address": f"{name}, 7 Sedge Lane", "agent_comment": COMMENT,
        "sampled_by": name,
        "agent_name": "Agent",
    }  # fmt: skip
    ids["report"] = add(
        world, schema.report, laboratory_id=a, sampling_id=ids["sampling"], report_id=f"AAAA-BBBB-CCCC{tail}",
        issued_on=date(2026, 4, 20), issued_at=at, issued_by="Agent", crop="maize", language="es",
        units="metric",
        paper="a4", advice=advice, card=card, tables_sha256="t", document_sha256=sha256,
    )  # fmt: skip
    ids["delivery"] = add(
        world, schema.delivery, laboratory_id=a, report_id=ids["report"], reader="grower", round=1,
        way="link", address=EMAIL, language="es", state="refused", message_id="<m-1@soil.example>",
        reason=f"refused|550 no {NAME} here", planned_at=at, planned_by="Agent", ended_at=at,
    )  # fmt: skip
    ids["waiting"] = add(
        world, schema.delivery, laboratory_id=a, report_id=ids["report"], reader="copy", round=1, way="file",
        address=COPY_TO, language="es", state="waiting", planned_at=at, planned_by="Agent",
        message_id="<m-2@soil.example>", reason=COMMENT,
    )  # fmt: skip
    add(
        world, schema.delivery_try, delivery_id=ids["delivery"], at=at, what="refused",
        answer=f"550 no {NAME} here", by="mail",
    )  # fmt: skip
    with world.site.database.change(operator(a), None) as change:
        change.note("change", "field", ids["field"], {"name": FIELD, "crop": "maize"}, {"crop": "wheat"})
        change.note("tell", "letter", "1", None, {"to": [NAME]}, reason=f"{NAME} telephoned, not Ruž")
        change.note("change", "field", 999, {"name": FIELD})  # somebody else's field of the same name
    return ids


def add_field(world: World, farm_id: int, county: str | None, code: str) -> int:
    return add(
        world, schema.field, laboratory_id=world.laboratories["a"], farm_id=farm_id, code=code,
        code_folded=code.casefold(), name=FIELD, county_id=county, region="marrowdale", area_ha=4.5,
        outline={"type": "Polygon", "coordinates": [[[12.3456, 54.3211]]]}, created_at=world.clock.at,
    )  # fmt: skip


def dump(world: World, but: set[tuple[str, int]] = frozenset()) -> str:  # type: ignore[assignment]
    """Every column of every table as text; JSON as it reads, bytes as they are."""
    told = []
    with world.site.database.look(operator(), None) as look:
        for table in schema.metadata.sorted_tables:
            for row in look.connection.execute(sa.select(table)).mappings():
                if (table.name, row.get("id")) in but:
                    continue
                for name, value in row.items():
                    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else value
                    told.append(f"{table.name}.{name}={json.dumps(text, ensure_ascii=False, default=str)}")
    return "\n".join(told)


# ------------------------------------------------------------------------------------------- telling


def test_everything_kept_about_a_grower_is_told_and_nothing_of_others(world: World) -> None:
    ids = keep_grower(world)
    keep_grower(world, name="Another Grower", tail="2")
    privacy.report_link(world.site, world.caller("agent"), ids["report"])
    told = privacy.export_grower(world.site, world.caller("agent"), ids["grower"])
    written = json.loads(json.dumps(told))
    assert written["grower"]["name"] == NAME
    assert written["grower"]["copy_to"] == COPY_TO
    counts = {name: len(value) for name, value in written.items() if isinstance(value, list)}
    assert counts == {
        "farms": 1, "fields": 1, "visits": 1, "samples": 1, "soil_values": 1, "reports": 1, "report_links": 1,
        "changes": 3, "batch_items": 0, "deliveries": 2, "delivery_log": 1,
    }  # fmt: skip
    assert [line["verb"] for line in written["changes"]] == ["change", "make link", "export"]
    assert written["reports"][0]["advice"]["grower_name"] == NAME
    assert written["samples"][0]["longitude"] == 12.3456
    assert "token" not in json.dumps(written["report_links"])
    assert "Another" not in json.dumps(written)


def test_what_was_and_will_be_delivered_keeps_its_fate_alone(world: World) -> None:
    """That a report went, when and which way stays; where to, what was said of it and its name in logs go."""
    ids = keep_grower(world)
    keep_grower(world, name="Another Grower", tail="2")
    privacy.erase_grower(world.site, world.caller("agent"), ids["grower"])
    with world.site.database.look(operator(), None) as look:
        rows = look.connection.execute(sa.select(schema.delivery).order_by(schema.delivery.c.id)).all()
        log = look.connection.execute(sa.select(schema.delivery_try).order_by(schema.delivery_try.c.id)).all()
    assert [(row.state, row.reason, row.address, row.message_id) for row in rows[:2]] == [
        ("refused", "", "", ""), ("cancelled", "erased", "", ""),
    ]  # fmt: skip
    assert [row.address for row in rows[2:]] == [EMAIL, COPY_TO]  # somebody else's
    assert [(line.what, line.answer == "") for line in log] == [("refused", True), ("refused", False)]


def test_telling_is_kept_as_a_change(world: World) -> None:
    ids = keep_grower(world)
    privacy.export_grower(world.site, world.caller("agent"), ids["grower"])
    with world.site.database.look(operator(), None) as look:
        line = look.connection.execute(sa.select(schema.audit).order_by(sa.desc("id")).limit(1)).one()
    assert (line.verb, line.kind, line.object_id, line.after) == (
        "export",
        "grower",
        str(ids["grower"]),
        None,
    )


# ------------------------------------------------------------------------------------------- erasing


def test_nothing_says_who_the_grower_was_afterwards(world: World) -> None:
    ids = keep_grower(world)
    answer = json.dumps({"grower": NAME}).encode()  # kept for a program, with é as \\u00e9
    assert b"\\u" in answer
    add(
        world, schema.submission, account_id=world.people["agent"], key="k", request_sha256="s", status=200,
        content_type="application/json", answer=answer, created_at=world.clock.at,
    )  # fmt: skip
    privacy.report_link(world.site, world.caller("agent"), ids["report"])
    with world.site.database.look(operator(), None) as look:
        other = look.connection.execute(sa.select(schema.audit.c.id).where(schema.audit.c.object_id == "999"))
        others_line = {("audit", other.scalar_one())}
    before = dump(world)
    for text in GONE:
        assert json.dumps(text, ensure_ascii=False)[1:-1] in before, text  # the search finds what is there
    privacy.erase_grower(world.site, world.caller("agent"), ids["grower"])
    after = dump(world, but=others_line).casefold()
    for text in (*GONE, "Ruž asked", "ask Ruž", "Sedge"):
        assert json.dumps(text, ensure_ascii=False)[1:-1].casefold() not in after, text
    assert '"name": "gatepost nine"' in dump(world).casefold()  # somebody else's field keeps its name


def test_the_name_is_not_even_in_the_free_pages_of_the_file(lite_world: World) -> None:
    ids = keep_grower(lite_world)
    file = Path(str(lite_world.site.database.engine.url.database))
    _checkpoint(lite_world)
    assert NAME.encode() in file.read_bytes()
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.audit.delete().where(schema.audit.c.object_id == "999"))
    privacy.erase_grower(lite_world.site, lite_world.caller("agent"), ids["grower"])
    _checkpoint(lite_world)
    kept = file.read_bytes()
    for text in (NAME, "Sedge Lane", TELEPHONE, EMAIL, FIELD_CODE):
        assert text.encode() not in kept, text


def _checkpoint(world: World) -> None:
    with world.site.database.engine.connect() as connection:
        connection.connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)").close()


def test_what_the_laboratory_must_be_able_to_show_stays(world: World) -> None:
    ids = keep_grower(world)
    privacy.erase_grower(world.site, world.caller("agent"), ids["grower"])
    with world.site.database.look(operator(), None) as look:
        one = {
            table.name: look.connection.execute(sa.select(table)).mappings().one()
            for table in (schema.grower, schema.field, schema.sample, schema.soil_value, schema.report)
        }
        documents = dict(
            look.connection.execute(sa.select(schema.document.c.sha256, schema.document.c.content)).all()
        )
        lines = look.connection.execute(sa.select(schema.audit).order_by("id")).mappings().all()
    assert one["grower"]["erased_at"] == world.clock.at
    assert (one["grower"]["mail_consent"], one["grower"]["copy_consent"]) == (False, False)
    assert (one["field"]["county_id"], one["field"]["area_ha"], one["field"]["outline"]) == (
        "upper",
        4.5,
        None,
    )
    assert (one["sample"]["lab_number"], one["sample"]["depth_to_cm"]) == ("26-00041", 15)
    assert one["soil_value"]["value"] == 21.5
    report = one["report"]
    assert (report["report_id"], report["crop"], report["issued_by"]) == ("AAAA-BBBB-CCCC", "maize", "Agent")
    assert report["advice"]["results"] == [{"analyte": "P", "value": 21.5}]
    assert report["advice"]["samples"] == [{"lab_number": "26-00041", "label": ""}]
    assert report["card"]["name"] == "Quillwater"
    assert len(documents) == 2  # one page for each language
    with pikepdf.open(io.BytesIO(documents[report["document_sha256"]])) as page:
        assert str(page.Root.Lang) == "es"
    assert [line["verb"] for line in lines] == ["change", "tell", "change", "erase"]
    assert (lines[0]["before"], lines[0]["after"]) == ({"name": "erased", "crop": "maize"}, {"crop": "wheat"})
    assert (lines[1]["before"], lines[1]["after"]) == (None, {"to": ["erased"]})
    assert lines[3]["after"] == {"reports": 1}


def test_a_pdf_that_another_report_names_stays(world: World) -> None:
    ids = keep_grower(world)
    other = keep_grower(world, name="Another Grower", tail="2")
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.report.update().values(document_sha256=f"pdf of {NAME}"))
    privacy.erase_grower(world.site, world.caller("agent"), ids["grower"])
    with world.site.database.look(operator(), None) as look:
        kept = look.connection.execute(
            sa.select(schema.report.c.document_sha256).where(schema.report.c.id == other["report"])
        ).scalar_one()
        there = set(look.connection.scalars(sa.select(schema.document.c.sha256)))
    assert kept == f"pdf of {NAME}"
    assert kept in there


def test_erasing_twice_is_a_conflict_and_a_fault_on_the_way_erases_nothing(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    ids, agent = keep_grower(world), world.caller("agent")
    before = dump(world)

    def fail(*_: object) -> None:
        raise OSError("a fault")

    monkeypatch.setattr("service.store.privacy._erase_reports", fail)
    with pytest.raises(OSError, match="a fault"):
        privacy.erase_grower(world.site, agent, ids["grower"])
    assert dump(world) == before
    monkeypatch.undo()
    privacy.erase_grower(world.site, agent, ids["grower"])
    with pytest.raises(Conflict, match="was erased before"):
        privacy.erase_grower(world.site, agent, ids["grower"])


def test_lines_written_while_the_older_ones_were_read_are_scrubbed_too(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    ids, find = keep_grower(world), privacy_store.mentions

    def and_then_somebody_writes(look: Look, *rest: Any) -> privacy_store.Mentions:
        found = find(look, *rest)
        if not isinstance(look, Change):
            with world.site.database.change(operator(), None) as change:
                change.note("tell", "letter", "2", None, {"to": [NAME]})
        return found

    monkeypatch.setattr(privacy_store, "mentions", and_then_somebody_writes)
    privacy.erase_grower(world.site, world.caller("agent"), ids["grower"])
    assert NAME not in dump(world)


def test_a_short_name_takes_nothing_else_with_it(world: World) -> None:
    ids = keep_grower(world, name="Lee")
    with world.site.database.change(operator(), None) as change:
        change.note("tell", "letter", "2", None, {"about": "sleeves and Lee", "n": 3})
        change.note("tell", "letter", "3", None, {"about": "sleeves"})
    privacy.erase_grower(world.site, world.caller("agent"), ids["grower"])
    with world.site.database.look(operator(), None) as look:
        told = look.connection.scalars(
            sa.select(schema.audit.c.after).where(schema.audit.c.kind == "letter").order_by("id")
        ).all()
    assert told[1:] == [{"about": "sleeves and erased", "n": 3}, {"about": "sleeves"}]


def test_a_grower_with_nothing_but_a_name_is_erased_too(world: World) -> None:
    ids = keep_grower(world, name="")
    with world.site.database.housekeeping(operator()) as look:
        empty = {"address": "", "telephone": "", "email": "", "copy_to": "", "code": None}
        look.connection.execute(schema.grower.update().values(empty))
    privacy.erase_grower(world.site, world.caller("agent"), ids["grower"])
    assert FIELD.casefold() not in dump(world, but={("audit", 3)}).casefold()


# --------------------------------------------------------------------------------------- whose it is


@pytest.mark.parametrize("action", [privacy.show_kept, privacy.export_grower, privacy.erase_grower])
def test_half_a_grower_is_neither_told_nor_erased(world: World, action: object) -> None:
    assert callable(action)
    ids = keep_grower(world)
    for person in ("other-agent",):
        with pytest.raises(NotFound, match="there is no such grower"):
            action(world.site, world.caller(person), ids["grower"])
    for person in ("laboratory", "other-laboratory", "agronomist", "administrator"):
        with pytest.raises(NotAllowed, match="this is not part of your work here"):
            action(world.site, world.caller(person), ids["grower"])
    with pytest.raises(NotFound):
        action(world.site, operator(world.laboratories["b"]), ids["grower"])
    add_field(world, ids["farm"], None, "no county")  # nobody else's
    action(world.site, operator(world.laboratories["a"]), keep_grower(world, tail="2")["grower"])
    add_field(world, ids["farm"], "lower", "in lower")
    for person in ("agent", "other-agent"):
        with pytest.raises(NotAllowed, match="fields in counties that are not yours"):
            action(world.site, world.caller(person), ids["grower"])
    action(world.site, operator(world.laboratories["a"]), ids["grower"])


# --------------------------------------------------------------------------------------------- links


def test_a_link_opens_one_report_until_it_expires_or_is_erased(world: World) -> None:
    ids, agent = keep_grower(world), world.caller("agent")
    path = privacy.report_link(world.site, agent, ids["report"])
    grower = world.client()
    page = grower.get(path)
    assert page.status_code == 200
    assert '<html lang="es">' in page.text  # the report's language, not the browser's
    assert '<html lang="en">' in grower.get(f"{path}?language=en").text
    assert "AAAA-BBBB-CCCC" in page.text
    assert NAME not in page.text
    assert "noindex" in page.headers["x-robots-tag"]
    pdf = grower.get(path + "/pdf")
    assert pdf.content == f"%PDF {NAME}".encode()
    assert pdf.headers["content-type"] == "application/pdf"
    assert pdf.headers["content-disposition"] == 'attachment; filename="report-AAAA-BBBB-CCCC.pdf"'
    assert pdf.headers["cache-control"] == "no-store"
    assert pdf.headers["x-content-type-options"] == "nosniff"
    world.clock.move(days=30, seconds=-1)
    assert grower.get(path).status_code == 200
    world.clock.move(seconds=1)
    for gone in (path, path + "/pdf", "/r/unknown", "/r/unknown/pdf"):
        answer = grower.get(gone)
        assert answer.status_code == 404, gone
        assert "This link does not work" in answer.text
    path = privacy.report_link(world.site, agent, ids["report"])
    privacy.erase_grower(world.site, agent, ids["grower"])
    assert grower.get(path).status_code == 404
    with pytest.raises(NotFound, match="there is no such report"):
        privacy.report_link(world.site, agent, ids["report"])


def test_a_link_is_made_only_for_reports_of_ones_own(world: World) -> None:
    ids = keep_grower(world)
    for person in ("other-agent", "other-laboratory"):
        with pytest.raises(NotFound, match="there is no such report"):
            privacy.report_link(world.site, world.caller(person), ids["report"])
    for person in ("agronomist", "administrator"):
        with pytest.raises(NotAllowed):
            privacy.report_link(world.site, world.caller(person), ids["report"])
    assert privacy.report_link(world.site, world.caller("laboratory"), ids["report"]).startswith("/r/")


def test_a_link_to_a_report_sets_no_password(lite_world: World) -> None:
    path = privacy.report_link(lite_world.site, lite_world.caller("agent"), keep_grower(lite_world)["report"])
    answer = lite_world.client().get(path.replace("/r/", "/set-password/"))
    assert answer.status_code == 404


# ------------------------------------------------------------------------------------- pages and API


def test_the_pages_tell_and_erase(lite_world: World) -> None:
    ids = keep_grower(lite_world)
    client = lite_world.client("agent")
    form, path = {"form_token": lite_world.form_token(client)}, f"/growers/{ids['grower']}/personal-data"
    assert NAME in client.get(path).text
    fetched = client.post(f"{path}/export", data=form)
    assert fetched.headers["content-disposition"] == f'attachment; filename="grower-{ids["grower"]}.json"'
    assert fetched.json()["grower"]["name"] == NAME
    unsure = client.post(f"{path}/erase", data=form)
    assert unsure.status_code == 422
    assert "tick this if you are sure" in unsure.text
    done = client.post(f"{path}/erase", data=form | {"sure": "yes"})
    assert done.status_code == 303
    page = client.get(done.headers["location"]).text
    assert NAME not in page
    assert "was erased on" in page
    assert client.get("/growers/99999/personal-data").status_code == 404
    assert lite_world.client("laboratory").get(path).status_code == 403


def test_the_api_tells_erases_and_makes_links(lite_world: World) -> None:
    ids, agent = keep_grower(lite_world), lite_world.caller("agent")
    rights = ["personal-data:handle", "reports:issue"]
    _, secret = myself.make_token(lite_world.site, agent, "test", rights, 1)
    api, headers = lite_world.client(), {"authorization": f"Bearer {secret}"}
    link = api.post(f"/api/v1/reports/{ids['report']}/link", headers=headers)
    assert link.status_code == 201
    assert api.get(link.json()["link"].removeprefix("https://soil.example")).status_code == 200
    path = f"/api/v1/growers/{ids['grower']}/personal-data"
    assert api.get(path, headers=headers).json()["format"] == privacy.FORMAT
    assert api.delete(path, headers=headers).status_code == 204
    assert api.delete(path, headers=headers).status_code == 409
    assert api.get("/api/v1/growers/99999/personal-data", headers=headers).status_code == 404
