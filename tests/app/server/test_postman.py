"""The outbox worked: each mail once, through refusals, broken lines, restarts and kills."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service.actions import deliverylists, deliverysteps, keeping, postman, privacy, sending
from service.actions.delivering import Sending, plan
from service.actions.postman import Postman, Round, send_now
from service.callers import operator
from service.mailing import Outcome, Trouble
from service.refusals import Conflict, NoRoom
from service.store import schema
from service.store.database import Database, make_engine
from service.store.turns import MAILING, turn
from tests.app.server.conftest import World
from tests.app.server.land import Land
from tests.app.server.live import SECONDS_TO_START, environment, live
from tests.app.server.postbox import add_report, new_report, postbox, scripted, with_mail
from tests.app.server.test_delivering import change, rows

PDF = b"%PDF-1.7 of a report \x00\xff"


def planned(
    world: World, how: Sending | None = None, number: int = 1, **grower: Any
) -> tuple[int, int, Land]:
    """A report with one delivery by mail: ids of both, and the land."""
    report, land = add_report(world, number, pdf=PDF, **grower)
    (delivery,) = plan(world.site, world.caller("agent"), [report], how).ids
    return delivery, report, land


def told(world: World, number: int) -> Any:
    return deliverylists.one(world.site, world.caller("agent"), number)


def log(world: World, number: int) -> list[tuple[str, str]]:
    return [(line.what, line.answer) for line in told(world, number).log]


# ------------------------------------------------------------------------------------------ going well


def test_a_link_is_sent_and_opens_the_report(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        number, *_ = planned(world)
        assert rows(world, schema.link) == []
        assert send_now(world.site) == Counter(sent=1)
    (message,) = box.taken
    text = message.get_content()
    (address,) = re.findall(r"^https://soil\.example(/r/\S+)", text, re.MULTILINE)
    assert world.client().get(f"{address}/pdf").content == PDF
    world.clock.move(days=31)
    assert world.client().get(address).status_code == 404
    row = told(world, number).delivery
    assert (row.state, row.reason, row.attempts, row.ended_at) == (
        "sent", "", 1, world.clock.at - timedelta(days=31)
    )  # fmt: skip
    assert log(world, number) == [("begun", ""), ("sent", "250 taken")]
    assert (message["Message-ID"], message["To"], message["Date"].datetime) == (
        row.message_id, "grower1@farm.example", world.clock.at - timedelta(days=31)
    )  # fmt: skip


def test_a_file_is_sent_whole_and_without_a_link(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        planned(world, Sending(way="file"))
        send_now(world.site)
    (message,) = box.taken
    (attached,) = message.iter_attachments()
    assert (attached.get_content(), attached.get_content_type(), attached.get_filename()) == (
        PDF, "application/pdf", "soil-report-REP-a-1.pdf"
    )  # fmt: skip
    body = message.get_body()
    assert body is not None
    assert "/r/" not in body.get_content()
    assert rows(world, schema.link) == []


def test_who_asks_for_a_copy_gets_the_way_to_the_page_and_no_secret(lite_world: World) -> None:
    with postbox() as box:
        with_mail(lite_world, box.port)
        _, report, _ = planned(lite_world, Sending(to_grower=False, to_me=True))
        send_now(lite_world.site)
    assert f"https://soil.example/reports/{report}\r\n" in box.taken[0].get_content()
    assert rows(lite_world, schema.link) == []


def test_a_mail_goes_once_however_often_the_outbox_is_worked(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        for number in range(1, 4):
            planned(world, number=number)
        assert send_now(world.site) == Counter(sent=3)
        world.clock.move(days=2)
        assert send_now(world.site) == Counter()
        assert (len(box.ids), len(set(box.ids)), box.connections) == (3, 3, 1)


def test_mails_keep_the_pace_that_is_set(lite_world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    waited: list[float] = []
    with postbox() as box:
        with_mail(lite_world, box.port, mails_per_minute=30)
        for number in range(1, 5):
            planned(lite_world, number=number)
        work = Round(lite_world.site)
        monkeypatch.setattr(work.stopping, "wait", waited.append)
        monkeypatch.setattr(time, "monotonic", lambda: sum(waited))
        assert work.work(lambda: True) == Counter(sent=4)
    assert waited == [2.0, 2.0, 2.0]


# ------------------------------------------------------------------------------- refused and put off


def test_a_bounce_is_kept_without_the_address_and_the_others_go(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        box.rcpt = lambda to: f"550 5.1.1 <{to}>: no such user" if "grower2" in to else ""
        numbers = [planned(world, number=number)[0] for number in (1, 2, 3)]
        assert send_now(world.site) == Counter(sent=2, refused=1)
        row = told(world, numbers[1]).delivery
        assert (row.state, row.reason) == ("refused", "refused|550 5.1.1 <...>: no such user")
        assert log(world, numbers[1])[-1] == ("refused", "550 5.1.1 <...>: no such user")
        assert len(rows(world, schema.link)) == 2  # the link that reached nobody is gone
        world.clock.move(days=3)
        assert send_now(world.site) == Counter()


def test_not_now_is_tried_again_later_and_later_and_held_after_a_day(world: World) -> None:
    pauses = []
    with postbox() as box:
        with_mail(world, box.port)
        box.data = "451 4.3.0 try later"
        number, *_ = planned(world)
        while (row := told(world, number).delivery).state == "waiting":
            before = world.clock.at
            world.clock.at = row.next_at or before
            pauses.append(int((world.clock.at - before).total_seconds() // 60))
            assert send_now(world.site) == Counter({"put-off": 1})
            assert send_now(world.site) == Counter()  # not before its time
    assert pauses == [0, 5, 15, 45, 135, 240, 240, 240, 240, 240]
    assert (row.state, row.reason, row.attempts) == ("held", "gave-up|451 4.3.0 try later", 10)
    assert rows(world, schema.link) == []


def test_what_was_put_off_goes_later_under_the_same_name(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        box.rcpt = "450 4.2.0 greylisted"
        number, *_ = planned(world)
        send_now(world.site)
        named = told(world, number).delivery.message_id
        box.rcpt = ""
        world.clock.move(minutes=5)
        assert send_now(world.site) == Counter(sent=1)
        assert box.ids == [named]
    assert [what for what, _ in log(world, number)] == ["begun", "put-off", "begun", "sent"]


def test_a_line_that_breaks_before_the_dot_is_no_loss(lite_world: World) -> None:
    with scripted("220 ready", "250 hello", "250 ok", "250 ok") as (port, _):
        with_mail(lite_world, port)
        number, *_ = planned(lite_world)
        assert send_now(lite_world.site) == Counter({"put-off": 1})
    with postbox() as box:
        with_mail(lite_world, box.port)
        lite_world.clock.move(minutes=5)
        assert send_now(lite_world.site) == Counter(sent=1)
    assert told(lite_world, number).delivery.state == "sent"


def test_what_may_have_gone_is_held_and_only_a_person_sends_it_again(world: World) -> None:
    with scripted("220 ready", "250 hello", "250 ok", "250 ok", "354 go on") as (port, _):
        with_mail(world, port)
        number, *_ = planned(world)
        assert send_now(world.site) == Counter(uncertain=1)
    row = told(world, number).delivery
    assert (row.state, row.reason.partition("|")[0]) == ("held", "unknown-fate")
    assert len(rows(world, schema.link)) == 1  # if it went, its link must work
    with postbox() as box:
        with_mail(world, box.port)
        world.clock.move(days=3)
        assert send_now(world.site) == Counter()
        deliverysteps.again(world.site, world.caller("agent"), number, "They did not get it.")
        assert send_now(world.site) == Counter(sent=1)
        assert box.ids != [row.message_id]


def test_a_mail_that_cannot_be_written_is_held_and_the_others_go(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = sending.lettering.written

    def broken(*given: Any, **more: Any) -> Any:
        if given[2].address.startswith("grower1"):
            raise ValueError("grower1@farm.example in a header")
        return real(*given, **more)

    monkeypatch.setattr(sending.lettering, "written", broken)
    with postbox() as box:
        with_mail(lite_world, box.port)
        first, *_ = planned(lite_world)
        planned(lite_world, number=2)
        assert send_now(lite_world.site) == Counter(sent=1)
        row = told(lite_world, first).delivery
        assert (row.state, row.reason, box.to) == ("held", "not-written", ["grower2@farm.example"])
        assert len(rows(lite_world, schema.link)) == 1


# ----------------------------------------------------------------------------- servers that take none


@pytest.mark.parametrize(
    ("steps", "reason"),
    [
        (["554 no mail today"], "no-connection|554 no mail today"),
        (["421 busy"], "not-now|421 busy"),
        (["220 ready", "250 hello", "550 who are you"], "sender-refused|550 who are you"),
    ],
)
def test_a_server_that_takes_no_mail_stops_the_outbox_and_is_nobodys_bounce(
    world: World, steps: list[str], reason: str
) -> None:
    with scripted(*steps) as (port, read):
        with_mail(world, port)
        for number in (1, 2, 3):
            planned(world, number=number)
        paper, _ = add_report(world, 4, mail_consent=False)
        plan(world.site, world.caller("agent"), [paper])
        send_now(world.site)
        assert len([line for line in read if line.startswith(b"mail")]) <= 1  # and not for each of them
    found = rows(world)
    assert {(row.state, row.reason) for row in found[:3]} == {("waiting", reason)}
    assert {row.next_at for row in found[:3]} == {world.clock.at + timedelta(minutes=1)}
    assert (found[3].reason, found[3].next_at) == ("no-consent", None)
    with postbox() as box:
        with_mail(world, box.port)
        assert send_now(world.site) == Counter()
        world.clock.move(minutes=1)
        assert send_now(world.site) == Counter(sent=3)
    assert {row.reason for row in rows(world)[:3]} == {""}


def test_a_server_is_asked_less_and_less_often_while_it_takes_none(lite_world: World) -> None:
    with scripted("554 no") as (port, _):
        with_mail(lite_world, port)
        planned(lite_world)
        work, pauses = Round(lite_world.site), []
        for _ in range(5):
            work.work(lambda: True)
            pauses.append((rows(lite_world)[0].next_at - lite_world.clock.at).total_seconds() / 60)
            lite_world.clock.at = rows(lite_world)[0].next_at
    assert pauses == [1, 2, 5, 15, 15]


# --------------------------------------------------------------------- what has changed since planning


@pytest.mark.parametrize(
    ("now", "state", "reason"),
    [
        ({"mail_consent": False}, "cancelled", "no-consent"),
        ({"email": "new@farm.example"}, "held", "address-changed"),
    ],
)
def test_consent_and_address_are_asked_for_again_when_the_mail_goes(
    world: World, now: dict[str, Any], state: str, reason: str
) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        number, _, land = planned(world)
        other, *_ = planned(world, number=2)
        change(world, schema.grower, land.grower, **now)
        assert send_now(world.site) == Counter(sent=1)
        assert box.to == ["grower2@farm.example"]
    row = told(world, number).delivery
    assert (row.state, row.reason) == (state, reason)
    assert told(world, other).delivery.state == "sent"


@pytest.mark.parametrize("gone", ["closed", "other-county", "other-laboratory"])
def test_who_asked_for_a_copy_and_may_not_see_the_report_any_more_gets_none(world: World, gone: str) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        number, *_ = planned(world, Sending(to_grower=False, to_me=True))
        account = world.caller("agent").account_id
        assert account is not None
        if gone == "closed":
            change(world, schema.account, account, disabled_at=world.clock.at)
        elif gone == "other-laboratory":
            change(world, schema.account, account, laboratory_id=world.laboratories["b"])
        else:
            with world.site.database.housekeeping(operator()) as look:
                look.connection.execute(schema.account_county.delete())
        assert send_now(world.site) == Counter()
        assert box.to == []
    row = deliverylists.one(world.site, world.caller("laboratory"), number).delivery
    assert (row.state, row.reason) == ("cancelled", "no-account")
    with pytest.raises(Conflict, match="cannot get the report any more"):
        deliverysteps.again(world.site, world.caller("laboratory"), number, "why")


def test_a_copy_asks_for_the_consent_to_copies(lite_world: World) -> None:
    with postbox() as box:
        with_mail(lite_world, box.port)
        number, _, land = planned(
            lite_world, Sending(to_grower=False), copy_to="d@dealer.example", copy_consent=True
        )
        change(lite_world, schema.grower, land.grower, copy_consent=False)
        assert send_now(lite_world.site) == Counter()
    assert told(lite_world, number).delivery.reason == "no-consent"


def test_a_report_replaced_meanwhile_is_not_sent(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        number, report, land = planned(world)
        (stored,) = rows(world, schema.report)
        new_report(world, land.visits[0], "REP-NEW", stored.card, stored.document_sha256, replaces=report)
        assert send_now(world.site) == Counter()
        row = told(world, number).delivery
        assert (row.state, row.reason, row.ended_at) == ("cancelled", "replaced", world.clock.at)


def test_a_grower_erased_meanwhile_is_written_to_no_more(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        number, _, land = planned(world)
        privacy.erase_grower(world.site, world.caller("agent"), land.grower)
        assert send_now(world.site) == Counter()
        row = told(world, number).delivery
        assert (row.state, row.reason, row.address) == ("cancelled", "erased", "")


def test_a_mail_that_a_person_called_off_stays(lite_world: World) -> None:
    with postbox() as box:
        with_mail(lite_world, box.port)
        number, *_ = planned(lite_world)
        deliverysteps.cancel(lite_world.site, lite_world.caller("agent"), number, "A mistake.")
        assert send_now(lite_world.site) == Counter()
        assert box.taken == []


# ------------------------------------------------------------------------------- one process at a time


def test_only_one_process_works_the_outbox(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        planned(world)
        with turn(world.site.database.engine, MAILING) as held:
            assert held is not None
            assert held.is_held()
            assert send_now(world.site) is None
        assert send_now(world.site) == Counter(sent=1)


def test_a_turn_that_is_lost_with_its_connection_is_noticed(world: World) -> None:
    engine = world.site.database.engine
    if engine.dialect.name == "sqlite":
        with turn(engine, MAILING) as held:
            assert held is not None
            assert held.is_held()
        return
    with turn(engine, MAILING) as held:
        assert held is not None
        assert held.connection is not None
        number = held.connection.scalar(sa.select(sa.func.pg_backend_pid()))
        with engine.connect() as other:
            other.execute(sa.select(sa.func.pg_terminate_backend(number)))
        assert not held.is_held()
    with turn(engine, MAILING) as held:
        assert held is not None


def test_no_mail_is_taken_without_the_turn(lite_world: World) -> None:
    with postbox() as box:
        with_mail(lite_world, box.port)
        planned(lite_world)
        assert Round(lite_world.site).work(lambda: False) == Counter()
        assert box.taken == []


# ------------------------------------------------------------------------------ when the database fails


def test_while_a_mail_cannot_be_written_down_no_other_goes(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, faults = sending.settle, [NoRoom("the disk is full"), NoRoom("the disk is full")]

    def full(*given: Any) -> None:
        if faults:
            raise faults.pop()
        real(*given)

    monkeypatch.setattr(sending, "settle", full)
    with postbox() as box:
        with_mail(lite_world, box.port)
        first, *_ = planned(lite_world)
        planned(lite_world, number=2)
        work = Round(lite_world.site)
        for _ in range(2):
            with pytest.raises(NoRoom):
                work.work(lambda: True)
            assert len(box.taken) == 1
        sending.recover(lite_world.site)  # as the same process does when it has the turn again
        assert told(lite_world, first).delivery.state == "held"
        assert work.work(lambda: True) == Counter(sent=1)
        assert told(lite_world, first).delivery.state == "sent"  # it knows better
        assert (len(box.ids), len(set(box.ids))) == (2, 2)


# ------------------------------------------------------------------------------------------- the thread


def until(true: Any) -> None:
    """Wait for another thread or process, for as long as a machine with much to do may take."""
    ends = time.monotonic() + SECONDS_TO_START
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.02)


def test_the_thread_sends_what_is_planned_while_it_runs(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(postman, "LOOK_EVERY", 0.05)
    with postbox() as box:
        with_mail(lite_world, box.port)
        working = Postman(lite_world.site)
        working.start()
        number, *_ = planned(lite_world)
        until(lambda: told(lite_world, number).delivery.state == "sent")
        working.stop()
        assert not [thread for thread in threading.enumerate() if thread.name == "postman"]
        assert len(box.taken) == 1


def test_without_mail_settings_there_is_no_thread(lite_world: World) -> None:
    working = Postman(lite_world.site)
    working.start()
    assert not [thread for thread in threading.enumerate() if thread.name == "postman"]
    working.stop()


def test_a_server_that_hangs_does_not_keep_the_thread(lite_world: World) -> None:
    with scripted("220 ready", "250 hello", "250 ok", None) as (port, read):
        with_mail(lite_world, port)
        number, *_ = planned(lite_world)
        working = Postman(lite_world.site)
        working.start()
        until(lambda: len(read) == 3)
        working.stop(0.2)
        until(lambda: told(lite_world, number).delivery.state != "sending")
        assert not [thread for thread in threading.enumerate() if thread.name == "postman"]
    row = told(lite_world, number).delivery
    assert (row.state, row.reason.partition("|")[0]) == ("waiting", "put-off")


def test_a_fault_of_the_program_does_not_end_the_thread(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    faults: list[Exception] = [NoRoom("the disk is full"), KeyError("grower1@farm.example")]
    real = sending.recover

    def failing(site: Any) -> int:
        if faults:
            raise faults.pop()
        return real(site)

    monkeypatch.setattr(sending, "recover", failing)
    monkeypatch.setattr(postman, "TRY_FOR_THE_TURN_EVERY", 0.01)
    monkeypatch.setattr(postman, "AFTER_A_FAULT", 0.01)
    with postbox() as box:
        with_mail(lite_world, box.port)
        number, *_ = planned(lite_world)
        working = Postman(lite_world.site)
        working.start()
        until(lambda: told(lite_world, number).delivery.state == "sent")
        working.stop()
        assert len(box.taken) == 1


# ---------------------------------------------------------------------------------------------- kills

SEND = """
import os, sys
from service.actions import postman, sending
from service.settings import Settings
from service.site import Site
from service.store.database import Database, make_engine
from service.logs import configure_log

