"""Regions' tables between folders, files and releases: read, told apart, written into a folder of tables."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError, TableError
from service.bookfiles import forms, yamlfolder
from service.bookfiles.book import Book, Form
from service.bookfiles.yamlfolder import REGION_FILE
from service.books import SHARED
from service.callers import operator
from service.entries.comparing import RecordChange, compare
from service.entries.entry import Entry
from service.entries.merging import merged
from service.entries.writing import entries_of
from service.files import write_atomically
from service.releases import breaks
from service.site import Site
from service.store import releases
from service.store.database import Look
from service.tablefiles import check_directory, places, read_tables

MAX_BYTES = 100 * 1024 * 1024
IN_FORCE = "in-force"
Side = Mapping[str, tuple[Entry, ...]]  # entries by region


@dataclass(frozen=True)
class Plan:
    """What would be written into a folder of tables.

    Attributes
    ----------
    changes
        What differs, record by record.
    written, removed
        Files by their path inside the folder.
    """

    folder: Path
    changes: tuple[RecordChange, ...]
    written: Mapping[str, str]
    removed: tuple[str, ...]

    def carry_out(self, folder: Path | None = None) -> None:
        """Write and remove the files, in the folder or in a copy of it."""
        for path in self.removed:
            (folder or self.folder).joinpath(path).unlink()
        for path, text in self.written.items():
            write_atomically((folder or self.folder) / path, text)


def side_of_folder(folder: Path) -> Side:
    """Every region of a folder of tables, or the one whose own folder it is."""
    if (folder / REGION_FILE).is_file():
        book = _own_folder(folder)
        return {book.region: book.entries}
    tables = read_tables(folder)
    return {region: entries_of(tables, region) for region in sorted(tables.regions)}


def side_of_file(path: Path) -> Side:
    """The region of a file."""
    book = book_of(path)
    return {book.region or _region_of(book): book.entries}


def side_of_release(site: Site, name: str) -> Side:
    """The region of a release, named as ``marrowdale@2`` or ``marrowdale@in-force``."""
    region, _, number = name.rpartition("@")
    return {region: released(site, region, None if number == IN_FORCE else number)}


def released(site: Site, region: str, number: str | None) -> tuple[Entry, ...]:
    """The entries of a region's release; of the one that is in force today where no number is given.

    Raises
    ------
    FurrowsliceError
        If there is no such release.
    """
    with site.database.look(operator(), None) as look:
        rows = {} if region == SHARED else {str(row.number): row for row in releases.of_book(look, region)}
        row = rows.get(number) if number is not None else site.in_force(look).releases.get(region)
        if region == SHARED or row is None:
            raise _no_release(look, region, number, sorted(rows, key=int))
        return entries_of(site.of_releases(look, (row,)), region)


def _no_release(look: Look, region: str, number: str | None, numbers: Sequence[str]) -> FurrowsliceError:
    known = sorted(name for name in releases.latest(look) if name != SHARED)
    if not numbers:
        return FurrowsliceError(
            f"there is no release of {region!r}", where="database",
            expected=f"one of {', '.join(known) or 'none'}",
            fix="correct the region; a server makes the first releases when it starts",
        )  # fmt: skip
    return FurrowsliceError(
        f"there is no release {number or IN_FORCE} of {region!r}", where="database",
        expected=f"one of {', '.join(numbers)}", fix="look them up with 'furrowslice tables history'",
    )  # fmt: skip


def book_of(path: Path) -> Book:
    """Read a region's tables from a file, or from the folder of one region.

    Raises
    ------
    TableError
        With the place of what cannot be read.
    """
    if path.is_dir():
        return _own_folder(path)
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise TableError(
            f"the file cannot be opened ({error.strerror})", where=str(path), expected="a file of tables",
            fix="look at its path and rights",
        ) from None  # fmt: skip
    if len(content) > MAX_BYTES:
        raise TableError(
            f"more than {MAX_BYTES} bytes", where=str(path), expected="the tables of one region",
            fix="check that it is the right file",
        )  # fmt: skip
    return forms.read(path.name, content)


def _own_folder(folder: Path) -> Book:
    if not (folder / REGION_FILE).is_file():
        raise TableError(
            "the folder is not that of one region", where=str(folder),
            expected=f"a folder with {REGION_FILE}",
            fix="name the region's own folder, such as my-tables/marrowdale",
        )  # fmt: skip
    files = {
        f"{folder.resolve().name}/{path.relative_to(folder).as_posix()}": path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    }
    return yamlfolder.read_archive(files, str(folder))


def _region_of(book: Book) -> str:
    """Whose tables a file without a word about it holds."""
    said = {each.id.partition("/")[0] for each in book.entries if each.kind != "sources"}
    return said.pop() if len(said) == 1 else ""


def differences(before: Side, after: Side) -> tuple[RecordChange, ...]:
    """What differs between two sides; where one holds a single region, only that one is compared."""
    if len(before) == 1 or len(after) == 1:
        regions = before if len(before) == 1 else after
    else:
        regions = {**before, **after}
    return tuple(
        change
        for region in sorted(regions)
        for change in compare(before.get(region, ()), after.get(region, ()))
    )


def of_folder(tables: TableSet, name: str) -> tuple[str, tuple[Entry, ...], bool]:
    """What a name stands for in the tables of a folder: its region, entries, and whether it is one table.

    Raises
    ------
    FurrowsliceError
        If no region and no table of one has this id.
    """
    if name in tables.regions:
        return name, entries_of(tables, name), False
    for region in sorted(tables.regions):
        found = tuple(
            each for each in entries_of(tables, region) if each.id == name and each.kind != "regions"
        )
        if found:
            return region, found, True
    raise FurrowsliceError(
        f"there is no region and no region's table {name!r}",
        expected="an id as 'furrowslice tables list' prints it",
        fix="look it up with 'furrowslice tables list'",
    )  # fmt: skip


def export(region: str, entries: Sequence[Entry], one: bool, form: Form, path: Path) -> tuple[str, ...]:
    """Write entries to a file, or as YAML into a folder of tables; returns what was written.

    Raises
    ------
    TableError
        If the folder holds other tables of the region: two files of one table would be none.
    """
    if form == "yaml" and path.suffix not in forms.ENDINGS:
        return _into_folder(region, entries, one, path)
    content = forms.write_one(form, region, entries[0]) if one and path.suffix != ".zip" else None
    write_atomically(path, forms.write(form, region, entries) if content is None else content)
    return (path.name,)


def _into_folder(region: str, entries: Sequence[Entry], one: bool, folder: Path) -> tuple[str, ...]:
    texts = yamlfolder.texts(region, entries)
    there = {path.relative_to(folder).as_posix() for path in (folder / region).rglob("*.yaml")}
    if not one and (others := sorted(there - texts.keys())):
        raise TableError(
            f"the folder holds other tables of {region}: {', '.join(others[:3])}", where=str(folder),
            expected="no other files, as a table must not be in two of them",
            fix="rename each file after the id in it, or choose an empty folder",
        )  # fmt: skip
    written = []
    for path, text in texts.items():
        place = folder / path
        if not place.is_file() or place.read_bytes() != text.encode():
            write_atomically(place, text)
            written.append(path)
    return tuple(written)


def plan(folder: Path, book: Book, region: str, *, whole: bool) -> Plan:
    """Work out what a file would change in a folder of tables, and that the folder would pass the check.

    Parameters
    ----------
    region
        Whose tables they are, where the file does not say.
    whole
        Whether the file is the whole region: then tables that it lacks are removed.

    Raises
    ------
    TableError
        If a cell of the file cannot be read, or the folder would not pass the check.
    """
    region = region or book.region or _region_of(book)
    where = places(folder)
    tables = read_tables(folder)
    current = entries_of(tables, region) if region in tables.regions else ()
    after = merged(current, book.entries, whole=whole, first=len(current) + 1)
    changes = compare(current, after)
    texts = {(each.kind, each.id): each for each in after}
    written, removed = {}, []
    for change in changes:
        key = change.kind, change.id
        file, alone = where.get(key, ("", True))
        if not alone:
            raise TableError(
                f"{change.id} stands in a file with other tables", where=file, expected="a file of its own",
                fix="move it into a file of its own, then import again",
            )  # fmt: skip
        if change.what == "removed":
            removed.append(file)
        else:
            ((path, text),) = yamlfolder.texts(region, [texts[key]]).items()
            written[file or path] = text
    made = Plan(folder, changes, written, tuple(removed))
    if changes:
        _refuse_what_fails(made)
    return made


def _refuse_what_fails(made: Plan) -> None:
    """Carry the plan out in a copy of the folder, and check that."""
    with tempfile.TemporaryDirectory(prefix="furrowslice-") as place:
        copy = Path(place) / "tables"
        shutil.copytree(made.folder, copy, ignore=shutil.ignore_patterns(".*"))
        made.carry_out(copy)
        errors = [each for each in check_directory(copy) if each.severity == "error"]
    if errors:
        shown = "\n".join(map(str, errors[:20]))
        raise TableError(
            f"the folder would not pass the check, so nothing was written\n{shown}", where=str(made.folder),
            expected="tables without errors", fix="mend what is named above in the file, then import again",
        )  # fmt: skip


@dataclass(frozen=True)
class BookState:
    """The chain of a book: how many releases it has, and what is wrong with it."""

    book: str
    releases: int
    breaks: tuple[str, ...]


def verify(site: Site, book: str = "") -> tuple[BookState, ...]:
    """Check the chain of a region's releases, or of every book's.

    Raises
    ------
    FurrowsliceError
        If the region has no release.
    """
    with site.database.look(operator(), None) as look:
        known = sorted(releases.latest(look))
        if book and book not in known:
            raise _no_release(look, book, None, ())
        chains = {name: releases.chain(look, name) for name in ([book] if book else known)}
    return tuple(BookState(name, len(links), breaks(links)) for name, links in chains.items())
