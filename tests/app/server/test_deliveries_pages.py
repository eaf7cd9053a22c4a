"""Pages, API and commands of deliveries, and what the mails say."""

from __future__ import annotations

import io
import re
from datetime import UTC, date, datetime
from email import message_from_bytes
from email.policy import SMTP, default
from typing import Any

import pikepdf
import pytest
from typer.testing import CliRunner

from reports.notice import notice_pdf
from service import mailtext
from service.actions.delivering import Sending, plan
from service.actions.postman import send_now
from service.callers import operator
from service.cli.app import app
from service.mailtext import Letter
from service.store import documents, schema
from tests.app.server.conftest import World
from tests.app.server.live import environment
from tests.app.server.postbox import SENDER, add_report, postbox, with_mail
from tests.app.server.test_delivering import change, rows
from tests.app.server.tokens import program

API = "/api/v1"


def post(client: Any, world: World, path: str, **form: Any) -> Any:
    return client.post(path, data=form | {"form_token": world.form_token(client)})


# ------------------------------------------------------------------------------------------- the pages


def test_a_report_is_looked_at_and_delivered_from_its_page(lite_world: World) -> None:
    with_mail(lite_world)
    report, _ = add_report(lite_world, copy_to="d@dealer.example", copy_consent=True)
    client = lite_world.client("agent")
    page = client.get(f"/reports/{report}").text
    assert "This report has not been delivered yet." in page
    assert f'href="/deliveries/new?report={report}"' in page
    look = client.get(f"/deliveries/new?report={report}").text
    assert "To:</span> grower1@farm.example" in look
    assert "To:</span> d@dealer.example" in look
    assert "You can open it with this link until May 20, 2026:" in look
    assert rows(lite_world) == []
    sent = post(client, lite_world, "/deliveries", report=report, way="usual", grower="yes", copy="yes")
    assert (sent.status_code, sent.headers["location"]) == (
        303, f"/reports/{report}?done=deliveries.done-planned"
    )  # fmt: skip
    assert [(row.reader, row.way) for row in rows(lite_world)] == [("grower", "link"), ("copy", "link")]
    page = client.get(f"/reports/{report}").text
    assert "grower1@farm.example" in page
    assert page.count("waiting</span>") == 2


def test_boxes_that_are_not_ticked_are_heeded(lite_world: World) -> None:
    with_mail(lite_world)
    report, _ = add_report(lite_world, copy_to="d@dealer.example", copy_consent=True)
    client = lite_world.client("agent")
    look = client.get(f"/deliveries/new?report={report}&asked=1&copy=yes&way=file").text
    assert "grower1@farm.example" not in look
    assert "[soil-report-REP-a-1.pdf, PDF of 0 KiB]" in look
    post(client, lite_world, "/deliveries", report=report, way="file", copy="yes")
    assert [(row.reader, row.way) for row in rows(lite_world)] == [("copy", "file")]


def test_reports_of_a_search_are_those_that_were_looked_at(lite_world: World) -> None:
    with_mail(lite_world)
    first, _ = add_report(lite_world, field_name="Mill Piece")
    second, _ = add_report(lite_world, 2, field_name="Mill Corner")
    add_report(lite_world, 3, field_name="Long Meadow")
    client = lite_world.client("laboratory")
    assert 'href="/deliveries/new?search=mill"' in client.get("/reports?search=mill").text
    look = client.get("/deliveries/new?search=mill").text
    assert "match “mill” and were not replaced: 2." in look
    assert f'name="up_to" value="{second}"' in look
    add_report(lite_world, 4, field_name="Mill Bank")  # issued since: nobody has looked at it
    form = {"search": "mill", "up_to": str(second), "way": "usual", "grower": "yes"}
    assert post(client, lite_world, "/deliveries", **form).headers["location"].startswith("/deliveries?")
    assert [row.report_id for row in rows(lite_world)] == [first, second]


@pytest.mark.parametrize("path", ["/deliveries/new", "/deliveries/new?report=0"])
def test_nothing_chosen_is_not_everything(lite_world: World, path: str) -> None:
    with_mail(lite_world)
    add_report(lite_world)
    client = lite_world.client("laboratory")
    look = client.get(path)
    assert (look.status_code, look.headers["location"]) == (303, "/reports?done=deliveries.done-none")
    assert "Nothing was ticked." in client.get(look.headers["location"]).text
    assert post(client, lite_world, "/deliveries", grower="yes").status_code == 422
    assert rows(lite_world) == []


