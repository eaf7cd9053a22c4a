"""Issuing and erasing at once: two reports of one crop never both stand, and none keeps an erased name."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa

from service.actions import privacy, reporting
from service.actions.reporting import Wish, draft, issue
from service.callers import Right, operator
from service.refusals import Conflict
from service.store import documents, reports, schema
from service.store.database import Change
from tests.app.server.conftest import World
from tests.app.server.land import Land, advised_land


@pytest.fixture
def drawing(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """Draw nothing; set as soon as somebody would have drawn."""
    reached = threading.Event()

    def drawn(made: reporting.Draft) -> bytes:
        reached.set()
        return f"%PDF {made.card.report_id}".encode()

    monkeypatch.setattr(reporting, "drawn", drawn)
    return reached


@contextmanager
def while_one_is_written(world: World, land: Land) -> Iterator[Change]:
    """A report of the visit that is written and not yet committed."""
    agent = world.caller("agent")
    made = draft(world.site, agent, land.visits[0], Wish())
    with world.site.database.change(agent, Right.ISSUE_REPORTS) as change:
        added = reports.add(
            change,
            {
                "sampling_id": land.visits[0], "report_id": made.card.report_id, "crop": made.advice.crop,
                "issued_on": made.card.issued_on, "issued_by": "Agent", "language": "en", "units": "metric",
                "paper": "a4", "advice": made.advice.model_dump(mode="json"),
                "card": made.card.model_dump(mode="json"), "tables_sha256": "0",
                "document_sha256": documents.put(change, b"%PDF first"), "replaces": None,
            },
        )  # fmt: skip
        change.note("issue", "report", added)
        yield change


def begun(world: World, task: Callable[[], Any], reached: threading.Event | None) -> Future[Any]:
    """Begin a task, and come back when it waits for the transaction that is open."""
    pool = ThreadPoolExecutor(1)
    going = pool.submit(task)
    pool.shutdown(wait=False)
    if reached is not None:
        assert reached.wait(20)
    if world.site.database.engine.dialect.name == "postgresql":
        waits = sa.text(
            "SELECT count(*) FROM pg_stat_activity"
            " WHERE datname = current_database() AND wait_event_type = 'Lock'"
        )
        pause = threading.Event()
        for _ in range(400):
            with world.site.database.look(operator(), None) as look:
                if look.connection.scalar(waits):
                    break
            pause.wait(0.01)
        else:
            pytest.fail("nobody waits")
    return going


def rows(world: World, table: sa.Table) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(table)))


def test_two_of_one_crop_that_are_issued_at_once_do_not_both_stand(
    world: World, drawing: threading.Event
) -> None:
    land = advised_land(world)
    agent = world.caller("agent")

    def other() -> None:
        issue(world.site, agent, land.visits[0], Wish(language="es"))

    with while_one_is_written(world, land):
        going = begun(world, other, drawing)
    with pytest.raises(Conflict, match="there is a report of this visit for this crop already"):
        going.result(20)
    assert len(rows(world, schema.report)) == 1


def test_a_report_that_is_being_issued_does_not_escape_who_erases_the_grower(world: World) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    (name,) = {row.name for row in rows(world, schema.grower)}
    with while_one_is_written(world, land):
        going = begun(world, lambda: privacy.erase_grower(world.site, agent, land.grower), None)
    going.result(20)
    (report,) = rows(world, schema.report)
    assert name not in f"{report.advice} {report.card}"
    assert b"%PDF first" not in [bytes(row.content) for row in rows(world, schema.document)]
