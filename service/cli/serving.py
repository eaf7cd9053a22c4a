"""A server made ready, and run until it is told to stop."""

from __future__ import annotations

import gc
import socket
import sys
from contextlib import closing, suppress
from threading import Event

import structlog
import typer
import uvicorn

from reports.render import check_libraries
from service.actions.demo import load_demo
from service.actions.keeping import is_unused
from service.actions.people import first_administrator
from service.actions.postman import Postman
from service.actions.seeding import seed
from service.cli import console
from service.logs import configure_log
from service.server import make_app
from service.settings import Settings
from service.site import Site, open_site
from service.store.database import Database, make_engine
from service.store.migrating import alone, migrate, reach
from service.work.foreman import Foreman

SECONDS_TO_FINISH = 20  # for requests that are being answered when the server is told to stop
log = structlog.get_logger("furrowslice.server")


def run(settings: Settings, door: socket.socket, demo: bool | None, told_to_stop: Event) -> None:
    """Make the database ready and serve it, unless the signal to stop came meanwhile."""
    configure_log()
    check_libraries()
    with closing(Database(make_engine(settings.url))) as database:
        reach(database.engine)  # before the tables are read, which takes a while
    site = open_site(settings)
    with closing(site.database):
        prepare(site, demo)
        postman, foreman = Postman(site), Foreman(site)
        postman.start()
        foreman.start()
        try:
            listen(site, door, told_to_stop)
        finally:
            foreman.stop()
            postman.stop()


def prepare(site: Site, demo: bool | None) -> None:
    """Migrate, make the first administrator, load the demo: once, however many processes start."""
    with alone(site.database.engine):
        migrate(site.database.engine)
        seeded = seed(site)
        if seeded.differing:
            log.warning("tables differ from their files", regions=seeded.differing, in_force="the releases")
        path = first_administrator(site)
        if path is not None:
            console.print_line(
                f"Open this once, within {site.settings.invitation_hours} hours, to set the first "
                f"administrator's password:\n    {site.settings.address}{path}"
            )
        offer_demo(site, demo)


def offer_demo(site: Site, demo: bool | None) -> None:
    """Load the demo where it is wanted; ask where somebody can answer, else say how it is asked for."""
    if demo is False or not is_unused(site):
        if demo:
            console.print_line("The demo scenario was not loaded: the database holds records already.")
        return
    if demo is None:
        if not (sys.stdin.isatty() and sys.stdout.isatty()):
            console.print_line(
                "The database is empty. To load an invented scenario: furrowslice serve --demo"
            )
            return
        demo = typer.confirm("The database is empty. Load an invented scenario to try things out?")
    if demo:
        console.print_line("Loading the demo scenario ...")
        loaded = load_demo(site)
        console.print_line(
            f"Loaded, all of it invented: {loaded.samples} samples, {loaded.typed} typed values, "
            f"released runs {', '.join(loaded.released)}; held {', '.join(loaded.held)}."
        )


def listen(site: Site, door: socket.socket, told_to_stop: Event) -> None:
    """Serve until a signal comes, then finish what was begun."""
    settings = site.settings
    config = uvicorn.Config(
        make_app(site),
        log_config=None,  # a line a request is written by our own middleware
        access_log=False,
        # What a proxy says of its visitor is believed only where a proxy was declared, and only from this
        # machine.
        proxy_headers=bool(settings.public_url),
        forwarded_allow_ips=["127.0.0.1", "::1"],
        server_header=False,
        timeout_graceful_shutdown=SECONDS_TO_FINISH,
    )
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    # The tables and the program stay to the end: the collector need not look through them again and again.
    gc.collect()
    gc.freeze()
    log.info("listening", address=f"http://{host}:{settings.port}")
    with suppress(KeyboardInterrupt, SystemExit):  # the signal, once it was heeded
        if not told_to_stop.is_set():
            uvicorn.Server(config).run(sockets=[door])
    log.info("stopped")