def test_reports_are_ticked_on_their_list(lite_world: World) -> None:
    with_mail(lite_world)
    ids = [add_report(lite_world, number)[0] for number in (1, 2, 3)]
    client = lite_world.client("laboratory")
    page = client.get("/reports").text
    assert page.count('name="report" value=') == 3
    look = client.get("/deliveries/new", params={"report": ids[:2]}).text
    assert "Reports: 2." in look
    post(client, lite_world, "/deliveries", report=[str(each) for each in ids[:2]], grower="yes")
    assert [row.report_id for row in rows(lite_world)] == ids[:2]


def test_without_mail_the_pages_say_so_and_reports_go_to_the_print_queue(lite_world: World) -> None:
    report, _ = add_report(lite_world)
    client = lite_world.client("agent")
    told = "Mail is not set up on this server. Reports go to the print queue."
    assert told in client.get("/deliveries").text
    assert told in client.get(f"/deliveries/new?report={report}").text
    post(client, lite_world, "/deliveries", report=report, way="usual", grower="yes")
    queue = client.get("/deliveries?list=print").text
    assert f'href="/reports/{report}/pdf"' in queue
    (row,) = rows(lite_world)
    assert client.get(f"/deliveries/{row.id}").status_code == 200
    done = post(client, lite_world, "/deliveries/printed", delivery=row.id)
    assert done.headers["location"] == "/deliveries?list=print&done=deliveries.done-printed"
    assert rows(lite_world)[0].state == "printed"


def test_all_of_a_page_of_the_print_queue_are_marked_at_once(lite_world: World) -> None:
    client = lite_world.client("laboratory")
    ids = [add_report(lite_world, number)[0] for number in (1, 2, 3)]
    numbers = plan(lite_world.site, lite_world.caller("laboratory"), ids).ids
    assert post(client, lite_world, "/deliveries/printed").status_code == 422  # none was ticked
    post(client, lite_world, "/deliveries/printed", shown=[str(each) for each in numbers[:2]], all="yes")
    assert [row.state for row in rows(lite_world)] == ["printed", "printed", "waiting"]


def test_a_page_of_the_print_queue_comes_as_one_file_in_the_order_of_its_route(lite_world: World) -> None:
    client = lite_world.client("laboratory")
    assert client.get("/deliveries/print.pdf").status_code == 404  # nothing waits
    ids = [add_report(lite_world, number)[0] for number in (3, 1, 2)]
    with lite_world.site.database.housekeeping(operator()) as look:
        content = notice_pdf("Report", "One page.", "en")
        sha256 = documents.put(look, content)
        look.connection.execute(schema.report.update().values(document_sha256=sha256))
    plan(lite_world.site, lite_world.caller("laboratory"), ids)
    queue = client.get("/deliveries?list=print").text
    assert 'href="/deliveries/print.pdf?before=0"' in queue
    answer = client.get("/deliveries/print.pdf?before=0&sides=two")
    assert answer.headers["content-disposition"] == 'attachment; filename="print-queue.pdf"'
    with pikepdf.open(io.BytesIO(answer.content)) as book, book.open_outline() as outline:
        names = [section.title for county in outline.root for section in county.children]
        # A sheet for the county, and for each grower one and the report, each with a blank back.
        assert len(book.pages) == 2 * (1 + 2 * len(ids))
    assert names == sorted(names)
    assert len(names) == len(ids)


def test_a_held_mail_is_settled_on_its_page(lite_world: World) -> None:
    with_mail(lite_world)
    report, _ = add_report(lite_world)
    (number,) = plan(lite_world.site, lite_world.caller("agent"), [report]).ids
    change(lite_world, schema.delivery, number, state="held", reason="unknown-fate")
    client = lite_world.client("agent")
    page = client.get(f"/deliveries/{number}").text
    assert "It is not known whether this mail went." in page
    for step in ("again", "gone", "cancel"):
        assert f'action="/deliveries/{number}/{step}"' in page
    missing = post(client, lite_world, f"/deliveries/{number}/gone", reason=" ")
    assert (missing.status_code, "say why, in at most 200 characters" in missing.text) == (422, True)
    done = post(client, lite_world, f"/deliveries/{number}/again", reason="They did not get it.", way="file")
    again = rows(lite_world)[1]
    assert done.headers["location"] == f"/deliveries/{again.id}?done=deliveries.done-again"
    assert (again.round, again.way) == (2, "file")
    late = post(client, lite_world, f"/deliveries/{number}/gone", reason="They have it.")
    assert (late.status_code, "no longer as you saw it" in late.text) == (409, True)
    assert post(client, lite_world, f"/deliveries/{again.id}/cancel", reason="A mistake.").status_code == 303


