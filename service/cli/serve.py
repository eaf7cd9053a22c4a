"""``furrowslice serve``: what it takes, and what it refuses before anything is touched."""

from __future__ import annotations

import os
import signal
import socket
import tempfile
from contextlib import closing
from pathlib import Path
from threading import Event
from typing import Annotated, Any, NoReturn
from urllib.parse import urlsplit

import typer

from interpretation.errors import FurrowsliceError
from service.cli.options import with_settings
from service.settings import Settings, is_loopback, read_settings


@with_settings()
def serve(
    demo: Annotated[
        bool | None,
        typer.Option("--demo/--no-demo", help="Load the demo scenario into an empty database, or never ask."),
    ] = None,
    **given: Any,
) -> None:
    """Run the server on this machine: pages, API and database. Stop it with Ctrl-C or SIGTERM."""
    settings = read_settings(**given)
    check_address(settings)
    told_to_stop = Event()

    def leave(_signal: int, _frame: object) -> NoReturn:
        # Where the signal comes in the middle of a callback of the collector, Python drops the exception.
        told_to_stop.set()
        raise SystemExit(0)

    signal.signal(signal.SIGTERM, leave)
    with closing(bind(settings.host, settings.port)) as door:
        prepare_folder(settings)
        # The server's libraries are read here: the other commands start without them.
        from service.cli.serving import run

        run(settings.model_copy(update={"port": door.getsockname()[1]}), door, demo, told_to_stop)


def check_address(settings: Settings) -> None:
    """Refuse an address at which nobody could sign in safely.

    Passwords would cross the network in the clear, and browsers do not keep a session's cookie, which is
    for encrypted connections alone, except on their own machine.

    Raises
    ------
    FurrowsliceError
        If others can reach the server without TLS in front of it, or the public URL is none.
    """
    public = urlsplit(settings.public_url)
    if settings.public_url and (
        public.scheme not in ("http", "https")
        or not public.hostname
        or public.path.strip("/")
        or public.query
        or public.username
    ):
        raise FurrowsliceError(
            f"the public URL {settings.public_url!r} is not one",
            where="--public-url or FURROWSLICE_PUBLIC_URL",
            expected="https:// and a host's name, without a path, such as https://soil.example.org",
            fix="give the address that people type",
        )
    reached = settings.host if not settings.public_url else public.hostname or ""
    if public.scheme != "https" and not (is_loopback(settings.host) and is_loopback(reached)):
        raise FurrowsliceError(
            f"people would reach {reached or settings.host} without encryption, and could not sign in",
            where="--host and --public-url",
            expected="127.0.0.1, or a proxy with TLS in front and its https:// address as --public-url",
            fix="leave out --host, or set up the proxy as the README says and give --public-url https://...",
        )


def bind(host: str, port: int) -> socket.socket:
    """Take the port before anything else is touched; who connects meanwhile waits until the server is ready.

    Raises
    ------
    FurrowsliceError
        If another program has the port, or the host is none of this machine's.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except OSError as error:
        raise _not_bound(host, port, error) from None
    # With the protocol named, asyncio sends small parts at once; without, each page waits 40 ms for the
    # other side to confirm its head.
    door = socket.socket(family, kind, protocol)
    door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        door.bind(address)
        door.listen(128)
    except OSError as error:
        door.close()
        raise _not_bound(host, port, error) from None
    return door


def _not_bound(host: str, port: int, error: OSError) -> FurrowsliceError:
    return FurrowsliceError(
        f"the server cannot listen on port {port} of {host}: {error.strerror}",
        where="--host and --port",
        expected="an address of this machine and a port that no other program has",
        fix="stop the other program, or choose another with --port (0: any free one)",
    )


def prepare_folder(settings: Settings) -> None:
    """Make the data folder for the server's own eyes; PostgreSQL keeps its data elsewhere.

    Raises
    ------
    FurrowsliceError
        If the folder cannot be made or written to.
    """
    if settings.database_url is not None:
        return
    folder, database = settings.data, Path(settings.url.removeprefix("sqlite:///"))
    try:
        if not folder.is_dir():
            folder.mkdir(mode=0o700, parents=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
        # Made before SQLite would make it, readable for others; its side files take its mode.
        os.close(os.open(database, os.O_RDWR | os.O_CREAT, 0o600))
        database.chmod(0o600)
    except OSError as error:
        raise FurrowsliceError(
            f"the data folder cannot be used: {error.strerror}",
            where=str(folder),
            expected="a folder that this user can make and write to, with room on its disk",
            fix="mend its rights, or choose another with --data",
        ) from None
