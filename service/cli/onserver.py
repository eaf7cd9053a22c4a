"""What commands do at the server's own machine: open its database, and act in one of its laboratories."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from interpretation.errors import FurrowsliceError
from service.settings import Settings

if TYPE_CHECKING:
    from service.callers import Caller
    from service.site import Site


@contextmanager
def database(settings: Settings) -> Iterator[Site]:
    """The database of a server that has run with this version; nothing is made or migrated.

    Raises
    ------
    FurrowsliceError
        If there is none, it does not answer, or another version wrote it.
    """
    # The database's libraries are read here: the other commands start without them.
    from interpretation.agronomy.tables import TableSet
    from service.site import Site
    from service.store.database import Database, make_engine
    from service.store.migrating import current, reach, revisions

    if settings.database_url is None and not Path(settings.url.removeprefix("sqlite:///")).is_file():
        raise FurrowsliceError(
            "there is no database", where=str(settings.data),
            expected="the data folder of a server that has run, or --database-url",
            fix="give the folder with --data",
        )  # fmt: skip
    opened = Database(make_engine(settings.url))
    try:
        reach(opened.engine)
        if (at := current(opened.engine)) != revisions()[-1]:
            raise FurrowsliceError(
                f"the database is at revision {at or 'none'}", where="database",
                expected=f"{revisions()[-1]}, which this version writes", fix="start the server with it once",
            )  # fmt: skip
        yield Site(settings, opened, TableSet())
    finally:
        opened.close()


def operator_of(site: Site, name: str) -> Caller:
    """The command line, in one laboratory: the one that is named, or the only one there is.

    Raises
    ------
    FurrowsliceError
        If there is none of that name, or several and none was named.
    """
    from service.actions import laboratories
    from service.callers import operator

    there = laboratories.list_laboratories(site, operator())
    fitting = [each for each in there if not name or each.name == name]
    if len(fitting) != 1:
        raise FurrowsliceError(
            "there is no such laboratory" if name else "it is not clear which laboratory is meant",
            where="--laboratory", expected=" or ".join(each.name for each in there) or "a laboratory",
            fix="give the name as it stands there",
        )  # fmt: skip
    return operator(fitting[0].id)
