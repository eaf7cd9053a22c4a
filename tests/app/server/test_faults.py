"""Databases that go, stay locked or are full, and servers that are killed: told in words, never half done."""

from __future__ import annotations

import errno
import signal
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx2
import pytest
import sqlalchemy as sa
from starlette.testclient import TestClient

from interpretation.agronomy.tables import TableSet
from service.callers import operator
from service.paths import demo_directory
from service.refusals import Unavailable
from service.store import database, schema
from service.store.database import make_engine
from tests.app.server.clusters import Cluster, cluster
from tests.app.server.conftest import World, make_world
from tests.app.server.live import Live, live

ADMINISTRATOR = "administrator@localhost"
RUN = demo_directory() / "bray-p.csv"


class Browser:
    """The administrator at a live server, adding counties."""

    def __init__(self, server: Live) -> None:
        self.server = server
        self.cookies = server.cookie(ADMINISTRATOR)
        engine = make_engine(server.url)
        with engine.connect() as connection:
            self.form_token = connection.scalars(
                sa.select(schema.session.c.form_token).order_by(schema.session.c.id.desc())
            ).first()
        engine.dispose()
        self.client = httpx2.Client(base_url=server.address, cookies=self.cookies, timeout=30)

    def close(self) -> None:
        self.client.close()

    def look(self) -> httpx2.Response:
        return self.client.get("/counties")

    def add(self, county: str) -> httpx2.Response:
        form = {"form_token": self.form_token, "id": county, "name": county.title(), "region": "marrowdale"}
        return self.client.post("/counties", data=form)


def stored(url: str) -> tuple[set[str], set[str]]:
    """The counties that are there, and those that an audit line says were added."""
    engine = make_engine(url)
    with engine.connect() as connection:
        counties = set(connection.scalars(sa.select(schema.county.c.id)))
        lines = set(
            connection.scalars(sa.select(schema.audit.c.object_id).where(schema.audit.c.kind == "county"))
        )
    engine.dispose()
    return counties, lines


@pytest.fixture(scope="module")
def own_cluster() -> Iterator[Cluster]:
    """A PostgreSQL that may be stopped; what it has confirmed is with the system."""
    with cluster("-c fsync=off -c synchronous_commit=on") as running:
        yield running


def test_postgresql_gone_for_a_while_is_told_in_words_and_loses_nothing(
    own_cluster: Cluster, tmp_path: Path
) -> None:
    with (
        live(tmp_path, "--no-demo", database_url=own_cluster.url("postgres")) as server,
        closing(Browser(server)) as browser,
    ):
        assert browser.look().status_code == 200
        assert browser.add("before").status_code == 303
        own_cluster.stop()
        for answer in (browser.look(), browser.add("during"), browser.look()):
            assert answer.status_code == 503
            assert answer.headers["retry-after"] == "10"
            assert "the database does not answer, so nothing was stored" in answer.text
            assert "wait a moment and send it again" in answer.text
        problem = httpx2.get(f"{server.address}/api/v1/me", headers={"authorization": "Bearer x"})
        assert problem.status_code == 503
        assert problem.headers["content-type"] == "application/problem+json"
        assert problem.headers["retry-after"] == "10"
        assert httpx2.get(f"{server.address}/static/site.css").status_code == 200
        own_cluster.start()
        assert browser.look().status_code == 200  # with the session from before
        assert browser.add("after").status_code == 303
        assert stored(server.url) == ({"before", "after"}, {"before", "after"})
        assert server.lines("database")[0]["level"] == "warning"  # and the log says why
        assert server.lines("unexpected") == []


def test_sqlite_killed_while_it_writes_is_whole_and_keeps_what_was_confirmed(tmp_path: Path) -> None:
    server = Live(tmp_path, "--no-demo")
    server.start()
    confirmed, tried = [], []
    enough = threading.Event()

    def write(browser: Browser, name: str) -> None:
        for number in range(10_000):
            county = f"{name}-{number}"
            tried.append(county)
            try:
                answer = browser.add(county)
            except httpx2.HTTPError:
                return
            assert answer.status_code == 303
            confirmed.append(county)
            if len(confirmed) > 20:
                enough.set()

    browsers = {name: Browser(server) for name in ("a", "b", "c")}
    writers = [threading.Thread(target=write, args=(each, name)) for name, each in browsers.items()]
    for writer in writers:
        writer.start()
    assert enough.wait(60)
    assert server.stop(signal.SIGKILL) == -signal.SIGKILL
    for writer, browser in zip(writers, browsers.values(), strict=True):
        writer.join()
        browser.close()
    with sqlite3.connect(tmp_path / "data" / "furrowslice.sqlite3") as raw:
        assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    raw.close()
    counties, lines = stored(server.url)
    assert counties == lines  # each with its audit line
    assert set(confirmed) <= counties <= set(tried)
    server.start()  # and goes on without a word
    with closing(Browser(server)) as browser:
        assert browser.add("after").status_code == 303
    assert server.stop() == 0


def threads(server: Live) -> int:
    """How many threads the server has."""
    return len(list(Path(f"/proc/{server.pid}/task").iterdir()))


