"""``furrowslice backup`` and ``furrowslice restore``: the whole database as one file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from interpretation.errors import FurrowsliceError
from service.cli import console
from service.cli.options import with_settings
from service.cli.serve import prepare_folder
from service.settings import Settings, read_settings

if TYPE_CHECKING:
    from service.backupfile import Manifest
    from service.store.database import Database


@with_settings("data", "database_url")
def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The backup to write.")], **given: Any
) -> None:
    """Write the whole database to one file, while the server runs. It holds personal data: keep it safe."""
    settings = read_settings(**given)
    if settings.database_url is None and not Path(settings.url.removeprefix("sqlite:///")).is_file():
        raise FurrowsliceError(
            "there is no database to keep",
            where=str(settings.data),
            expected="the data folder of a server that has run, or --database-url",
            fix="give the folder with --data",
        )
    from service.actions import keeping

    with _database(settings) as database:
        _tell("Backed up", keeping.backup(database, file), file)


@with_settings("data", "database_url")
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup of either kind of database.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Lose what the database holds and put the backup in its place.")
    ] = False,
    **given: Any,
) -> None:
    """Put a backup into an empty database, SQLite or PostgreSQL, whichever it came from."""
    settings = read_settings(**given)
    prepare_folder(settings)
    from service.actions import keeping

    with _database(settings) as database:
        _tell("Restored", keeping.restore(database, file, replace=replace), file)


@contextmanager
def _database(settings: Settings) -> Iterator[Database]:
    # The database's libraries are read here: the other commands start without them.
    from service.store.database import Database, make_engine
    from service.store.migrating import reach

    database = Database(make_engine(settings.url))
    try:
        reach(database.engine)
        yield database
    finally:
        database.close()


def _tell(done: str, manifest: Manifest, file: Path) -> None:
    console.print_line(
        f"{done}: {manifest.rows} rows of {len(manifest.parts)} tables, "
        f"as of {manifest.made_at:%Y-%m-%d %H:%M} UTC, {file}"
    )
