"""A live server: ``furrowslice serve`` as a process of its own, as an installation runs it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service.callers import operator
from service.store import accounts, schema
from service.store.database import Database, make_engine
from service.web.visit import COOKIE

COMMAND = [sys.executable, "-c", "from service.cli.app import main; main()"]
SECONDS_TO_START = 300  # a machine with much to do takes its time


def environment(**settings: str) -> dict[str, str]:
    """This process's environment without settings of the server, with those given."""
    kept = {name: text for name, text in os.environ.items() if not name.startswith("FURROWSLICE_")}
    return kept | {f"FURROWSLICE_{name.upper()}": text for name, text in settings.items()}


class Live:
    """A server that can be stopped, killed and started again on the same data.

    Parameters
    ----------
    folder
        For its log, and its data folder where no database is given.
    options
        Of ``furrowslice serve``.
    settings
        By name, through the environment.
    """

    def __init__(self, folder: Path, *options: str, **settings: str) -> None:
        self.folder, self.options, self.settings = folder, options, settings
        self.printed = folder / "printed"
        self.process: subprocess.Popen[bytes] | None = None
        self.address = ""

    @property
    def url(self) -> str:
        """URL of its database."""
        return self.settings.get("database_url") or f"sqlite:///{self.folder / 'data/furrowslice.sqlite3'}"

    @property
    def text(self) -> str:
        """Everything it has printed since it was last started."""
        return self.printed.read_text("utf-8")

    @property
    def pid(self) -> int:
        """Of the running process."""
        assert self.process is not None
        return self.process.pid

    def start(self) -> None:
        """Start it and wait for the address it prints."""
        settings = {"data": str(self.folder / "data")} | self.settings
        with self.printed.open("wb") as out:
            self.process = subprocess.Popen(
                [*COMMAND, "serve", "--port", "0", *self.options], env=environment(**settings),
                stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT,
            )  # fmt: skip
        ends = time.monotonic() + SECONDS_TO_START
        while not (found := self.lines("listening")):
            if self.process.poll() is not None or time.monotonic() > ends:
                self.stop(signal.SIGKILL)
                raise RuntimeError(f"the server did not start:\n{self.text}")
            time.sleep(0.02)
        self.address = found[0]["address"]

    def lines(self, event: str) -> list[dict[str, Any]]:
        """The lines of its log about one kind of event."""
        lines = [line for line in self.text.splitlines() if line.startswith("{") and line.endswith("}")]
        return [told for told in map(json.loads, lines) if told["event"] == event]

    def stop(self, how: int = signal.SIGTERM) -> int:
        """End it, gently or with SIGKILL; returns its exit status."""
        if self.process is None:
            return 0
        if self.process.poll() is None:
            self.process.send_signal(how)
        status = self.process.wait(60)
        self.process = None
        return status

    def cookie(self, email: str) -> dict[str, str]:
        """A cookie of somebody who has signed in, written past the sign-in page."""
        database = Database(make_engine(self.url))
        try:
            with database.housekeeping(operator()) as look:
                chosen = sa.select(schema.account.c.id).where(schema.account.c.email == email)
                account_id = look.connection.execute(chosen).scalar_one()
                return {COOKIE: accounts.begin_session(look, account_id, confirmed=True)}
        finally:
            database.close()


@contextmanager
def live(folder: Path, *options: str, **settings: str) -> Iterator[Live]:
    """Run a server for the length of a block."""
    server = Live(folder, *options, **settings)
    server.start()
    try:
        yield server
    finally:
        server.stop(signal.SIGKILL)