def test_a_mail_server_that_takes_nothing_is_told_once(lite_world: World) -> None:
    with_mail(lite_world)
    ids = [add_report(lite_world, number)[0] for number in (1, 2)]
    for number in plan(lite_world.site, lite_world.caller("agent"), ids).ids:
        change(lite_world, schema.delivery, number, reason="tls|self-signed certificate")
    page = lite_world.client("agent").get("/deliveries").text
    assert page.count("The server said: self-signed certificate") == 1
    assert "No mail goes out at the moment. The mail server cannot be trusted" in page


@pytest.mark.parametrize("typed", ["<img src=x onerror=alert(1)>", "{{ 7 * 7 }}", "a\u202eb\x07c"])
def test_what_is_typed_is_shown_and_never_obeyed(lite_world: World, typed: str) -> None:
    with_mail(lite_world)
    report, _ = add_report(lite_world, field_name=typed)
    look = lite_world.client("agent").get(f"/deliveries/new?report={report}").text
    assert "<img" not in look
    assert "49" not in re.findall(r"for the field (.*?) is", look)
    assert "field a b c is ready" in look or typed[0] != "a"


# ---------------------------------------------------------------------------------------------- the API


def test_a_program_delivers_looks_and_sends_again(lite_world: World) -> None:
    with postbox() as box:
        with_mail(lite_world, box.port)
        report, _ = add_report(lite_world)
        api = program(lite_world, "laboratory")
        given = {"reports": [report], "way": "file"}
        dry = api.post(f"{API}/deliveries/dry-run", json=given).json()
        assert dry["deliveries"] == []
        mail = dry["planned"][0]["mail"]
        assert {"name": "To", "value": "grower1@farm.example"} in mail["headers"]
        assert (mail["file_name"], mail["file_bytes"]) == ("soil-report-REP-a-1.pdf", 16)
        made = api.post(f"{API}/deliveries", json=given)
        assert made.status_code == 201
        (number,) = made.json()["deliveries"]
        assert api.post(f"{API}/deliveries", json=given).json()["left_out"] == [
            {"report_id": report, "reason": "already"}
        ]
        box.rcpt = "550 5.1.1 unknown"
        send_now(lite_world.site)
        told = api.get(f"{API}/reports/{report}/deliveries").json()["items"][0]
        assert (told["delivery"]["state"], told["delivery"]["reason"]) == (
            "refused", "refused|550 5.1.1 unknown"
        )  # fmt: skip
        assert [line["what"] for line in told["log"]] == ["begun", "refused"]
        listed = api.get(f"{API}/deliveries", params={"list": "refused"}).json()["items"]
        assert [each["id"] for each in listed] == [number]
        again = api.post(f"{API}/deliveries/{number}/again", json={"reason": "New address."}).json()
        assert (again["delivery"]["round"], again["delivery"]["state"]) == (2, "waiting")
        message = api.get(f"{API}/deliveries/{again['delivery']['id']}/message").json()
        assert "(made when the mail is sent)" in message["text"]


@pytest.mark.parametrize(
    "given",
    [
        {"reports": []}, {"reports": [0]}, {"reports": [1], "way": "fax"}, {"reports": ["x"]},
        {"reports": [1], "address": "me@elsewhere.example"}, {},
    ],
)  # fmt: skip
def test_a_program_can_not_say_where_mail_goes_or_anything_undeclared(
    lite_world: World, given: dict[str, Any]
) -> None:
    with_mail(lite_world)
    add_report(lite_world)
    answer = program(lite_world, "laboratory").post(f"{API}/deliveries", json=given)
    assert answer.status_code == 422
    assert rows(lite_world) == []


# ------------------------------------------------------------------------------------------ the command


