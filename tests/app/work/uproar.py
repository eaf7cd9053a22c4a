"""A batch of real reports by a server, a cluster over TLS and a mail server, while all of them are killed.

At a quarter a worker, at half the server, at three quarters the scheduler is killed, and the server once more
while mail goes out. Whoever starts them again does what a system's keeper of services does.
"""

from __future__ import annotations

import hashlib
import os
import re
import signal
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import psutil
import sqlalchemy as sa

from service.actions import batches
from service.actions.batches import BatchWish, Choice
from service.callers import operator
from service.store import schema
from tests.app.server.batches import add_many
from tests.app.server.conftest import World
from tests.app.server.live import Live, live
from tests.app.server.postbox import SENDER, Box, postbox
from tests.app.work.machines import ROOT, Machines, machines

LONGEST = 3600.0
Told = Callable[[str], None]


@dataclass
class Outcome:
    """What is there when all is over."""

    seconds: float
    items: Counter[str]
    reports: int
    visits: int
    files: int
    whole_files: int
    others: list[str]
    deliveries: Counter[str]
    mails: int
    different_mails: int
    addresses: int
    largest_worker_mb: float


def reader_of(url: str) -> str:
    """Make the user of the README's lines in a PostgreSQL, who can only read; gives the URL of that user."""
    section = (ROOT / "README.md").read_text("utf-8").split("\n## Many machines\n")[1].split("\n## ")[0]
    (lines,) = re.findall(r"```sql\n(.*?)```", section, re.DOTALL)
    address = sa.make_url(url)
    name = f"reader_{address.database}"
    engine = sa.create_engine(url)
    with engine.begin() as connection:
        for old, new in (("soil_reader", name), ("DATABASE soil ", f"DATABASE {address.database} ")):
            lines = lines.replace(old, new)
        for line in lines.replace("ROLE soil ", f"ROLE {address.username} ").split(";"):
            if line.strip():
                connection.execute(sa.text(line))
    engine.dispose()
    return address.set(username=name, password="...").render_as_string(hide_password=False)


def ask_for_reports(world: World, number: int) -> int:
    """Visits whose growers have agreed to mail, and a batch of all of them with delivery; its id."""
    add_many(world, number)
    with world.site.database.housekeeping(operator()) as look:
        mail = sa.literal("grower") + sa.cast(schema.grower.c.id, sa.Text) + "@farm.example"
        look.connection.execute(schema.grower.update().values(email=mail, mail_consent=True))
    wish = BatchWish(deliver=True)
    return batches.start(world.site, world.caller("laboratory"), "Spring", Choice(), wish)


def uproar(
    world: World,
    folder: Path,
    number: int,
    *,
    worker_url: str = "",
    preload: str = "",
    told: Told = lambda _: None,
) -> Outcome:
    """Have so many reports made, while everything is killed in its turn.

    Parameters
    ----------
    worker_url
        By which workers reach the database; empty: as the server does.
    preload
        A module that workers read first; :mod:`tests.app.work.small_pages` makes their drawing quick.
    """
    began = time.monotonic()
    settings = world.site.settings
    outputs = (folder / "reports").as_uri()
    ask_for_reports(world, number)
    with (
        machines(
            folder / "cluster", database_url=worker_url or settings.url, outputs=outputs, preload=preload
        ) as cluster,
        postbox() as box,
        live(
            folder, "--no-demo", database_url=settings.url, outputs=outputs, scheduler=cluster.address,
            **{name: str(path) for name, path in cluster.files().items()}, mode="development",
            public_url="https://soil.example", smtp_host="127.0.0.1", smtp_port=str(box.port),
            smtp_security="none", mail_from=SENDER, mails_per_minute="6000",
        ) as server,
    ):  # fmt: skip
        largest = _kill_all_in_turn(world, number, cluster, server, box, told)
        seconds = time.monotonic() - began
    return _what_is_there(world, folder / "reports", box, seconds, largest)


