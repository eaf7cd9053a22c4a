"""Works on a batch as a process of its own, with workers that draw stand-ins: to be killed at any moment.

What workers do is told by the environment: ``POISON``, the visit whose page kills its worker, and ``SLOWLY``,
the seconds that each page takes.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from reports.view import GrowerReport
from service.work import drawing
from tests.app.server.batches import plain_page
from tests.app.server.conftest import World
from tests.app.server.live import environment

HERE = Path(__file__).parents[3]


def page(made: GrowerReport, paper: str = "a4") -> bytes:
    """A stand-in for a page, drawn slowly."""
    time.sleep(float(os.environ.get("SLOWLY", "0")))
    if os.environ.get("POISON") and f"Plot {os.environ['POISON']}" == made.field_name:
        os.kill(os.getpid(), signal.SIGKILL)
    return plain_page(made, paper)


def make_ready() -> None:
    """Make a worker draw stand-ins."""
    drawing.pdf = page  # type: ignore[assignment]


@contextmanager
def batch_process(world: World, job_id: int, **env: str) -> Iterator[subprocess.Popen[bytes]]:
    """Work on a batch in a process of its own; what is left of it is killed in the end."""
    settings = world.site.settings
    given = environment(data=str(settings.data), database_url=settings.url, workers="2") | env
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.app.server.batch_process", str(job_id)], cwd=HERE, env=given,
        stdout=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def workers_of(pid: int) -> list[int]:
    """Processes that a process has begun and that draw."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(stat.read_text("utf-8", "replace").rpartition(")")[2].split()[1])
            command = stat.with_name("cmdline").read_bytes()
        except (OSError, IndexError):
            continue
        if parent == pid and b"spawn_main" in command:
            found.append(int(stat.parent.name))
    return found


def main(job_id: int) -> None:
    """Work on a batch until it is done or this process is told to stop."""
    import threading

    from service.cli.onserver import database
    from service.settings import read_settings
    from service.work.executors import open_crew
    from service.work.runner import run_job

    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    settings = read_settings()
    with database(settings) as site, open_crew(settings, make_ready) as crew:
        run_job(site, job_id, crew, told_to_stop=stop)


if __name__ == "__main__":
    # By its own name, under which workers find what they are to call.
    from tests.app.server import batch_process as named

    named.main(int(sys.argv[1]))
