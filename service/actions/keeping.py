"""Keeping the whole database: a backup of it, and its return."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from service.backupfile import Manifest, Reader, Writer
from service.callers import operator
from service.files import writing
from service.site import Site
from service.store import keeping
from service.store.database import Database


def is_unused(site: Site) -> bool:
    """Whether the database holds no laboratory yet."""
    with site.database.look(operator(), None) as look:
        return keeping.is_unused(look)


def backup(database: Database, path: Path) -> Manifest:
    """Write a backup of a database that others go on using; the file is whole or absent.

    It holds everything, secrets' digests too, so only its owner may read it.

    Raises
    ------
    FurrowsliceError
        If the file cannot be written, or the database cannot be read.
    """
    with writing(path, mode=0o600) as file, closing(Writer(file)) as writer:
        return keeping.save(database.engine, writer, database.now())


def restore(database: Database, path: Path, *, replace: bool) -> Manifest:
    """Put a backup in the place of what the database holds: all of it, or nothing.

    The file is checked in full before the database is touched.

    Raises
    ------
    FurrowsliceError
        If the backup cannot be used, or the database holds something and ``replace`` is not set.
    """
    with closing(Reader(path)) as reader:
        keeping.load(database.engine, reader, database.now(), replace=replace)
        return reader.manifest
