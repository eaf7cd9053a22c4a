"""The header Idempotency-Key: carried out once, answered again, never half done, on both engines."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from threading import Barrier, Event
from typing import Any

import pytest
import sqlalchemy as sa
from fastapi import APIRouter, FastAPI, UploadFile
from starlette.responses import Response
from structlog.testing import capture_logs

from service.actions import submissions
from service.api import add_part
from service.api.common import Input, Line
from service.callers import Right, operator
from service.refusals import Conflict, Unavailable
from service.server import make_app
from service.store import schema
from service.store.database import Database
from service.web.asking import ApiCaller, TheSite
from tests.app.server.conftest import World
from tests.app.server.test_api_frame import mounted, told
from tests.app.server.tokens import program


class County(Input):
    id: Line
    fail: bool = False


def app_of(world: World, entered: Event | None = None, leave: Event | None = None) -> FastAPI:
    """The application with operations that store a county, fail, or wait."""
    router = APIRouter()

    @router.post("/test-counties", status_code=201)
    def add(caller: ApiCaller, site: TheSite, county: County) -> dict[str, str]:
        if entered and leave:
            entered.set()
            assert leave.wait(20)
        with site.database.change(caller, Right.REGISTER_SAMPLES) as change:
            row = {"id": county.id, "name": county.id, "region": "marrowdale"}
            change.connection.execute(schema.county.insert().values(row))
            change.note("add", "county", county.id, after=row)
            if county.fail:
                raise Conflict("this one always fails", fix="choose another")
        return {"id": county.id}

    @router.post("/test-counties/and-break")
    def add_and_break(caller: ApiCaller, site: TheSite, county: County) -> dict[str, str]:
        add(caller, site, county)
        raise RuntimeError("after the commit")

    @router.post("/test-files")
    def file(caller: ApiCaller, site: TheSite, file: UploadFile) -> Response:
        add(caller, site, County(id=file.file.read().decode()))
        return Response(b"%PDF-\x00\xff", media_type="application/pdf")

    app = make_app(world.site)
    add_part(mounted(app), router, "counties")
    return app


def counties(world: World) -> set[str]:
    with world.site.database.look(operator(), None) as look:
        return set(look.connection.scalars(sa.select(schema.county.c.id))) - {"upper", "lower"}


def kept(world: World) -> int:
    with world.site.database.look(operator(), None) as look:
        return look.connection.scalar(sa.select(sa.func.count()).select_from(schema.submission)) or 0


def send(client: Any, county: str, key: str | None = "k1", **more: Any) -> Any:
    headers = {} if key is None else {"idempotency-key": key}
    return client.post("/api/v1/test-counties", json={"id": county, **more}, headers=headers)


def test_the_same_request_is_answered_again_and_not_carried_out_again(world: World) -> None:
    client = program(world, "laboratory", app=app_of(world))
    first = send(client, "east")
    again = send(client, "east")
    assert (first.status_code, first.json()) == (201, {"id": "east"}), first.text
    assert (again.status_code, again.content) == (201, first.content)
    assert again.headers["content-type"] == first.headers["content-type"]
    assert again.headers["idempotency-replayed"] == "true"
    assert "idempotency-replayed" not in first.headers
    assert again.headers["x-request-id"] != first.headers["x-request-id"]
    quoted = send(client, "east", '"k1"')  # the same key, as a string of a structured header
    assert quoted.headers["idempotency-replayed"] == "true"
    with world.site.database.look(operator(), None) as look:
        assert look.connection.scalars(sa.select(schema.audit.c.verb)).all() == ["add"]


def test_without_a_key_everything_is_carried_out(world: World) -> None:
    client = program(world, "laboratory", app=app_of(world))
    assert send(client, "east", None).status_code == 201
    assert told(send(client, "east", None), 409)["title"].startswith("somebody has just stored the same")
    assert kept(world) == 0


def test_a_key_stands_for_one_request_alone(world: World) -> None:
    client = program(world, "laboratory", app=app_of(world))
    send(client, "east")
    problem = told(send(client, "west"), 422)
    assert problem["title"] == "this idempotency key was used for another request"
    headers = {"idempotency-key": "k1"}
    assert told(client.post("/api/v1/test-counties?x=1", json={"id": "east"}, headers=headers), 422)
    assert told(client.post("/api/v1/test-counties/and-break", json={"id": "east"}, headers=headers), 422)
    assert counties(world) == {"east"}
    assert send(client, "west", "k2").status_code == 201


def test_keys_of_two_people_have_nothing_to_do_with_each_other(world: World) -> None:
    app = app_of(world)
    send(program(world, "laboratory", app=app), "east")
    other = send(program(world, "agent", app=app), "west")
    assert (other.status_code, other.json()) == (201, {"id": "west"})


def test_a_token_with_fewer_rights_does_not_get_the_answer(world: World) -> None:
    app = app_of(world)
    send(program(world, "laboratory", app=app), "east")
    few = program(world, "laboratory", [Right.READ_SAMPLES], app=app)
    assert told(send(few, "east"), 422)
    assert told(send(program(world, None, app=app), "east"), 401)


def test_what_failed_frees_its_key(world: World) -> None:
    client = program(world, "laboratory", app=app_of(world))
    assert told(send(client, "east", fail=True), 409)["title"] == "this one always fails"
    assert told(send(client, "east", no_such_field=1), 422)
    assert (counties(world), kept(world)) == (set(), 0)
    assert send(client, "east").status_code == 201


def test_what_broke_after_it_was_stored_is_not_stored_again(world: World) -> None:
    client = program(world, "laboratory", app=app_of(world))
    headers = {"idempotency-key": "k1"}
    with capture_logs():
        broken = client.post("/api/v1/test-counties/and-break", json={"id": "east"}, headers=headers)
    assert told(broken, 500)
    problem = told(client.post("/api/v1/test-counties/and-break", json={"id": "east"}, headers=headers), 409)
    assert problem["title"] == "this request was carried out, but its answer was not kept"
    assert counties(world) == {"east"}


def test_an_answer_with_the_secret_of_a_link_is_not_kept(world: World) -> None:
    client = program(world, "administrator", app=app_of(world))
    account = {"email": "new@soil.example", "name": "New", "role": "administrator"}
    asked = {"json": account, "headers": {"idempotency-key": "k1"}}
    made = client.post("/api/v1/accounts", **asked)
    assert (made.status_code, "/set-password/" in made.json()["link"]) == (201, True)
    with world.site.database.look(operator(), None) as look:
        rows = look.connection.execute(sa.select(schema.submission)).all()
    assert [(row.carried_out, row.answer) for row in rows] == [(True, None)]
    problem = told(client.post("/api/v1/accounts", **asked), 409)
    assert problem["title"] == "this request was carried out, but its answer was not kept"


def test_an_upload_is_the_same_whatever_boundary_its_form_has(world: World) -> None:
    client = program(world, "laboratory", app=app_of(world))

    def upload(text: bytes, name: str = "list.csv") -> Any:
        files = {"file": (name, text, "text/csv")}
        return client.post("/api/v1/test-files", files=files, headers={"idempotency-key": "k1"})

    first, again = upload(b"east"), upload(b"east")
    assert first.request.headers["content-type"] != again.request.headers["content-type"]
    assert (first.status_code, again.headers["idempotency-replayed"]) == (200, "true")
    assert again.content == b"%PDF-\x00\xff"  # the very bytes, JSON or not
    assert again.headers["content-type"] == "application/pdf"
    assert told(upload(b"west"), 422)
    assert told(upload(b"east", "other.csv"), 422)


@pytest.mark.parametrize("key", ["", " ", "a b", "a" * 201, '"a', "é", "a\tb", '""', "a\\b"])
def test_a_key_that_is_none_is_refused(lite_world: World, key: str) -> None:
    client = program(lite_world, "laboratory", app=app_of(lite_world))
    answer = client.post(
        "/api/v1/test-counties", json={"id": "east"}, headers=[(b"idempotency-key", key.encode("latin-1"))]
    )
    problem = told(answer, 422)
    assert problem["expected"] == "1 to 200 visible characters of ASCII, without blanks"
    assert counties(lite_world) == set()
    assert send(client, "east", "a" * 200).status_code == 201


def test_a_second_try_meanwhile_is_told_to_wait(world: World) -> None:
    entered, leave = Event(), Event()
    app = app_of(world, entered, leave)
    first, second = program(world, "laboratory", app=app), program(world, "laboratory", app=app)
    with ThreadPoolExecutor(1) as threads:
        running = threads.submit(send, first, "east")
        assert entered.wait(20)
        problem = told(send(second, "east"), 409)
        assert problem["title"] == "this very request is still being carried out"
        leave.set()
        assert running.result(20).status_code == 201
    assert send(second, "east").headers["idempotency-replayed"] == "true"


def test_of_many_at_once_one_is_carried_out(world: World) -> None:
    app, start = app_of(world), Barrier(6)
    clients = [program(world, "laboratory", app=app) for _ in range(6)]

    def one(client: Any) -> int:
        start.wait(20)
        status: int = send(client, "east").status_code
        return status

    with ThreadPoolExecutor(6) as threads:
        statuses = list(threads.map(one, clients))
    assert set(statuses) <= {201, 409}
    assert 201 in statuses
    assert counties(world) == {"east"}
    with world.site.database.look(operator(), None) as look:
        assert look.connection.scalars(sa.select(schema.audit.c.verb)).all() == ["add"]
    assert send(clients[0], "east").headers["idempotency-replayed"] == "true"


def test_an_answer_is_kept_for_a_day_and_swept(world: World) -> None:
    app = app_of(world)
    send(program(world, "laboratory", app=app), "east")
    send(program(world, "agent", app=app), "west")
    world.clock.move(hours=23, minutes=59, seconds=59)
    client = program(world, "laboratory", app=app)
    assert send(client, "east").headers["idempotency-replayed"] == "true"
    world.clock.move(seconds=1)
    assert send(client, "south").status_code == 201  # the key stands for nothing any more
    assert kept(world) == 1


def test_a_try_that_was_cut_off_before_it_stored_anything_is_carried_out_later(world: World) -> None:
    caller, site = world.caller("laboratory"), world.site
    number = submissions.begin(site, caller, "k1", "digest")
    assert isinstance(number, int)
    world.clock.move(minutes=9, seconds=59)
    with pytest.raises(Conflict, match="still being carried out"):
        submissions.begin(site, caller, "k1", "digest")
    world.clock.move(seconds=1)
    later = submissions.begin(site, caller, "k1", "digest")
    assert isinstance(later, int)
    # Should the first try come to life again, it stores nothing.
    late = site.database.change(replace(caller, submission_id=number), Right.REGISTER_SAMPLES)
    with pytest.raises(Conflict, match="given to another try"), late as change:  # noqa: PT012
        change.connection.execute(schema.county.insert().values(id="east", name="x", region="marrowdale"))
        change.note("add", "county", "east")
    assert counties(world) == set()


def test_a_try_that_was_cut_off_after_it_stored_something_is_never_carried_out_again(world: World) -> None:
    caller, site = world.caller("laboratory"), world.site
    number = submissions.begin(site, caller, "k1", "digest")
    assert isinstance(number, int)
    with site.database.change(replace(caller, submission_id=number), Right.REGISTER_SAMPLES) as change:
        change.connection.execute(schema.county.insert().values(id="east", name="x", region="marrowdale"))
        change.note("add", "county", "east")
    with pytest.raises(Conflict, match="still being carried out"):
        submissions.begin(site, caller, "k1", "digest")
    world.clock.move(minutes=10)
    with pytest.raises(Conflict, match="carried out, but its answer was not kept"):
        submissions.begin(site, caller, "k1", "digest")


def test_an_answer_that_cannot_be_kept_is_given_all_the_same(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: object) -> None:
        raise Unavailable("the database does not answer")

    client = program(lite_world, "laboratory", app=app_of(lite_world))
    monkeypatch.setattr(submissions, "finish", gone)
    assert send(client, "east").status_code == 201
    monkeypatch.undo()
    assert told(send(client, "east"), 409)
    assert counties(lite_world) == {"east"}


def test_an_answer_too_large_to_keep_is_not_given_twice(world: World) -> None:
    caller = world.caller("laboratory")
    for key, size, kept_ in (
        ("small", submissions.LARGEST_ANSWER, 1),
        ("large", submissions.LARGEST_ANSWER + 1, 1),
    ):
        number = submissions.begin(world.site, caller, key, "digest")
        assert isinstance(number, int)
        submissions.finish(world.site, caller, number, 200, "text/csv", b" " * size)
        assert kept(world) == kept_


def test_where_the_database_is_gone_nothing_is_carried_out(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = program(lite_world, "laboratory", app=app_of(lite_world))

    def gone(*_: object) -> None:
        raise Unavailable("the database does not answer", fix="wait a moment")

    monkeypatch.setattr(Database, "housekeeping", gone)
    answer = send(client, "east")
    assert told(answer, 503)
    assert answer.headers["retry-after"] == "10"
    assert counties(lite_world) == set()