def test_what_was_begun_is_finished_before_it_stops(tmp_path: Path) -> None:
    answers: list[int] = []
    with live(tmp_path, "--no-demo") as server, closing(Browser(server)) as browser:
        with sqlite3.connect(tmp_path / "data" / "furrowslice.sqlite3", isolation_level=None) as other:
            other.execute("BEGIN IMMEDIATE")  # the request waits for this writer
            waiting = threading.Thread(target=lambda: answers.append(browser.add("late").status_code))
            idle = threads(server)
            waiting.start()
            while threads(server) == idle:  # the first request that is taken up gets a thread of its own
                assert waiting.is_alive()
                time.sleep(0.02)
            waiting.join(0.2)
            assert server.process is not None
            server.process.terminate()
            waiting.join(0.5)
            assert answers == []
            other.execute("ROLLBACK")
        other.close()
        waiting.join()
        assert answers == [303]
        assert server.process.wait(30) == 0
    assert stored(server.url)[0] == {"late"}


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waiting for another writer takes a second instead of five."""
    monkeypatch.setattr(database, "SECONDS_TO_WAIT", 1)


@pytest.fixture
def brief_world(
    hasty: None, make_url: Callable[[str], str], tables: TableSet, tmp_path: Path
) -> Iterator[World]:
    """A world on SQLite that does not wait long."""
    yield from make_world(make_url("sqlite"), tables, tmp_path)


def add_county(world: World, client: TestClient) -> Any:
    form = {"form_token": world.form_token(client), "id": "east", "name": "East", "region": "marrowdale"}
    return client.post("/counties", data=form)


def upload(world: World, client: TestClient) -> Any:
    cups = "".join(f"{1000 + each},sample,S{each:05d},,,8427,\n" for each in range(3000))  # over a few pages
    files = {"file": (RUN.name, RUN.read_bytes() + cups.encode())}
    form = {"form_token": world.form_token(client), "layout": "point-comma"}
    return client.post("/runs/upload", data=form, files=files)


def test_sqlite_locked_for_longer_than_the_wait_is_told_and_can_be_read_all_the_while(
    brief_world: World,
) -> None:
    client = brief_world.client("administrator")
    with sqlite3.connect(str(brief_world.site.database.engine.url.database), isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        answer = add_county(brief_world, client)
        assert answer.status_code == 503
        assert answer.headers["retry-after"] == "10"
        assert "the database does not answer, so nothing was stored" in answer.text
        assert client.get("/counties").status_code == 200
        brief_world.clock.move(minutes=5)  # the session's last use would be written now
        assert client.get("/counties").status_code == 200
        other.execute("ROLLBACK")
    other.close()
    assert add_county(brief_world, client).status_code == 303


def test_a_full_disk_during_an_upload_is_told_and_stores_nothing(lite_world: World) -> None:
    engine = lite_world.site.database.engine
    room: dict[str, int] = {}

    def limit(connection: Any, *_: object) -> None:
        connection.execute(f"PRAGMA max_page_count={room.get('pages', 2**30)}")

    sa.event.listen(engine, "checkout", limit)
    client = lite_world.client("laboratory")
    with engine.connect() as connection:
        room["pages"] = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    answer = upload(lite_world, client)
    assert answer.status_code == 507
    assert "the disk is full, so nothing was stored" in answer.text
    assert "make room on the server&#39;s disk" in answer.text
    with engine.connect() as connection:
        assert connection.execute(sa.select(schema.run)).all() == []
        assert connection.execute(sa.select(schema.audit)).all() == []
    room.clear()
    assert upload(lite_world, client).status_code == 303


def test_a_full_disk_while_a_file_comes_in_is_told(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    client = lite_world.client("laboratory")
    token = lite_world.form_token(client)
    monkeypatch.setattr(tempfile.SpooledTemporaryFile, "write", full)
    answer = client.post(
        "/runs/upload", data={"form_token": token}, files={"file": ("run.csv", b"x" * 2**20)}
    )
    assert answer.status_code == 507
    assert "the disk is full, so nothing was stored" in answer.text


@pytest.mark.parametrize("statement", ["SELECT nothing FROM account", "SELECT 1 FROM nowhere", "SELEC 1"])
def test_a_mistake_of_the_program_is_no_fault_of_the_database(world: World, statement: str) -> None:
    with pytest.raises(sa.exc.DBAPIError), world.site.database.look(operator(), None) as look:
        look.connection.exec_driver_sql(statement)


def test_what_rows_hold_does_not_get_into_an_error(world: World) -> None:
    name = "Barn is full of J. Doe's hay"
    with pytest.raises(sa.exc.DBAPIError) as broken, world.site.database.look(operator(), None) as look:
        look.connection.execute(sa.text("SELECT * FROM nowhere WHERE name = :name"), {"name": name})
    assert "Doe" not in str(broken.value)


def test_a_writer_on_postgresql_waits_for_another_only_so_long(
    hasty: None, make_url: Callable[[str], str]
) -> None:
    url = make_url("postgresql")
    one, other = database.Database(make_engine(url)), database.Database(make_engine(url))
    row = {"id": "is full", "name": "no space left", "region": "marrowdale"}  # words that mean something else
    with one.housekeeping(operator()) as look:
        look.connection.execute(sa.text("LOCK TABLE county"))
        with pytest.raises(Unavailable, match="does not answer"), other.housekeeping(operator()) as second:
            second.connection.execute(schema.county.insert().values(row))
    one.close()
    other.close()
