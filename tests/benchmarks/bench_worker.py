"""Memory of a worker that makes the reports of a batch: it reads, advises, draws and writes 2,000 of them.

The command that works on batches is run as anybody runs it, with one worker. ``REPORTS`` in the environment
is another number. What a worker shares with the process that began it, programs mostly, is in memory once;
``own`` leaves it out.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from pathlib import Path

import psutil

from service.actions import batches
from service.actions.batches import BatchWish, Choice
from service.callers import operator
from service.store import jobs
from tests.app.server.batch_process import workers_of
from tests.app.server.batches import add_many
from tests.app.server.conftest import World
from tests.app.server.live import COMMAND, environment
from tests.benchmarks.bench_chain import laboratory

REPORTS = int(os.environ.get("REPORTS", "2000"))
MEGABYTE = 1e6


def done(world: World, job_id: int) -> int:
    """How many reports there are."""
    with world.site.database.look(operator(), None) as look:
        return jobs.counts_of(look, [job_id])[job_id].done


def run() -> list[tuple[str, float, str]]:
    """Measure; each line is a label, a figure and its unit."""
    with tempfile.TemporaryDirectory() as folder, laboratory(Path(folder)) as world:
        add_many(world, REPORTS)
        caller = world.caller("laboratory")
        job_id = batches.start(world.site, caller, "Bench", Choice(), BatchWish())
        settings = world.site.settings
        given = environment(data=str(settings.data), database_url=settings.url, workers="1")
        command = subprocess.Popen(
            [*COMMAND, "batch", "run", str(job_id)], env=given, stderr=subprocess.DEVNULL
        )
        held: dict[int, tuple[float, float]] = {}
        while command.poll() is None:
            made = done(world, job_id)
            for pid in workers_of(command.pid):
                try:
                    sizes = psutil.Process(pid).memory_full_info()
                except psutil.Error:
                    continue
                held[made] = (sizes.rss / MEGABYTE, sizes.uss / MEGABYTE)
            time.sleep(1)
        assert command.returncode == 0, "the batch was not done"
    marks = [next(n for n in held if n >= share * max(held)) for share in (0.02, 0.5, 1)]
    return [
        (f"memory of a batch's worker after {made} reports{what}", held[made][at], "MB")
        for at, what in enumerate(("", ", own"))
        for made in marks
    ]
