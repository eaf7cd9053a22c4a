"""Batches whose workers and runners are killed: every report issued once, none half-written."""

from __future__ import annotations

import hashlib
import os
import signal
import threading
from collections.abc import Callable

import pytest
import sqlalchemy as sa

from service.callers import operator
from service.store import schema
from tests.app.server.batch_process import batch_process, workers_of
from tests.app.server.batches import add_many, items, rows, start, states
from tests.app.server.conftest import World

pause = threading.Event()
LONGEST = 120.0  # seconds; a machine with much to do takes its time


def count(world: World, state: str = "done") -> int:
    chosen = sa.select(sa.func.count()).where(schema.job_item.c.state == state)
    with world.site.database.look(operator(), None) as look:
        found: int = look.connection.execute(chosen).scalar_one()
    return found


def until(reached: Callable[[], bool]) -> None:
    for _ in range(int(LONGEST / 0.02)):
        if reached():
            return
        pause.wait(0.02)
    pytest.fail("this was not reached")


def check_whole(world: World, number: int) -> None:
    """Everything was issued once, and every file is there, whole, with nothing beside it."""
    assert states(world) == ["done"] * number
    reports = {row.id: row for row in rows(world, schema.report)}
    assert len(reports) == number
    assert len({row.report_id for row in reports.values()}) == number
    assert len({row.sampling_id for row in reports.values()}) == number
    found = [path for path in (world.site.settings.data / "reports").rglob("*") if path.is_file()]
    there = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in found}
    assert there == {row.file_name: row.file_sha256 for row in items(world)}
    assert {row.file_sha256 for row in items(world)} == {
        reports[row.report_id].document_sha256 for row in items(world)
    }


def test_a_batch_survives_its_workers_and_its_runner(world: World) -> None:
    number = 120 if world.site.database.engine.dialect.name == "sqlite" else 60
    add_many(world, number)
    job_id = start(world)
    with batch_process(world, job_id, SLOWLY="0.01") as process:
        until(lambda: count(world) >= number // 4)
        os.kill(workers_of(process.pid)[0], signal.SIGKILL)
        until(lambda: count(world) >= number // 2)
        workers = workers_of(process.pid)
        process.kill()
        process.wait()
        until(lambda: not any(_is_there(worker) for worker in workers))
    assert count(world, "waiting") > 0
    with batch_process(world, job_id) as again:
        assert again.wait(LONGEST) == 0, "who was killed is missed at once on the same machine"
    check_whole(world, number)


def _is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.parametrize("world", ["sqlite"], indirect=True)
def test_what_kills_every_worker_fails_alone(world: World) -> None:
    add_many(world, 12)
    job_id = start(world)
    with batch_process(world, job_id, POISON="7") as process:
        assert process.wait(LONGEST) == 0
    found = {row.sampling_id: row for row in items(world)}
    assert {row.state for visit, row in found.items() if visit != 7} == {"done"}
    assert (found[7].state, found[7].attempts) == ("failed", 3)
    assert found[7].reason == "the process that drew this came to an end over it (3 tries)"
    assert len(rows(world, schema.report)) == 11


@pytest.mark.parametrize("world", ["sqlite"], indirect=True)
def test_a_runner_that_is_told_to_stop_lets_go_and_blames_nobody(world: World) -> None:
    add_many(world, 40)
    job_id = start(world)
    with batch_process(world, job_id, SLOWLY="0.2") as process:
        until(lambda: any(row.attempts for row in items(world)))
        process.terminate()
        assert process.wait(LONGEST) == 0
    (job,) = rows(world, schema.job)
    assert (job.state, job.runner) == ("waiting", "")
    assert {row.attempts for row in items(world) if row.state == "waiting"} == {0}
    with batch_process(world, job_id) as again:
        assert again.wait(LONGEST) == 0
    check_whole(world, 40)
