"""What a batch costs besides drawing: everything else is to take less than a tenth of it.

Real reports of a real database, drawn one after the other in this process, whose processor time is taken part
by part: neighbours on the machine do not count. The first reports are left out: they read fonts and tables.
Waiting for the disk (fsync) is no processor time: that is measured on its own, by the clock.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

from service.actions import batches
from service.actions.batches import BatchWish, Choice
from service.actions.seeding import seed
from service.logs import configure_log
from service.outputs import Outputs
from service.paths import tables_directory
from service.settings import Settings
from service.site import Site
from service.store import jobwork
from service.store.database import Database, make_engine
from service.store.migrating import migrate
from service.tablefiles import read_tables
from service.work import drawing, runner
from service.work.executors import Alone
from service.work.runner import run_job
from tests.app.server.batches import add_many
from tests.app.server.conftest import Clock, World, make_world

REPORTS, WARM = int(os.environ.get("CHAIN", "300")), 30
PARTS: tuple[tuple[str, Any, tuple[str, ...]], ...] = (
    ("drawing", drawing, ("pdf",)),
    ("reading what reports are made from", drawing, ("asked_for", "wishes_of")),
    ("advising", drawing, ("advised",)),
    ("making the view", drawing, ("page_of",)),
    ("asking whether the batch is still held", drawing, ("_is_held",)),
    ("writing files", Outputs, ("put",)),
    ("reading files back", Outputs, ("get",)),
    ("issuing: checking again and storing", runner, ("issue_ready",)),
    ("giving out items", jobwork, ("begin",)),
)


class Parts:
    """Processor time and time by the clock of each part, and of all together."""

    def __init__(self) -> None:
        self.busy: Counter[str] = Counter()
        self.clock: Counter[str] = Counter()

    def timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """A function whose time is counted."""

        def call(*given: Any, **named: Any) -> Any:
            busy, clock = time.process_time(), time.perf_counter()
            try:
                return function(*given, **named)
            finally:
                self.busy[name] += time.process_time() - busy
                self.clock[name] += time.perf_counter() - clock

        return call


@contextmanager
def counted(parts: Parts) -> Iterator[None]:
    """Count the parts for the length of a block."""
    patches = [
        patch.object(owner, name, parts.timed(label, getattr(owner, name)))
        for label, owner, names in PARTS
        for name in names
    ]
    for each in patches:
        each.start()
    try:
        yield
    finally:
        for each in patches:
            each.stop()


@contextmanager
def laboratory(folder: Path) -> Iterator[World]:
    """A laboratory on SQLite with the shipped tables."""
    configure_log()
    tables, url = read_tables(tables_directory()), f"sqlite:///{folder / 'furrowslice.sqlite3'}"
    engine = make_engine(url)
    migrate(engine)
    seed(Site(Settings(), Database(engine, Clock()), tables))
    engine.dispose()
    yield from make_world(url, tables, folder)


def batch(world: World, visits: list[int]) -> Parts:
    """Make the reports of some visits, and say where the time went."""
    caller, parts = world.caller("laboratory"), Parts()
    job_id = batches.start(world.site, caller, "Bench", Choice(visits=tuple(visits)), BatchWish())
    with counted(parts):
        parts.timed("all", run_job)(world.site, job_id, Alone())
    failed = batches.items(world.site, caller, job_id, "failed", 0, 1)
    assert not failed, f"not all reports were made: {failed[0].reason}"
    return parts


def run(reports: int = REPORTS) -> list[tuple[str, float, str]]:
    """Measure; each line is a label, a figure and its unit."""
    with tempfile.TemporaryDirectory() as folder, laboratory(Path(folder)) as world:
        visits = add_many(world, WARM + reports)
        batch(world, visits[:WARM])
        parts = batch(world, visits[WARM:])
    every = parts.busy.pop("all")
    besides = every - parts.busy["drawing"]
    known = sum(parts.busy.values())
    return [
        ("chain cost: processor time of everything but drawing (under 10)", 100 * besides / every, "%"),
        ("a report in all", 1000 * every / reports, "ms"),
        *((f"... {name}", 1000 * busy / reports, "ms") for name, busy in parts.busy.most_common()),
        ("... everything else", 1000 * (every - known) / reports, "ms"),
        ("writing files, by the clock", 1000 * parts.clock["writing files"] / reports, "ms"),
    ]
