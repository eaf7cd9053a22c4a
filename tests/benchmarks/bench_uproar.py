"""10,000 real reports while a worker, the server and the scheduler are killed: ``tests/app/work/uproar.py``.

A server, a cluster of two workers over TLS and a mail server on this machine, with PostgreSQL; workers can
only read it. ``UPROAR`` in the environment is another number of reports, ``SMALL_PAGES`` draws small pages in
their place, which is quicker.
"""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

from service.actions.seeding import seed
from service.logs import configure_log
from service.paths import tables_directory
from service.settings import Settings
from service.site import Site
from service.store.database import Database, make_engine
from service.store.migrating import migrate
from service.tablefiles import read_tables
from tests.app.server.clusters import cluster
from tests.app.server.conftest import Clock, make_world
from tests.app.work.uproar import Outcome, reader_of, uproar

REPORTS = int(os.environ.get("UPROAR", "10000"))
BEGAN = time.monotonic()
PRELOAD = "tests.app.work.small_pages" if os.environ.get("SMALL_PAGES") else ""


def measured(folder: Path, number: int) -> Outcome:
    """Make a database, ask for so many reports, and kill everything in its turn."""
    configure_log()
    with cluster() as postgres:
        tables, url = read_tables(tables_directory()), postgres.url("suite")
        engine = make_engine(postgres.url("postgres"))
        with engine.connect() as connection:
            connection.execution_options(isolation_level="AUTOCOMMIT").exec_driver_sql(
                "CREATE DATABASE suite"
            )
        engine.dispose()
        engine = make_engine(url)
        migrate(engine)
        seed(Site(Settings(), Database(engine, Clock()), tables))
        engine.dispose()
        (found,) = (
            uproar(world, folder, number, told=_tell, worker_url=reader_of(url), preload=PRELOAD)
            for world in make_world(url, tables, folder)
        )
    return found


def _tell(what: str) -> None:
    print(f"    {time.monotonic() - BEGAN:6.0f} s  {what}", flush=True)


def run() -> list[tuple[str, float, str]]:
    """Measure; each line is a label, a figure and its unit."""
    with tempfile.TemporaryDirectory() as folder:
        found = measured(Path(folder), REPORTS)
    return [
        ("reports asked for", REPORTS, "reports"),
        ("items done (all)", found.items["done"], "items"),
        ("different reports issued (all)", found.reports, "reports"),
        ("visits with a report (all)", found.visits, "visits"),
        ("files that are what was issued (all)", found.whole_files, "files"),
        ("other files, half-written ones among them (0)", len(found.others), "files"),
        ("mails taken by the mail server", found.mails, "mails"),
        ("mails taken twice (0)", found.mails - found.different_mails, "mails"),
        ("deliveries sent", found.deliveries["sent"], "deliveries"),
        ("deliveries held for a person, as their mail may have gone or not (1 at most)",
         found.deliveries["held"], "deliveries"),
        ("memory of the largest worker", found.largest_worker_mb, "MB"),
        ("from the first to the last", found.seconds, "s"),
    ]  # fmt: skip
