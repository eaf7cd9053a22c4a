"""The files of tables, taken into the database: each region once, what all regions share at every start."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from interpretation.agronomy import consistency
from interpretation.agronomy.tables import TableSet
from interpretation.errors import TableError
from service.books import SHARED, books_of, canonical, digest, written
from service.callers import operator
from service.releases import Content, content_of
from service.site import Site
from service.store import releases
from service.store.database import Change, Look
from service.store.releases import ReleaseRow

BY = "files"
WHY = "Taken over from the files of the tables folder."


@dataclass(frozen=True)
class Seeded:
    """What a start took over from the files, and which regions' files say something else than any release."""

    added: tuple[str, ...]
    differing: tuple[str, ...]


def seed(site: Site) -> Seeded:
    """Make the first release of each region from the files, and a new one of the shared book if it changed.

    A region that has a release is left alone, whatever the files say: from then on its tables change by
    drafts that a second person has reviewed, and no new version of the program can change a class in silence.

    Raises
    ------
    TableError
        If the tables in force would not fit together with what the files share.
    """
    given = books_of(site.files)
    with site.database.look(operator(), None) as look:
        last = releases.latest(look)
        known = {name: _digests(look, name) for name in given.keys() & last.keys()}
    told = {name: digest(canonical(written(name, tables))) for name, tables in given.items()}
    new = [name for name in given if name not in last]
    if SHARED in last and told[SHARED] != known[SHARED][-1]:
        new.append(SHARED)
    if new:
        with site.database.change(operator(), None) as change:
            releases.in_turn(change, SHARED)  # what is published meanwhile is looked at, too
            _add(change, new, given, last)
            _refuse_misfits(site, change)
    differing = tuple(name for name in sorted(known) if name != SHARED and told[name] not in known[name])
    return Seeded(tuple(new), differing)


def _digests(look: Look, book: str) -> list[str]:
    """Digests of the records of each release of a book, first to last."""
    return [digest(canonical(content_of(link.content).records)) for link in releases.chain(look, book)]


def _add(change: Change, new: list[str], given: dict[str, TableSet], last: dict[str, ReleaseRow]) -> None:
    shared = last[SHARED].sha256 if SHARED in last else ""
    for name in sorted(new, key=lambda each: each != SHARED):  # the shared book first: others name it
        before = last.get(name)
        content = Content(
            book=name, number=before.number + 1 if before else 1, previous=before.sha256 if before else "",
            shared="" if name == SHARED else shared, effective_on=change.now.date(), published_at=change.now,
            published_by=BY, written_by=(), approved_by="", why=WHY, records=written(name, given[name]),
        )  # fmt: skip
        releases.add(change, [content])
        if name == SHARED:
            shared = digest(content.text())
    change.note("publish", "table-release", "", after={"books": sorted(new), "by": BY}, reason=WHY)


def _refuse_misfits(site: Site, change: Change) -> None:
    """Look at the tables of today, and of each day to come on which others are in force."""
    today = change.now.date()
    for day in sorted({today} | {row.effective_on for row in releases.every(change)}):
        if day >= today:
            _refuse_misfits_on(day, site, change)


def _refuse_misfits_on(day: date, site: Site, change: Change) -> None:
    tables = site.in_force(change, day).tables
    wrong = [each for each in consistency.check(tables) if each.severity == "error"]
    if wrong:
        raise TableError(
            f"the tables in force on {day} do not fit together with the files: {wrong[0]}",
            where="tables folder",
            expected="shared methods, crops, materials, notes and sources that every release can use",
            fix="start the version of furrowslice that last wrote this database, publish a release that fits "
            "the new files, then start this version again; nothing was changed",
        )
