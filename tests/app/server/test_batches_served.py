"""Batches on a live server that is told to stop, and killed: gone on with after the next start."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.callers import operator
from service.store import schema
from tests.app.server.batches import add_many, items, rows, start, states
from tests.app.server.conftest import World
from tests.app.server.live import Live

pause = threading.Event()


def until(reached: Callable[[], bool]) -> None:
    for _ in range(6000):
        if reached():
            return
        pause.wait(0.05)
    pytest.fail("this was not reached")


def is_begun(world: World) -> bool:
    chosen = sa.select(sa.func.sum(schema.job_item.c.attempts)).where(schema.job_item.c.state == "waiting")
    with world.site.database.look(operator(), None) as look:
        return bool(look.connection.execute(chosen).scalar_one())


def test_a_served_batch_survives_a_stop_and_a_kill(lite_world: World, tmp_path: Path) -> None:
    world = lite_world
    add_many(world, 8)
    start(world)
    server = Live(
        tmp_path, "--no-demo", database_url=world.site.settings.url, workers="1",
        outputs=(tmp_path / "out").as_uri(),
    )  # fmt: skip
    try:
        server.start()
        until(lambda: is_begun(world))
        assert server.stop(signal.SIGTERM) == 0
        assert [(row.state, row.runner) for row in rows(world, schema.job)] == [("waiting", "")]
        assert {row.attempts for row in items(world)} == {0}
        server.start()
        until(lambda: is_begun(world))
        server.stop(signal.SIGKILL)
        assert rows(world, schema.job)[0].state == "running"
        server.start()
        until(lambda: bool(rows(world, schema.job)[0].state == "done"))
    finally:
        server.stop(signal.SIGKILL)
    assert states(world) == ["done"] * 8
    assert len(rows(world, schema.report)) == 8
    assert {path.name for path in (tmp_path / "out").rglob("*.pdf")} == {
        row.file_name for row in items(world)
    }