configure_log()
if sys.argv[1] == "before-commit":
    real = sending.settle
    def settle(site, taken, outcome):
        print("answered", flush=True)
        sys.stdin.read()
    sending.settle = settle
site = Site(Settings(), Database(make_engine(Settings().url)), None)
print(dict(postman.send_now(site)), flush=True)
"""


def sender(world: World, where: str) -> subprocess.Popen[str]:
    """A process that works the outbox of a world, and waits at a point before it goes on."""
    settings = world.site.settings
    given = {name: str(getattr(settings, name)) for name in ("smtp_host", "smtp_security", "mail_from")}
    return subprocess.Popen(
        [sys.executable, "-c", SEND, where], text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        env=environment(
            **given, smtp_port=str(settings.smtp_port), mails_per_minute="6000", database_url=settings.url,
            public_url=settings.public_url, mode="development",
        ) | {"PYTHONPATH": str(Path(__file__).parents[3])},
    )  # fmt: skip


def kill(process: subprocess.Popen[str]) -> None:
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()


@pytest.mark.parametrize("where", ["before-answer", "before-commit"])
def test_a_kill_while_a_mail_is_sent_sends_nothing_twice(world: World, where: str) -> None:
    reached, go_on = threading.Event(), threading.Event()

    def hold_up() -> None:
        reached.set()
        go_on.wait(SECONDS_TO_START)

    with postbox() as box:
        with_mail(world, box.port)
        numbers = [planned(world, number=number)[0] for number in (1, 2, 3)]
        if where == "before-answer":
            box.before_answer = hold_up  # the mail has arrived whole, and the server says nothing yet
        process = sender(world, where)
        if where == "before-answer":
            until(reached.is_set)
        else:
            assert process.stdout is not None
            until(lambda: "answered" in process.stdout.readline())
        assert told(world, numbers[0]).delivery.state == "sending"
        kill(process)
        go_on.set()
        box.before_answer = None
        for _ in range(2):  # it starts again, and again; PostgreSQL takes a moment to see the other gone
            until(lambda: send_now(world.site) is not None)
            world.clock.move(days=2)
        states = [told(world, number).delivery.state for number in numbers]
        assert states == ["held", "sent", "sent"]
        assert told(world, numbers[0]).delivery.reason == "unknown-fate"
        names = [row.message_id for row in rows(world)]
        assert sorted(box.ids) == sorted(names)  # each arrived, and once
        deliverysteps.take_as_gone(world.site, world.caller("agent"), numbers[0], "They have it.")
        assert told(world, numbers[0]).delivery.state == "sent"


def test_a_process_that_ends_well_leaves_nothing_open(world: World) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        number, *_ = planned(world)
        process = sender(world, "to the end")
        assert process.communicate()[0].splitlines()[-1] == "{'sent': 1}"
        assert told(world, number).delivery.state == "sent"
        assert len(box.taken) == 1


def test_what_is_told_to_the_log_names_nobody(lite_world: World, capsys: pytest.CaptureFixture[str]) -> None:
    with postbox() as box:
        with_mail(lite_world, box.port)
        box.rcpt = lambda to: f"550 <{to}> no" if "grower2" in to else ""
        for number in (1, 2):
            planned(lite_world, number=number)
        send_now(lite_world.site)
        box.rcpt = lambda to: f"450 <{to}> later"
        planned(lite_world, number=3)
        send_now(lite_world.site)
    printed = capsys.readouterr().out
    assert printed.count('"event": "mail"') == 3
    for word in ("@", "grower1", "Marlowe", "Long Meadow", "/r/"):
        assert word not in printed
    assert "@" not in str(rows(lite_world, schema.audit)) + str(rows(lite_world, schema.delivery_try))


def test_an_unsettled_mail_of_a_trouble_waits_with_the_rest(lite_world: World) -> None:
    with_mail(lite_world)
    number, *_ = planned(lite_world)
    taken = sending.take(lite_world.site)
    assert taken is not None
    assert taken.id == number
    sending.settle(lite_world.site, taken, Outcome("trouble", "550 no", "sender-refused"))
    sending.put_all_off(lite_world.site, Trouble("sender-refused", "550 no"), timedelta(minutes=5))
    row = told(lite_world, number).delivery
    assert (row.state, row.next_at) == ("waiting", lite_world.clock.at + timedelta(minutes=5))


def test_a_backup_that_is_restored_sends_nothing_that_may_have_gone_since(
    world: World, make_empty_url: Callable[[str], str], tmp_path: Path
) -> None:
    with postbox() as box:
        with_mail(world, box.port)
        number, *_ = planned(world)
        paper, _ = add_report(world, 2, mail_consent=False)
        plan(world.site, world.caller("agent"), [paper])
        keeping.backup(world.site.database, tmp_path / "backup")
        assert send_now(world.site) == Counter(sent=1)
        engine = make_engine(make_empty_url(world.site.database.engine.dialect.name))
        database = Database(engine, world.clock)
        keeping.restore(database, tmp_path / "backup", replace=False)
        world.site = replace(world.site, database=database)
        assert send_now(world.site) == Counter()
        assert [(row.state, row.reason) for row in rows(world)] == [
            ("held", "restored"), ("waiting", "no-consent"),
        ]  # fmt: skip
        assert len(box.ids) == 1
        deliverysteps.take_as_gone(world.site, world.caller("agent"), number, "Our log says so.")
        engine.dispose()


# -------------------------------------------------------------------------------------- a live server


def mail_of(world: World) -> dict[str, str]:
    """The settings of a world's mail, for a server as a process of its own."""
    settings = world.site.settings
    return {
        "smtp_host": "127.0.0.1", "smtp_port": str(settings.smtp_port), "smtp_security": "none",
        "mail_from": settings.mail_from, "database_url": settings.url, "public_url": settings.public_url,
    }  # fmt: skip


