"""Whole collections to take away: written to a temporary file first, so that what is sent is whole."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from tempfile import SpooledTemporaryFile
from threading import BoundedSemaphore
from typing import IO

from service import exportfiles
from service.callers import Caller, Right
from service.exportfiles import Format, Rows
from service.refusals import Invalid, NoRoom, TooMany
from service.site import Site
from service.store import exports
from service.store.exports import COLLECTIONS, Name, Wanted

ROWS_AT_ONCE = 2_000
IN_MEMORY = 1024**2  # larger files go to the disk
_writing = BoundedSemaphore(3)  # a slow reader costs nothing, but writing takes the processor


@dataclass(frozen=True)
class Export:
    """A file that is ready to be sent, from its beginning."""

    file: IO[bytes]
    size_bytes: int
    name: str
    media_type: str


def offered(site: Site, caller: Caller) -> tuple[Name, ...]:
    """What a caller may take away.

    Raises
    ------
    NotAllowed
        If that is nothing.
    """
    with site.database.look(caller, Right.READ_SAMPLES):
        return tuple(name for name, made in COLLECTIONS.items() if caller.may(made.right))


def write_export(site: Site, caller: Caller, name: Name, kind: Format, wanted: Wanted) -> Export:
    """Write one collection, as far as it is the caller's.

    Rows are read a few thousand at a time, each time in a transaction of its own: what is stored meanwhile
    may be in it or not, but no row is there twice.

    Raises
    ------
    NotAllowed, NotFound
        If the caller may not read it, or names a county that is none of theirs.
    Invalid
        If the days are in the wrong order, the collection has no places, or a worksheet has too few rows.
    TooMany
        If several exports are being written already.
    """
    collection = COLLECTIONS[name]
    _check(name, kind, wanted)
    with site.database.look(caller, collection.right) as look:
        today = look.now.date()
        if wanted.county is not None:
            exports.check_county(look, wanted.county)
        if kind == "xlsx" and exports.count(look, name, wanted) >= exportfiles.LONGEST_SHEET:
            raise exportfiles.too_long()
    file: IO[bytes] = SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115 - closed when sent
    try:
        with _one_of_few(), _room():
            _write(site, caller, name, kind, wanted, file)
            size = file.seek(0, 2)
            file.seek(0)
    except BaseException:
        file.close()
        raise
    title = f"furrowslice-{name}-{today.isoformat()}.{kind}"
    return Export(file, size, title, exportfiles.MEDIA_TYPES[kind])


def _write(site: Site, caller: Caller, name: Name, kind: Format, wanted: Wanted, file: IO[bytes]) -> None:
    columns = COLLECTIONS[name].columns
    batches = _batches(site, caller, name, wanted, shapes=kind == "geojson")
    if kind == "csv":
        exportfiles.write_csv(file, columns, batches)
    elif kind == "xlsx":
        exportfiles.write_xlsx(file, columns, batches, name)
    elif kind == "parquet":
        exportfiles.write_parquet(file, columns, batches)
    else:
        exportfiles.write_geojson(file, columns, batches)


def choose(year: int | None, wanted: Wanted) -> Wanted:
    """Narrow what is wanted to one calendar year."""
    if year is None:
        return wanted
    first, last = date(year, 1, 1), date(year, 12, 31)
    return replace(wanted, first=max(first, wanted.first or first), last=min(last, wanted.last or last))


def _check(name: Name, kind: Format, wanted: Wanted) -> None:
    if wanted.first is not None and wanted.last is not None and wanted.first > wanted.last:
        raise Invalid(
            "the first day is after the last",
            where="query",
            expected="days in order, and within the year if one is given",
            fix="exchange or correct them",
            fields={"query/from": "is after the last day"},
        )
    if kind == "geojson" and not COLLECTIONS[name].shape:
        raise Invalid(
            f"{name} have no place on a map",
            where="geojson",
            expected=", ".join(each for each, made in COLLECTIONS.items() if made.shape),
            fix="take another format",
        )


def _batches(site: Site, caller: Caller, name: Name, wanted: Wanted, *, shapes: bool) -> Iterator[Rows]:
    after, full = 0, True
    while full:
        with site.database.look(caller, COLLECTIONS[name].right) as look:
            after, rows = exports.some(look, name, wanted, after, ROWS_AT_ONCE, shapes=shapes)
        yield rows
        full = len(rows) == ROWS_AT_ONCE


@contextmanager
def _one_of_few() -> Iterator[None]:
    if not _writing.acquire(blocking=False):
        raise TooMany("several exports are being written already", wait_seconds=15)
    try:
        yield
    finally:
        _writing.release()


@contextmanager
def _room() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT):
            raise
        raise NoRoom(
            "the disk is full, so the file could not be written",
            where="temporary files",
            expected="room for the file",
            fix="make room on the server's disk, or ask for less",
        ) from error