def run(world: World, *words: str, **settings: str) -> Any:
    given = {"database_url": world.site.settings.url, "mode": "development"} | settings
    return CliRunner().invoke(app, ["deliver", *words], env=environment(**given))


def mail_of(world: World) -> dict[str, str]:
    settings = world.site.settings
    return {
        "smtp_host": "127.0.0.1", "smtp_port": str(settings.smtp_port), "smtp_security": "none",
        "mail_from": SENDER, "public_url": settings.public_url, "mails_per_minute": "6000",
    }  # fmt: skip


LABORATORY = ("--laboratory", "Quillwater Soil Laboratory")


def test_the_command_shows_every_message_then_plans_then_sends(world: World) -> None:
    with postbox() as box:
        mail = mail_of(with_mail(world, box.port))
        for number in (1, 2):
            add_report(world, number)
        add_report(world, 3, mail_consent=False)
        dry = run(world, "plan", "--search", "", "--dry-run", *LABORATORY, **mail)
        assert dry.exit_code == 0, dry.output
        assert [f"To: grower{number}@farm.example" in dry.output for number in (1, 2)] == [True, True]
        assert "2 mails with a link would be planned." in dry.output
        assert rows(world) == []
        made = run(world, "plan", "REP-A-1", *LABORATORY, **mail)
        assert "there is no report REP-A-1" in str(made.exception)  # other letters than printed
        made = run(world, "plan", "--search", "long", *LABORATORY, **mail)
        assert "2 mails with a link were planned.\n1 for the print queue were planned." in made.output
        again = run(world, "plan", "--search", "long", *LABORATORY, **mail)
        assert again.output == "3 left out: planned before\n"
        listed = run(world, "list", "--messages", *LABORATORY, **mail)
        assert listed.output.count("Subject: Soil report REP-a-") == 2
        assert "REP-a-3" not in listed.output
        queue = run(world, "queue", *LABORATORY)
        assert "REP-a-3" in queue.output
        assert "no-consent" in queue.output
        sent = run(world, "send", **mail)
        assert (sent.exit_code, "2 sent" in sent.output) == (0, True)
        assert sorted(box.to) == ["grower1@farm.example", "grower2@farm.example"]
        number = next(row.id for row in rows(world) if row.way == "paper")
        assert "Marked as printed and posted: 1" in run(world, "printed", str(number), *LABORATORY).output
        assert "REP-a-3" not in run(world, "queue", *LABORATORY).output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("plan",), "it is not clear which reports are meant"),
        (("plan", "REP-1", "--search", "x", *LABORATORY), "it is not clear which reports are meant"),
        (("plan", "--search", "", "--way", "fax", *LABORATORY), "some of what was typed cannot be taken"),
        (("list", "--list", "lost", *LABORATORY), "there is no list 'lost'"),
        (("queue",), "it is not clear which laboratory is meant"),
        (("queue", "--laboratory", "None"), "there is no such laboratory"),
        (("printed", "77", *LABORATORY), "some of these deliveries are not there"),
        (("send",), "mail is not set up"),
    ],
)
def test_the_command_refuses_in_words(lite_world: World, words: tuple[str, ...], said: str) -> None:
    told = run(lite_world, *words)
    assert told.exit_code != 0
    assert said in str(told.exception) or (
        words == ("plan",) and "laboratory is meant" in str(told.exception)
    )


# ------------------------------------------------------------------------------------------- the mails


def letter(**more: Any) -> Letter:
    given: dict[str, Any] = {
        "reader": "grower", "way": "link", "language": "en", "address": "e.rowe@farm.example",
        "message_id": "<m@soil.example>", "report": "6YGW-KOE4-7FQE", "field": "Long Meadow",
        "sampled_on": date(2026, 4, 2), "laboratory": "Quillwater Soil Laboratory",
        "contact": "Ines Dunmore", "phone": "555-0100", "until": date(2026, 5, 20),
    }  # fmt: skip
    return Letter(**(given | more))


LINK = f"https://soil.example/r/{'x' * 43}"


