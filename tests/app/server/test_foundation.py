"""The frame of the server: transactions, sessions, forms, headers, errors."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.callers import Right, operator
from service.refusals import Conflict, NotAllowed
from service.store import schema
from service.store.database import make_engine
from tests.app.server.conftest import World


def test_a_change_is_stored_whole_with_its_audit_line_or_not_at_all(world: World) -> None:
    laboratory = world.caller("laboratory")
    row = {"id": "east", "name": "East", "region": "marrowdale"}
    with pytest.raises(ZeroDivisionError), world.site.database.change(laboratory, None) as change:  # noqa: PT012
        change.connection.execute(schema.county.insert().values(row))
        change.note("add", "county", "east", after=row)
        _ = 1 / 0
    with world.site.database.look(operator(), None) as look:
        counties = look.connection.scalars(sa.select(schema.county.c.id).order_by("id")).all()
        assert counties == ["lower", "upper"]
        assert look.connection.scalars(sa.select(schema.audit.c.verb)).all() == []
    with world.site.database.change(laboratory, None) as change:
        change.connection.execute(schema.county.insert().values(row))
        change.note("add", "county", "east", after=row)
    with world.site.database.look(operator(), None) as look:
        line = look.connection.execute(sa.select(schema.audit)).one()
    assert (line.who, line.door, line.verb, line.object_id) == ("Laboratory", "page", "add", "east")
    assert (line.before, line.after, line.at) == (None, row, world.clock.at)


def test_a_change_without_an_audit_line_is_not_stored(world: World) -> None:
    with (
        pytest.raises(AssertionError, match="audit line"),
        world.site.database.change(operator(), None) as change,
    ):
        change.connection.execute(schema.county.insert().values(id="east", name="East", region="marrowdale"))
    with world.site.database.look(operator(), None) as look:
        assert len(look.connection.execute(sa.select(schema.county)).all()) == 2


def test_a_right_is_asked_for_before_anything_is_read(world: World) -> None:
    look = world.site.database.look(world.caller("agent"), Right.READ_RUNS)
    with pytest.raises(NotAllowed, match="not part of your work"), look:
        pytest.fail("the block was entered")


def test_what_is_stored_twice_is_a_conflict_in_words(world: World) -> None:
    with pytest.raises(Conflict, match="just stored"), world.site.database.change(operator(), None) as change:
        change.connection.execute(schema.county.insert().values(id="upper", name="x", region="marrowdale"))


def test_many_that_open_a_new_file_at_once_all_get_in(tmp_path: Path) -> None:
    """Whoever asks for WAL while another turns the file is told "locked" at once, whatever the timeout."""
    together = threading.Barrier(8)

    def opened(path: Path) -> str:
        engine = make_engine(f"sqlite:///{path}")
        together.wait()
        with engine.connect() as connection:
            mode: str = connection.exec_driver_sql("PRAGMA journal_mode").scalar_one()
        engine.dispose()
        return mode

    with ThreadPoolExecutor(8) as threads:
        for number in range(40):
            assert set(threads.map(opened, [tmp_path / f"{number}.sqlite3"] * 8)) == {"wal"}


def test_nobody_sees_a_page_before_signing_in(lite_world: World) -> None:
    answer = lite_world.client().get("/")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=/")


def test_a_session_ends_after_its_idle_time_and_after_its_longest_time(lite_world: World) -> None:
    client = lite_world.client("agent")
    assert client.get("/").status_code == 200
    lite_world.clock.move(minutes=29, seconds=59)  # idle for less than 30 minutes
    assert client.get("/").status_code == 200
    lite_world.clock.move(minutes=30)  # exactly 30 minutes since the last request
    assert client.get("/").status_code == 303
    client = lite_world.client("agent")
    for _ in range(35):  # 35 x 20 minutes is under 12 hours
        lite_world.clock.move(minutes=20)
        assert client.get("/").status_code == 200
    lite_world.clock.move(minutes=20)  # 36 x 20 minutes is 12 hours
    assert client.get("/").status_code == 303


def test_every_answer_carries_the_headers_that_keep_it_safe(lite_world: World) -> None:
    answers = {"/": 200, "/nowhere": 404, "/api/v1/openapi.json": 200, "/static/site.css": 200}
    for path, status in answers.items():
        answer = lite_world.client("agent").get(path)
        assert answer.status_code == status, path
        policy = answer.headers["content-security-policy"]
        for part in ("default-src 'self'", "object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"):
            assert part in policy, (path, part)
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["strict-transport-security"].startswith("max-age=")
        if not path.startswith("/static"):
            assert answer.headers["cache-control"] == "no-store", path


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"sec-fetch-site": "same-origin"}, 404),
        ({"origin": "https://elsewhere.example"}, 403),
        ({"origin": "https://soil.example"}, 404),
        ({}, 404),
    ],
)
def test_a_form_from_another_site_is_refused(lite_world: World, headers: dict[str, str], status: int) -> None:
    answer = lite_world.client("agent").post("/nowhere", headers=headers)
    assert answer.status_code == status


def test_an_error_is_a_page_for_people_and_a_problem_for_programs(lite_world: World) -> None:
    page = lite_world.client("agent").get("/nowhere")
    assert "there is no such page" in page.text
    assert page.headers["content-type"].startswith("text/html")
    problem = lite_world.client("agent").get("/api/v1/nowhere")
    assert problem.headers["content-type"] == "application/problem+json"
    told = problem.json()
    assert (told["status"], told["type"]) == (404, "about:blank")
    assert told["title"] == "there is no such page"
