"""Batches by their three doors: pages, API and command line, and the server that works on them."""

from __future__ import annotations

import io
import signal
import sys
import threading
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from interpretation.errors import FurrowsliceError
from service.actions import batches
from service.actions.batches import BatchWish
from service.cli import app
from service.cli import batches as commands
from service.outputs import Outputs
from service.store import jobwork, schema
from service.work import foreman as foreman_module
from service.work.foreman import Foreman
from tests.app.server.batches import (
    Inline,
    add_many,
    add_ready,
    ended_batch,
    items,
    rows,
    start,
    states,
    use_plain_pages,
    work,
)
from tests.app.server.conftest import ORIGIN, World
from tests.app.server.tokens import make_token, program

FORM = {"title": "Spring", "language": "own", "units": "own", "paper": "a4"}
pause = threading.Event()


@pytest.fixture
def outputs(lite_world: World, monkeypatch: pytest.MonkeyPatch) -> Outputs:
    return use_plain_pages(lite_world, monkeypatch)


def post(world: World, client: Any, path: str, **given: str) -> Any:
    return client.post(
        path, data={"form_token": world.form_token(client)} | given, headers={"origin": ORIGIN}
    )


# ------------------------------------------------------------------------------------------- pages


def test_a_person_looks_starts_follows_and_takes_what_was_made(lite_world: World, outputs: Outputs) -> None:
    world = lite_world
    add_ready(world, 1), add_ready(world, 2, values=False)
    client = world.client("agent")
    assert "No batch has been asked for yet." in client.get("/batches").text
    looked = post(world, client, "/batches/look", **FORM)
    assert "1 report would be made." in looked.text
    assert "Left out, without values yet: 1." in looked.text
    assert rows(world, schema.job) == [], "looking stores nothing"
    begun = post(world, client, "/batches", **FORM, seen="1")
    assert begun.headers["location"] == "/batches/1?done=batches.done-started"
    page = client.get("/batches/1").text
    assert 'data-poll="3"' in page
    assert "0 of 1 ended." in page
    assert "/batches/1/zip" not in page
    work(world, 1)
    page = client.get("/batches/1").text
    assert "data-poll" not in page, "nothing more will change"
    assert '<progress class="whole" max="1" value="1"' in page
    answer = client.get("/batches/1/zip")
    assert answer.headers["content-type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert len(archive.namelist()) == 2
    assert "Spring" in client.get("/batches").text
    assert "Spring" not in world.client("other-agent").get("/batches").text


def test_a_batch_says_what_it_waits_for(lite_world: World) -> None:
    world = lite_world
    add_many(world, 2)
    first, second = start(world, visits=(1,)), start(world, visits=(2,))
    client, api = world.client("laboratory"), program(world, "laboratory")

    def said(batch: int) -> tuple[str, bool, bool]:
        page, told = client.get(f"/batches/{batch}").text, api.get(f"/api/v1/batches/{batch}")
        return told.json()["waits_for"], "Nobody works on this" in page, "Another batch is worked on" in page

    world.clock.move(seconds=60)  # asked 60 s ago: a server may still begin
    assert said(first) == said(second) == ("", False, False)
    world.clock.move(seconds=1)
    assert said(first) == said(second) == ("workers", True, False)
    with world.site.database.housekeeping(world.caller("laboratory")) as look:
        taken = jobwork.take(look, jobwork.any_job(look, first), "elsewhere 1 2 a")
    assert taken
    assert (said(first), said(second)) == (("", False, False), ("others", False, True))
    world.clock.move(seconds=60)  # the lease is 60 s
    assert (said(first), said(second)) == (("", False, False), ("others", False, True))
    world.clock.move(seconds=1)
    assert said(first) == said(second) == ("workers", True, False)
    batches.cancel(world.site, world.caller("laboratory"), first)
    assert said(first) == ("", False, False)


def test_what_cannot_be_started_is_said_beside_the_form(lite_world: World) -> None:
    world = lite_world
    add_ready(world, 1)
    client = world.client("laboratory")
    for given, status, said in (
        ({"title": " "}, 422, "one line of at most 100 characters"),
        ({"seen": "2"}, 409, "there are 1 reports to be made now, and not 2"),
        ({"county": "nowhere"}, 422, "choose one from the list"),
        ({"since": "yesterday"}, 422, "some of what was typed cannot be taken"),
        ({"language": "de"}, 422, "some of what was typed cannot be taken"),
        ({"numbers": "26-99999"}, 422, "no visit of these can be reported on"),
        ({"search": "a\u202eb"}, 422, "some of what was typed cannot be taken"),
    ):
        answer = post(world, client, "/batches", **(FORM | given))
        assert (answer.status_code, said in answer.text) == (status, True), given
        assert 'action="/batches/look"' in answer.text, "what was typed is still there"
    assert rows(world, schema.job) == []


def test_what_failed_is_shown_with_its_reason_and_tried_again(lite_world: World) -> None:
    world = lite_world
    lands = [add_ready(world, number) for number in (1, 2)]
    world.clock.move(hours=1)
    ended_batch(world, world.caller("laboratory"), {land.visits[0]: None for land in lands})
    client = world.client("laboratory")
    page = client.get("/batches/1").text
    assert page.count("there is nothing to report yet") == 2
    assert "Plot 2" not in client.get("/batches/1?after=2").text
    again = post(world, client, "/batches/1/again")
    assert again.headers["location"] == "/batches/1?done=batches.done-again"
    assert states(world) == ["waiting"] * 2
    assert rows(world, schema.job)[0].state == "waiting"
    cancelled = post(world, client, "/batches/1/cancel")
    assert cancelled.headers["location"] == "/batches/1?done=batches.done-cancelled"
    assert post(world, client, "/batches/1/again").status_code == 409


def test_names_are_printed_and_never_obeyed(lite_world: World) -> None:
    world = lite_world
    add_ready(world, 1, values=False)
    add_ready(world, 2)
    evil = "<b onclick=alert(1)>&"
    with world.site.database.housekeeping(world.caller("laboratory")) as look:
        for table in (schema.grower, schema.field):
            look.connection.execute(table.update().values(name=evil))
    client = world.client("laboratory")
    assert evil not in post(world, client, "/batches/look", **FORM).text
    post(world, client, "/batches", **(FORM | {"title": evil}))
    for path in ("/batches", "/batches/1"):
        assert evil not in client.get(path).text
        assert "&lt;b onclick" in client.get(path).text


# --------------------------------------------------------------------------------------------- API


def test_a_program_asks_for_a_batch_and_follows_it(lite_world: World, outputs: Outputs) -> None:
    world = lite_world
    for number in (1, 2, 3):
        add_ready(world, number, values=number < 3)
    client = world.client()
    client.headers["authorization"] = f"Bearer {make_token(world, 'agent')}"
    told = client.post("/api/v1/batches/preview", json={"visits": [1, 2, 3, 99]}).json()
    assert (told["reports"], told["left_out"]) == (2, {"no-values": 1, "unknown": 1})
    assert (told["visits"], told["unknown"]) == ([{"visit_id": 3, "reason": "no-values"}], ["99"])
    made = client.post("/api/v1/batches", json={"title": "Spring", "units": "us", "seen": 2})
    assert (made.status_code, made.json()["waiting"], made.json()["units"]) == (201, 2, "us")
    work(world, 1)
    assert client.get("/api/v1/batches/1").json()["done"] == 2
    first = client.get("/api/v1/batches/1/items?limit=1").json()
    assert (first["items"][0]["number"], first["next"]) == (1, 1)
    second = client.get("/api/v1/batches/1/items?limit=1&after=1&state=done").json()
    assert (second["items"][0]["number"], second["next"]) == (2, None)
    assert client.get("/api/v1/batches?limit=1").json()["next"] is None
    assert client.get("/api/v1/batches/1/zip").content.startswith(b"PK")
    assert client.post("/api/v1/batches/1/again").status_code == 409
    wrong = client.post("/api/v1/batches", json={"title": "x", "state": "done"})
    assert wrong.status_code == 422, "nothing is taken that was not declared"
    assert client.post("/api/v1/batches/preview", json={"visits": [0]}).status_code == 422
    assert client.post("/api/v1/batches/preview", json={"language": "de"}).status_code == 422


# ------------------------------------------------------------------------------------ command line


@pytest.fixture
def command(
    lite_world: World, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """``furrowslice batch`` on the world's database, with hands that draw stand-ins here."""
    monkeypatch.setattr(commands, "database", _on(lite_world))
    monkeypatch.setattr("service.work.executors.open_crew", _hands)

    def run(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["furrowslice", "batch", *map(str, arguments)])
        status = 0
        try:
            app.main()
        except SystemExit as end:
            status = int(end.code or 0)
        printed = capsys.readouterr()
        return status, printed.out, printed.err

    return run


def _on(world: World) -> Callable[..., Any]:
    @contextmanager
    def database(_settings: object) -> Iterator[Any]:
        yield world.site

    return database


def _hands(*_: object) -> Any:
    return nullcontext(Inline())


LAB = ("--laboratory", "Quillwater Soil Laboratory")


def test_the_command_line_starts_works_lists_and_hands_out(
    lite_world: World, outputs: Outputs, command: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    world = lite_world
    add_ready(world, 1), add_ready(world, 2), add_ready(world, 3, values=False)
    status, out, _ = command("start", "--title", "Spring", *LAB, "--dry-run")
    assert (status, out) == (0, "2 reports to be made.\nLeft out: 1 without values\n")
    assert rows(world, schema.job) == []
    status, out, err = command("start", "--title", "Spring", *LAB)
    assert status == 0
    assert "Batch 1 was started." in out
    assert "batch 1: 2 of 2 issued" in out
    assert "batch 1: 2 of 2 issued" in err, "a line now and then, where nobody watches a bar"
    assert {row.issued_by for row in rows(world, schema.report)} == {"command line"}
    status, out, _ = command("list", *LAB)
    assert (status, "Spring" in out) == (0, True)
    assert command("show", 1)[0] == 0
    status, _, _ = command("zip", 1, tmp_path / "all.zip")
    assert status == 0
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        assert len(archive.namelist()) == 3
    assert (tmp_path / "all.zip").stat().st_mode & 0o777 == 0o600


def test_the_command_line_leaves_a_batch_to_the_server_and_cancels_it(
    lite_world: World, outputs: Outputs, command: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    add_ready(lite_world, 1)
    (tmp_path / "numbers.txt").write_text("26-00001\n26-00009\n")
    given = ("--samples", tmp_path / "numbers.txt", "--language", "es", "--no-run")
    status, out, _ = command("start", "--title", "Spring", *LAB, *given)
    assert (status, "Left out: 1 not there" in out) == (0, True)
    assert states(lite_world) == ["waiting"]
    assert rows(lite_world, schema.job)[0].wish["language"] == "es"
    lite_world.clock.move(seconds=61)
    assert command("show", 1)[:2] == (
        0,
        "batch 1: 0 of 1 issued, nobody works on it: see the server's log\n",
    )
    assert command("cancel", 1)[:2] == (0, "batch 1: 0 of 1 issued, 1 cancelled\n")
    status, _, err = command("run", 1)
    assert status == 2
    assert "this batch has ended" in err


def test_the_command_line_ends_with_1_where_something_failed(
    lite_world: World, outputs: Outputs, command: Callable[..., tuple[int, str, str]]
) -> None:
    land = add_ready(lite_world, 1)
    start(lite_world)
    with lite_world.site.database.housekeeping(lite_world.caller("laboratory")) as look:
        look.connection.execute(sa.delete(schema.soil_value))
    status, out, _ = command("run", 1)
    assert (status, "1 failed" in out) == (1, True)
    status, out, _ = command("show", 1)
    assert (status, "field TC-1: there is nothing to report yet" in out) == (1, True)
    assert command("try-again", 1)[:2] == (0, "1 wait again.\n")
    assert land.visits == [items(lite_world)[0].sampling_id]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("start", "--title", "x"), "it is not clear which laboratory is meant"),
        (("start", "--title", "x", "--laboratory", "Nobody"), "there is no such laboratory"),
        (("start", "--title", "x", *LAB), "no visit of these can be reported on"),
        (("start", "--title", "x", *LAB, "--units", "stones"), "some of what was typed cannot be taken"),
        (("show", "7"), "there is no such batch"),
        (("run", "7"), "there is no such batch"),
    ],
)
def test_the_command_line_refuses(
    command: Callable[..., tuple[int, str, str]], arguments: tuple[str, ...], said: str
) -> None:
    status, _, err = command(*arguments)
    assert (status, said in err) == (2, True), err


def test_the_first_signal_lets_go_and_the_second_breaks_off(request: pytest.FixtureRequest) -> None:
    # A shell lets its background processes ignore this signal: here it is as at a terminal.
    before = signal.default_int_handler
    request.addfinalizer(partial(signal.signal, signal.SIGINT, signal.signal(signal.SIGINT, before)))
    with commands._stopping() as told:
        signal.raise_signal(signal.SIGINT)
        assert told.is_set()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before


# --------------------------------------------------------------------------------------- the server


def until(reached: Callable[[], bool]) -> None:
    for _ in range(2000):
        if reached():
            return
        pause.wait(0.01)
    pytest.fail("this was not reached")


def test_a_server_works_off_what_waits_and_goes_on_after_trouble(
    lite_world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    world, faults = lite_world, [OSError("no room for a process")]
    add_many(world, 3)
    monkeypatch.setattr(foreman_module, "SECONDS_AFTER_TROUBLE", 0.01)

    def hands(*given: object) -> Any:
        if faults:
            raise faults.pop()
        return _hands(*given)

    monkeypatch.setattr(foreman_module, "open_crew", hands)
    foreman = Foreman(world.site, seconds=0.01)
    foreman.start()
    try:
        start(world, visits=(1, 2))
        start(world, visits=(3,))
        until(lambda: all(row.state == "done" for row in rows(world, schema.job)))
    finally:
        foreman.stop()
    assert states(world) == ["done"] * 3
    assert faults == []
    assert foreman_module.free_jobs(world.site) == []


def test_a_server_leaves_alone_what_another_works_on(lite_world: World) -> None:
    world = lite_world
    add_many(world, 1)
    job_id = start(world)
    assert [job.id for job in foreman_module.free_jobs(world.site)] == [job_id]
    with world.site.database.housekeeping(world.caller("laboratory")) as look:
        held = {"state": "running", "runner": "elsewhere 1 2 a", "runner_seen_at": look.now}
        look.connection.execute(schema.job.update().values(held))
    assert foreman_module.free_jobs(world.site) == []
    world.clock.move(seconds=61)
    assert [job.id for job in foreman_module.free_jobs(world.site)] == [job_id]


def test_a_server_with_outputs_that_cannot_be_is_refused(lite_world: World) -> None:
    settings = lite_world.site.settings.model_copy(update={"outputs": "ftp://elsewhere"})
    with pytest.raises(FurrowsliceError, match="reports cannot be written to 'ftp://elsewhere'"):
        Foreman(replace(lite_world.site, settings=settings))


def test_a_batch_is_planned_for_delivery_once_where_that_is_wanted(
    lite_world: World, outputs: Outputs
) -> None:
    world = lite_world
    add_many(world, 3)
    work(world, start(world, BatchWish(deliver=True)))
    planned = rows(world, schema.delivery)
    assert sorted(row.report_id for row in planned) == sorted(row.report_id for row in items(world))
    assert rows(world, schema.job)[0].state == "done"