def test_a_server_sends_and_stops_when_told_though_its_mail_server_hangs(
    lite_world: World, tmp_path: Path
) -> None:
    with scripted("220 ready", "250 hello", "250 ok", None) as (port, read):
        with_mail(lite_world, port)
        number, *_ = planned(lite_world)
        with live(tmp_path, "--no-demo", **mail_of(lite_world)) as server:
            until(lambda: len(read) == 3)
            assert server.stop(signal.SIGTERM) == 0
    row = told(lite_world, number).delivery
    assert (row.state, row.reason.partition("|")[0], row.attempts) == ("waiting", "put-off", 1)


def test_a_server_that_is_killed_while_it_sends_sends_nothing_twice(
    lite_world: World, tmp_path: Path
) -> None:
    arrived, go_on = threading.Event(), threading.Event()

    def hold_up() -> None:
        arrived.set()
        go_on.wait(SECONDS_TO_START)

    with postbox() as box:
        with_mail(lite_world, box.port)
        numbers = [planned(lite_world, number=number)[0] for number in (1, 2)]
        box.before_answer = hold_up
        with live(tmp_path, "--no-demo", **mail_of(lite_world)) as server:
            until(arrived.is_set)
            server.stop(signal.SIGKILL)
            box.before_answer = None
            go_on.set()
            server.start()
            until(lambda: told(lite_world, numbers[1]).delivery.state == "sent")
            assert server.stop() == 0
        assert told(lite_world, numbers[0]).delivery.state == "held"
        assert sorted(box.ids) == sorted(row.message_id for row in rows(lite_world))
