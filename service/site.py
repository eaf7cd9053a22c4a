"""One running installation: its settings, its database and the tables that are in force in it."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from threading import Lock

from interpretation.agronomy.tables import TableSet
from service.books import SHARED, canonical, digest, merged
from service.callers import operator
from service.paths import tables_directory
from service.refusals import Unavailable
from service.releases import content_of
from service.settings import Settings
from service.store import releases
from service.store.database import Database, Look, make_engine
from service.store.releases import ReleaseRow
from service.tablefiles import read_tables

BOOKS_KEPT = 400  # read releases that are kept in memory: a few for each region
SETS_KEPT = 8
DAYS_KEPT = 64


@dataclass(frozen=True)
class InForce:
    """The tables of one day.

    Attributes
    ----------
    tables
        All books together.
    releases
        The release that each book is from.
    """

    tables: TableSet
    releases: Mapping[str, ReleaseRow]

    def digest_for(self, region: str) -> str:
        """SHA-256 that stands for all that a report of a region is made from; every report keeps it."""
        used = {name: self.releases[name].sha256 for name in (region, SHARED) if name in self.releases}
        return digest(canonical(used))


class Shelf:
    """Releases that were read once; a release never changes, so what was read of it stays true."""

    def __init__(self) -> None:
        self._books: OrderedDict[str, TableSet] = OrderedDict()
        self._sets: OrderedDict[tuple[str, ...], TableSet] = OrderedDict()
        self._lock = Lock()

    def together(self, look: Look, rows: tuple[ReleaseRow, ...]) -> TableSet:
        """Put releases together, reading those that were not read before."""
        wanted = tuple(row.sha256 for row in rows)
        with self._lock:
            if (known := self._sets.get(wanted)) is not None:
                return known
            known_books = {sha: self._books[sha] for sha in wanted if sha in self._books}
        texts = releases.contents(look, set(wanted) - known_books.keys())
        found = {sha: _as_published(sha, text) for sha, text in texts.items()}
        books = known_books | found
        with self._lock:
            self._books |= found
            made = self._sets[wanted] = merged(books[sha] for sha in wanted)
            while len(self._books) > BOOKS_KEPT:
                self._books.popitem(last=False)
            while len(self._sets) > SETS_KEPT:
                self._sets.popitem(last=False)
        return made


def _as_published(sha256: str, text: str) -> TableSet:
    """Read a release, unless somebody changed it in the database: no class is better than a wrong one."""
    if digest(text) != sha256:
        said = content_of(text)
        raise Unavailable(
            f"release {said.number} of {said.book} is not what was published, so nothing is worked out by it",
            where="database", expected=f"content with the SHA-256 {sha256[:12]}...",
            fix="restore a backup from before the change, and find out who wrote into the database",
        )  # fmt: skip
    return content_of(text).tables()


_SHELF = Shelf()


@dataclass(frozen=True)
class Site:
    """What every action needs besides its caller.

    Attributes
    ----------
    settings, database
        As started.
    files
        The folder of tables, read once at the start. The first release of each region is made from it; what
        all regions share is taken from it at each start.
    """

    settings: Settings
    database: Database
    files: TableSet
    shelf: Shelf = field(default=_SHELF, repr=False)
    _days: dict[tuple[date, int, str], InForce] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def in_force(self, look: Look | None = None, on: date | None = None) -> InForce:
        """Find what is in force on a day.

        Parameters
        ----------
        look
            An open transaction to ask in; None opens one.
        on
            The day; today if not given.
        """
        if look is None:
            with self.database.look(operator(), None) as opened:
                return self.in_force(opened, on)
        day = on or look.now.date()
        # Releases are added and never changed: until another one is, a day's tables stay what they are.
        key = (day, *releases.newest(look))
        if (known := self._days.get(key)) is not None:
            return known
        rows = releases.in_force(look, day)
        found = InForce(self.shelf.together(look, rows), {row.book: row for row in rows})
        if len(self._days) >= DAYS_KEPT:
            self._days.clear()
        self._days[key] = found
        return found

    def of_releases(self, look: Look, rows: tuple[ReleaseRow, ...]) -> TableSet:
        """Put certain releases together, in force or not."""
        return self.shelf.together(look, rows)

    @property
    def tables(self) -> TableSet:
        """The tables that are in force now; within a transaction ask :meth:`in_force`."""
        return self.in_force().tables


def open_site(settings: Settings) -> Site:
    """Read the files of tables and make the database's engine; nothing is connected or migrated yet."""
    folder = settings.tables or tables_directory()
    return Site(settings, Database(make_engine(settings.url)), read_tables(folder))
