"""The reports of a batch handed out together: as one archive, or as files that are ready for a printer.

They come from the database and not from the outputs: what is handed out is what was issued, to the byte, and
nothing of a grower whose data were erased since. Neither is kept; each is made when it is asked for.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from threading import BoundedSemaphore
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile, ZipInfo

from service.actions import printing
from service.callers import Caller, Right
from service.exportfiles import Column, write_csv
from service.refusals import NotFound, TooMany
from service.site import Site
from service.store import batchfiles, documents, jobs
from service.store.batchfiles import IssuedFile
from service.store.database import Look
from service.store.jobs import JobRow

AT_ONCE = 25  # documents that are read in one transaction
PER_PART = 100  # reports in one file for a printer: bound, each takes 2 to 3 MB of memory
INDEX = "index.csv"
_COLUMNS = (
    Column("number", "whole", "place in the batch"),
    Column("file", "text", "name in this archive"),
    Column("report", "text", "the report's number, as printed"),
    Column("county", "text", "name of the county"),
    Column("grower", "text", "the grower's name"),
    Column("farm", "text", "the farm's name"),
    Column("field_code", "text", "the field's code"),
    Column("field_name", "text", "the field's name"),
    Column("crop", "text", "id of the crop"),
    Column("sampled_on", "day", "day of the visit"),
    Column("issued_on", "day", "day printed on the report"),
    Column("language", "text", "language of the page"),
    Column("sha256", "text", "SHA-256 of the file"),
)
_archiving = BoundedSemaphore(3)  # a slow reader holds a thread
_merging = BoundedSemaphore(1)  # takes the processor and some memory


@dataclass(frozen=True)
class Archive:
    """An archive that is made as it is read."""

    pieces: Iterator[bytes]
    name: str


@dataclass(frozen=True)
class PrintFile:
    """Reports in one file, for a printer."""

    content: bytes
    name: str


def parts(site: Site, caller: Caller, job_id: int) -> int:
    """How many files for a printer the reports of a batch make."""
    with site.database.look(caller, Right.READ_REPORTS) as look:
        return -(-batchfiles.count(look, jobs.the_job(look, job_id).id) // PER_PART)


def archive(site: Site, caller: Caller, job_id: int) -> Archive:
    """All reports of a batch as a ZIP archive, with a list of them.

    Raises
    ------
    NotFound
        If none was issued yet.
    TooMany
        If several archives are read already.
    """
    with site.database.look(caller, Right.READ_REPORTS) as look:
        job = jobs.the_job(look, job_id)
        if not batchfiles.count(look, job.id):
            raise _nothing(job)
    if not _archiving.acquire(blocking=False):
        raise TooMany("several archives are being read already", wait_seconds=30)
    return Archive(_Pieces(_zipped(site, caller, job)), f"{job.folder}.zip")


class _Pieces(Iterator[bytes]):
    """Pieces of an archive; makes room for another one when it has come to its end or nobody reads on."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces, self._open = pieces, True

    def __next__(self) -> bytes:
        try:
            return next(self._pieces)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Make room for another one."""
        if self._open:
            self._open = False
            _archiving.release()

    def __del__(self) -> None:
        self.close()


def print_part(site: Site, caller: Caller, job_id: int, number: int, *, duplex: bool) -> PrintFile:
    """Some reports of a batch in one file, with sheets between counties and growers.

    Parameters
    ----------
    number
        1 for the first :data:`PER_PART` reports, and so on.
    duplex
        Whether every report and every sheet begins on the front of a leaf.

    Raises
    ------
    NotFound
        If there is no such part.
    TooMany
        If another file for a printer is being made.
    """
    with site.database.look(caller, Right.READ_REPORTS) as look:
        job = jobs.the_job(look, job_id)
        chosen = batchfiles.part(look, job.id, skip=(number - 1) * PER_PART, most=PER_PART)
    if not chosen:
        raise NotFound(
            "there is no such part of this batch", where=f"part {number}",
            expected="a part with reports that were issued", fix="look at the batch again",
        )  # fmt: skip
    content = bind(site, caller, chosen, job.title, duplex=duplex)
    return PrintFile(content, f"{job.folder}-{number:03d}.pdf")


def bind(site: Site, caller: Caller, files: tuple[IssuedFile, ...], title: str, *, duplex: bool) -> bytes:
    """Bind reports into one file for a printer; see :func:`print_part`.

    Raises
    ------
    TooMany
        If another one is being made.
    """
    if not _merging.acquire(blocking=False):
        raise TooMany("another file for a printer is being made", wait_seconds=20)
    try:
        bound = [printing.Bound(file, content) for file, content in _contents(site, caller, files)]
        return printing.merged(bound, caller.language, title, duplex=duplex)
    finally:
        _merging.release()


def _contents(
    site: Site, caller: Caller, files: tuple[IssuedFile, ...]
) -> Iterator[tuple[IssuedFile, bytes]]:
    for start in range(0, len(files), AT_ONCE):
        with site.database.look(caller, Right.READ_REPORTS) as look:
            found = [(each, documents.get(look, each.sha256)) for each in files[start : start + AT_ONCE]]
        yield from found


def _all(site: Site, caller: Caller, job: JobRow) -> Iterator[tuple[IssuedFile, bytes]]:
    last = 0
    while True:
        with site.database.look(caller, Right.READ_REPORTS) as look:
            found = _some(look, job.id, last)
        if not found:
            return
        last = found[-1][0].number
        yield from found


def _some(look: Look, job_id: int, last: int) -> list[tuple[IssuedFile, bytes]]:
    files = batchfiles.issued(look, job_id, after=last, most=AT_ONCE)
    return [(each, documents.get(look, each.sha256)) for each in files]


def _zipped(site: Site, caller: Caller, job: JobRow) -> Iterator[bytes]:
    """Write an archive piece by piece; what is held is one report, and a line of the list for each."""
    buffer = _Buffer()
    rows: list[tuple[object, ...]] = []
    with ZipFile(buffer, "w", ZIP_STORED) as whole:  # a PDF is deflated already
        for file, content in _all(site, caller, job):
            whole.writestr(_member(job, file.file_name), content)
            rows.append(_row(file))
            yield buffer.taken()
        index = io.BytesIO()
        write_csv(index, _COLUMNS, [rows])
        whole.writestr(_member(job, INDEX), index.getvalue(), ZIP_DEFLATED)
    yield buffer.taken()


def _member(job: JobRow, name: str) -> ZipInfo:
    made = ZipInfo(f"{job.folder}/{name}", (job.day.year, job.day.month, job.day.day, 0, 0, 0))
    made.external_attr = 0o600 << 16
    return made


def _row(file: IssuedFile) -> tuple[object, ...]:
    return (
        file.number, file.file_name, file.report, file.county_name, file.grower_name, file.farm_name,
        file.field_code, file.field_name, file.crop, file.sampled_on, file.issued_on, file.language,
        file.sha256,
    )  # fmt: skip


class _Buffer(io.RawIOBase):
    """What was written and not yet taken; it cannot be sought in, so that an archive is written forwards."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def writable(self) -> bool:
        """Whether it takes anything: always."""
        return True

    def write(self, piece: bytes) -> int:  # type: ignore[override]
        """Keep a piece."""
        self._parts.append(bytes(piece))
        return len(piece)

    def taken(self) -> bytes:
        """Everything since the last time."""
        found, self._parts = b"".join(self._parts), []
        return found


def _nothing(job: JobRow) -> NotFound:
    return NotFound(
        "no report of this batch was issued yet", where=f"batch {job.id}",
        expected="a batch with reports that can be handed out", fix="wait until some are issued",
    )  # fmt: skip
