"""A real browser before a real server: for what only a browser can show."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, expect, sync_playwright

from interpretation.agronomy.tables import TableSet
from service.actions.bench import confirm_run, upload_run
from service.actions.delivering import plan
from service.actions.demo import load_demo
from service.actions.laboratories import set_logo
from service.actions.reporting import Wish, issue
from service.callers import Role, operator
from service.server import make_app
from service.store import accounts
from service.uploads import Upload
from service.web.visit import COOKIE
from tests.app.server.batches import ended_batch
from tests.app.server.bench import accepted, run_file
from tests.app.server.browser.looking import NARROW, WIDE
from tests.app.server.conftest import World, make_world
from tests.app.server.matrix_world import draft_tables
from tests.render.logo_pictures import drawing, file

__all__ = ["NARROW", "WIDE", "Live"]
CHROMIUM = "/usr/bin/chromium"
SOON = 30_000  # milliseconds that anything on a page may take before the test gives up


@dataclass
class Live:
    """A world's pages on a port of their own, and a browser before them."""

    world: World
    address: str
    browser: Browser
    complaints: list[str] = field(default_factory=list)
    contexts: list[BrowserContext] = field(default_factory=list)

    def open(self, person: str | None = None, *, script: bool = True, width: int = WIDE, **more: Any) -> Page:
        """A new window, signed in as one of the people or not at all.

        What the browser complains of (an error of the script, something the policy forbids) is kept, and
        fails the test at its end.
        """
        context = self.browser.new_context(
            base_url=self.address, java_script_enabled=script, accept_downloads=True,
            **{"viewport": {"width": width, "height": 900}, "locale": "en"} | more,
        )  # fmt: skip
        context.set_default_timeout(SOON)
        expect.set_options(timeout=SOON)
        self.contexts.append(context)
        if person is not None:
            with self.world.site.database.housekeeping(operator()) as look:
                token = accounts.begin_session(look, self.world.people[person], confirmed=True)
            # A browser takes our cookie from this address, which is its own machine's, without TLS; only the
            # call that puts one in by hand wants the address written as if there were.
            address = self.address.replace("http:", "https:")
            context.add_cookies(
                [{"name": COOKIE, "value": token, "url": address, "secure": True, "httpOnly": True}]
            )
        page = context.new_page()
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", self._hear)
        return page

    def _hear(self, message: ConsoleMessage) -> None:
        # A page that is answered with 4xx on purpose is no complaint; a part of a page that is missing is.
        if message.type == "error" and "status of 4" not in message.text:
            self.complaints.append(message.text)


@contextmanager
def serving(world: World) -> Iterator[str]:
    """Serve a world's pages from a thread; gives their address."""
    config = uvicorn.Config(make_app(world.site), log_level="critical", lifespan="off", ws="none")
    server = uvicorn.Server(config)
    listening = socket.create_server(("127.0.0.1", 0))
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    thread.start()
    while not server.started:
        assert thread.is_alive(), "the server did not start"
        time.sleep(0.01)
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    server.should_exit = True
    thread.join()
    listening.close()


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """One browser for all of these tests."""
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield launched
        launched.close()


@contextmanager
def living(world: World, browser: Browser) -> Iterator[Live]:
    """A world with its pages served; at the end no page may have complained."""
    with serving(world) as address:
        live = Live(world, address, browser)
        yield live
        for context in live.contexts:
            context.close()
    assert live.complaints == []


@pytest.fixture
def live(lite_world: World, browser: Browser) -> Iterator[Live]:
    """A world of one test, with its pages served."""
    with living(lite_world, browser) as found:
        yield found


@pytest.fixture(scope="module")
def shared_world(
    templates: dict[str, str], tables: TableSet, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[World]:
    """A world with the demo scenario in it, whose laboratory and counties its people have, and with drafts.

    For a whole module, whose tests only look.
    """
    folder = tmp_path_factory.mktemp("shared")
    path = folder / "shared.sqlite3"
    path.write_bytes(Path(templates["sqlite"]).read_bytes())
    for world in make_world(f"sqlite:///{path}", tables, folder):
        people_of_the_demo(world)
        draft_tables(world, {})
        yield world


def people_of_the_demo(world: World) -> None:
    """Load the demo scenario; the laboratory's people and the agent are then those of its laboratory.

    Beside what the demo releases, a run is left at each earlier step, and one report is issued.
    """
    demo = load_demo(world.site)
    world.laboratories["a"] = demo.laboratory_id
    with world.site.database.housekeeping(operator()) as look:
        for person, role, counties in (
            ("laboratory", Role.LABORATORY, ()),
            ("agent", Role.AGENT, demo.counties),
        ):
            world.people[person] = accounts.add(
                look, email=f"{person}@demo.example", name=f"Demo {person.title()}", role=role,
                laboratory_id=demo.laboratory_id, counties=counties,
            )  # fmt: skip
    logo = Upload("logo.png", file(drawing()))
    set_logo(world.site, world.caller("administrator"), demo.laboratory_id, logo)
    analyst, agent = world.caller("laboratory"), world.caller("agent")
    upload_run(world.site, analyst, run_file("QW-0501-P"))
    confirm_run(world.site, analyst, upload_run(world.site, analyst, run_file("QW-0502-P")), 1)
    accepted(world, run_file("QW-0503-P"))
    report = issue(world.site, agent, 1, Wish())
    plan(world.site, agent, [report.id])  # without mail: into the print queue
    ended_batch(world, agent, {report.visit_id: report.id, 2: None})


@pytest.fixture(scope="module")
def shared(shared_world: World, browser: Browser) -> Iterator[Live]:
    """A world for a whole module, with its pages served."""
    with living(shared_world, browser) as found:
        yield found