def test_a_mail_says_what_it_is_about_and_nothing_of_results_or_people() -> None:
    assert (
        mailtext.text(letter(), LINK)
        == f"""Hello,

The soil report for the field Long Meadow is ready. The samples were
taken on April 2, 2026.

You can open it with this link until May 20, 2026:

{LINK}

You need no password. Anyone who has this link can open the report, so
keep it safe.

The amounts in the report are starting points. Local law and nutrient
rules come first. So does the advice of a licensed or certified adviser.

Do you have a question? Answer this mail, or ask Ines Dunmore, 555-0100.

Quillwater Soil Laboratory
Report 6YGW-KOE4-7FQE

You get this mail because you agreed to get reports by mail. To stop it,
answer this mail and say so.
"""
    )


def test_a_mail_in_spanish_with_the_file() -> None:
    said = mailtext.text(letter(language="es", way="file", contact="", phone=""), LINK)
    assert "El informe de suelo del campo Long Meadow está listo." in said
    assert "Va con este correo como el archivo soil-report-6YGW-KOE4-7FQE.pdf." in " ".join(said.split())
    assert "¿Tiene una pregunta? Responda a este correo." in said
    assert LINK not in said


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("reader", ["grower", "copy", "agent"])
@pytest.mark.parametrize("way", ["link", "file"])
def test_every_mail_defers_and_says_whom_to_ask_and_why_it_came(language: str, reader: str, way: str) -> None:
    until = None if reader == "agent" else date(2026, 5, 20)
    said = mailtext.text(letter(language=language, reader=reader, way=way, until=until), LINK)
    flat = " ".join(said.split())
    caution = {"en": "Local law and nutrient rules come first.", "es": "Antes van la ley local"}[language]
    assert caution in flat
    assert "Ines Dunmore, 555-0100" in flat
    assert {"en": "You get this mail because", "es": "Recibe este correo porque"}[language] in flat
    assert (LINK in said) == (way == "link")
    assert max(map(len, said.splitlines())) <= 78


def composed(**more: Any) -> Any:
    made = mailtext.compose(letter(**more), SENDER, datetime(2026, 4, 20, 9, tzinfo=UTC), LINK, b"%PDF \xff")
    raw = made.as_bytes(policy=SMTP)
    return raw, message_from_bytes(raw, policy=default)


@pytest.mark.parametrize("name", ["laboratory", "field", "contact", "phone"])
@pytest.mark.parametrize(
    "hostile",
    [
        "x\r\nBcc: everybody@elsewhere.example", "x\nSubject: won", "x\r\n\r\nbody", "x\x00y\x1b[31m",
        "\u202egnp.exe", "y" * 20_000, "<script>alert(1)</script>", "=?utf-8?q?=0ABcc:_a@b?=",
        '"quoted" <a@b.example>', "Ünïcode Ø",
    ],
)  # fmt: skip
def test_no_text_becomes_a_header(name: str, hostile: str) -> None:
    raw, read = composed(**{name: hostile})
    head = raw.split(b"\r\n\r\n")[0].decode("ascii")
    assert sorted({line.split(":")[0] for line in head.split("\r\n") if line[:1] not in (" ", "\t")}) == [
        "Auto-Submitted", "Content-Language", "Content-Transfer-Encoding", "Content-Type", "Date", "From",
        "MIME-Version", "Message-ID", "Subject", "To",
    ]  # fmt: skip
    assert [str(each.addr_spec) for each in read["To"].addresses] == ["e.rowe@farm.example"]
    assert [str(each.addr_spec) for each in read["From"].addresses] == [SENDER]
    assert read["Subject"] == "Soil report 6YGW-KOE4-7FQE is ready"
    assert len(raw) < 5000
    assert max(map(len, raw.split(b"\r\n"))) <= 998
    assert "\u202e" not in read.get_content()


def test_a_subject_names_the_report_alone_and_a_file_is_named_by_it() -> None:
    _, read = composed(language="es", way="file")
    assert read["Subject"] == "El informe de suelo 6YGW-KOE4-7FQE está listo"
    assert read["Auto-Submitted"] == "auto-generated"
    (attached,) = read.iter_attachments()
    assert attached.get_filename() == "soil-report-6YGW-KOE4-7FQE.pdf"
    assert attached.get_content() == b"%PDF \xff"
    head = "".join(f"{name}: {value}\n" for name, value in read.items())
    assert "Meadow" not in head


def test_how_reports_go_is_what_was_asked_for() -> None:
    assert Sending() == Sending(way="usual", to_grower=True, to_copy=True, to_me=False)