def _kill_all_in_turn(
    world: World, number: int, cluster: Machines, server: Live, box: Box, told: Told
) -> float:
    """Returns the memory of the largest worker, looked at before each of the kills and in the end."""
    _until(lambda: _done(world) >= number // 4, server)
    largest = _memory(cluster)
    told(f"{_done(world)} done: a worker is killed")
    _kill_one_worker(cluster)
    _until(lambda: _done(world) >= number // 2, server)
    told(f"{_done(world)} done: the server is killed")
    server.stop(signal.SIGKILL)
    server.start()
    _until(lambda: _done(world) >= number * 3 // 4, server)
    told(f"{_done(world)} done: the scheduler is killed")
    largest = max(largest, _memory(cluster))
    cluster.kill_scheduler()
    cluster.stop_workers()
    cluster.start_scheduler()
    cluster.start_workers()
    _until(lambda: len(box.taken) >= number // 3, server)
    told(f"{_done(world)} done, {len(box.taken)} mails: the server is killed")
    server.stop(signal.SIGKILL)
    server.start()
    _until(lambda: _is_over(world), server)
    told(f"{_done(world)} done, {len(box.taken)} mails: over")
    return max(largest, _memory(cluster))


def _drawing(cluster: Machines) -> list[psutil.Process]:
    """The processes that a nanny watches."""
    family = psutil.Process(cluster.workers[0].pid).children(recursive=True)
    found = [process for process in family if "spawn_main" in " ".join(process.cmdline())]
    assert found, "there is no worker"
    return found


def _kill_one_worker(cluster: Machines) -> None:
    os.kill(_drawing(cluster)[0].pid, signal.SIGKILL)


def _memory(cluster: Machines) -> float:
    """Of the largest worker, in megabytes."""
    return max(process.memory_info().rss for process in _drawing(cluster)) / 1e6


def _until(reached: Callable[[], bool], server: Live) -> None:
    ends = time.monotonic() + LONGEST
    while not reached():
        if time.monotonic() > ends or (server.process is not None and server.process.poll() is not None):
            raise AssertionError(f"this was not reached:\n{server.text[-5000:]}")
        time.sleep(0.05)


def _counted(world: World, column: sa.Column[str]) -> Counter[str]:
    with world.site.database.look(operator(), None) as look:
        chosen = sa.select(column, sa.func.count()).group_by(column)
        return Counter(dict(look.connection.execute(chosen).all()))


def _done(world: World) -> int:
    return _counted(world, schema.job_item.c.state)["done"]


def _is_over(world: World) -> bool:
    states = _counted(world, schema.delivery.c.state)
    jobs = _counted(world, schema.job.c.state)
    return jobs.keys() == {"done"} and bool(states) and not states.keys() & {"waiting", "sending"}


def _what_is_there(world: World, folder: Path, box: Box, seconds: float, largest: float) -> Outcome:
    with world.site.database.look(operator(), None) as look:
        item, report = schema.job_item.c, schema.report.c
        issued = look.connection.execute(
            sa.select(item.file_name, item.file_sha256, report.document_sha256)
            .join_from(schema.job_item, schema.report)
        ).all()  # fmt: skip
        reports = look.connection.execute(sa.select(report.report_id, report.sampling_id)).all()
    paths = {path.name: path for path in folder.rglob("*") if path.is_file()}
    whole = [
        name
        for name, in_row, document in issued
        if name in paths and hashlib.sha256(paths[name].read_bytes()).hexdigest() == in_row == document
    ]
    return Outcome(
        seconds=seconds, items=_counted(world, schema.job_item.c.state),
        reports=len({row.report_id for row in reports}), visits=len({row.sampling_id for row in reports}),
        files=len(paths), whole_files=len(set(whole)), others=sorted(paths.keys() - set(whole)),
        deliveries=_counted(world, schema.delivery.c.state), mails=len(box.taken),
        different_mails=len(set(box.ids)), addresses=len(set(box.to)), largest_worker_mb=largest,
    )  # fmt: skip
