"""One running installation: its settings, its database and its tables."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from interpretation.agronomy.tables import TableSet
from service.paths import tables_directory
from service.settings import Settings
from service.store.database import Database, make_engine
from service.tablefiles import read_tables


@dataclass(frozen=True)
class Site:
    """What every action needs besides its caller.

    Attributes
    ----------
    settings, database
        As started.
    tables
        Everything in force, read once at the start.
    tables_sha256
        Digest of the tables folder; every report keeps the one it was made from.
    """

    settings: Settings
    database: Database
    tables: TableSet
    tables_sha256: str


def open_site(settings: Settings) -> Site:
    """Read the tables and make the database's engine; nothing is connected or migrated yet."""
    folder = settings.tables or tables_directory()
    database = Database(make_engine(settings.url))
    return Site(settings, database, read_tables(folder), digest(folder))


def digest(folder: Path) -> str:
    """SHA-256 over the names and contents of all files of a folder, in the order of their names."""
    total = hashlib.sha256()
    for path in sorted(folder.rglob("*.yaml")):
        content = path.read_bytes()
        total.update(f"{path.relative_to(folder).as_posix()}\0{len(content)}\0".encode())
        total.update(content)
    return total.hexdigest()
