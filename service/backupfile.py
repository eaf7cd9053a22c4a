"""A backup as one file: the whole database, the same for either engine.

It is a zip archive with one part a table, ``tables/<name>.jsonl``, and ``manifest.json`` as its last part.

A part holds one row a line, a JSON list in the order of the manifest's columns. What a value is follows from
the kind of its column:

=========  ==========================================================================
kind       written as
=========  ==========================================================================
integer    a number
double     a number with every digit it takes to come back the same; "nan", "inf"
flag       true or false
text       a text
json       a text: the document exactly as it is stored
day        "2026-04-20"
instant    "2026-04-20T09:00:00.000000Z", always UTC
bytes      a text in base 64
=========  ==========================================================================

and null where the database has NULL. The manifest says which format this is, the revision of the schema, and
for each table its columns with their kinds, the number of rows and the SHA-256 of the part, so that a file
that was cut short or changed is known before anything is done with it.
"""

from __future__ import annotations

import base64
import hashlib
import json
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import IO, Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from interpretation.errors import FurrowsliceError

FORMAT, VERSION = "furrowslice-backup", 1
MANIFEST = "manifest.json"
_LARGEST_MANIFEST = 1024**2
Kind = Literal["integer", "double", "flag", "text", "json", "day", "instant", "bytes"]
Row = Sequence[Any]


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Column(_Frozen):
    """One column of a part."""

    name: str
    kind: Kind


class Part(_Frozen):
    """One table of a backup."""

    table: str
    columns: tuple[Column, ...]
    rows: int
    sha256: str

    @property
    def name(self) -> str:
        """Its name in the archive."""
        return f"tables/{self.table}.jsonl"


class Manifest(_Frozen):
    """What a backup holds."""

    format: str = FORMAT
    version: int = VERSION
    revision: str  # of the schema
    made_at: datetime
    parts: tuple[Part, ...]

    @property
    def rows(self) -> int:
        """Rows of all tables together."""
        return sum(part.rows for part in self.parts)


class Writer:
    """Writes a backup, table by table, never holding more than a row of it."""

    def __init__(self, file: IO[bytes]) -> None:
        self._archive = zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3)
        self._parts: list[Part] = []

    def table(self, name: str, columns: Sequence[Column], rows: Iterable[Row]) -> None:
        """Write one table."""
        part = Part(table=name, columns=tuple(columns), rows=0, sha256="")
        digest, count = hashlib.sha256(), 0
        with self._archive.open(part.name, "w", force_zip64=True) as out:
            for row in rows:
                written = [_written(value, each.kind) for value, each in zip(row, columns, strict=True)]
                line = f"{json.dumps(written, ensure_ascii=False, separators=(',', ':'))}\n".encode()
                digest.update(line)
                out.write(line)
                count += 1
        self._parts.append(part.model_copy(update={"rows": count, "sha256": digest.hexdigest()}))

    def finish(self, revision: str, made_at: datetime) -> Manifest:
        """Write the manifest and close the archive."""
        manifest = Manifest(revision=revision, made_at=made_at, parts=tuple(self._parts))
        self._archive.writestr(MANIFEST, manifest.model_dump_json(indent=1))
        self.close()
        return manifest

    def close(self) -> None:
        """Close the archive; one without a manifest is no backup."""
        self._archive.close()


def _written(value: Any, kind: Kind) -> Any:
    if value is None:
        return None
    if kind == "bytes":
        return base64.b64encode(value).decode()
    if kind == "instant":
        at = value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
        return f"{at:%Y-%m-%dT%H:%M:%S.%f}Z"
    if kind == "day":
        return value.isoformat()
    if kind == "double":
        # JSON has no infinity; `repr` of any other double reads back as the same one.
        return value if abs(value) < float("inf") else repr(float(value))
    return value


def _read(value: Any, kind: Kind) -> Any:
    if value is None:
        return None
    if kind == "bytes":
        return base64.b64decode(value, validate=True)
    if kind == "instant":
        return datetime.fromisoformat(value)
    if kind == "day":
        return date.fromisoformat(value)
    return float(value) if kind == "double" else value


class Reader:
    """Reads a backup that has been checked in full.

    Raises
    ------
    FurrowsliceError
        If the file is none, is cut short, was changed, or is of a newer format.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            self._archive = zipfile.ZipFile(path)
        except (zipfile.BadZipFile, ValueError):
            raise self._damaged("it is no backup, or was cut short") from None
        except OSError as error:
            raise FurrowsliceError(
                f"the backup cannot be read: {error.strerror}", where=str(path),
                expected="a file that furrowslice backup wrote", fix="look at its path and its rights",
            ) from None  # fmt: skip
        try:
            self.manifest = self._manifest()
            for part in self.manifest.parts:
                self._check(part)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the file."""
        self._archive.close()

    def rows(self, part: Part) -> Iterator[list[Any]]:
        """The rows of one table."""
        kinds = [each.kind for each in part.columns]
        try:
            with self._archive.open(part.name) as lines:
                for line in lines:
                    yield [_read(value, kind) for value, kind in zip(json.loads(line), kinds, strict=True)]
        except (ValueError, TypeError):
            raise self._damaged(f"{part.name} holds a row that cannot be read") from None

    def _manifest(self) -> Manifest:
        try:
            with self._archive.open(MANIFEST) as member:
                told = json.loads(member.read(_LARGEST_MANIFEST))
        except (KeyError, ValueError, zipfile.BadZipFile, zlib.error, EOFError):
            raise self._damaged("it has no manifest, so it is no backup") from None
        if not isinstance(told, dict) or told.get("format") != FORMAT:
            raise self._damaged("its manifest is of another program")
        if told.get("version") != VERSION:
            raise FurrowsliceError(
                f"the backup is of format {told.get('version')!r}, which this version does not know",
                where=str(self._path), expected=f"format {VERSION}",
                fix="install the version of furrowslice that wrote it, or a newer one",
            )  # fmt: skip
        try:
            return Manifest.model_validate(told)
        except ValidationError:
            raise self._damaged("its manifest is not as it was written") from None

    def _check(self, part: Part) -> None:
        digest, rows = hashlib.sha256(), 0
        try:
            with self._archive.open(part.name) as lines:
                for line in lines:
                    digest.update(line)
                    rows += 1
        except (KeyError, zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError):
            raise self._damaged(f"{part.name} is missing or cannot be read") from None
        if digest.hexdigest() != part.sha256 or rows != part.rows:
            raise self._damaged(f"{part.name} is not as it was written")

    def _damaged(self, why: str) -> FurrowsliceError:
        return FurrowsliceError(
            f"the backup cannot be used: {why}", where=str(self._path),
            expected="a file that furrowslice backup wrote, whole and unchanged",
            fix="use another copy of it, or an earlier backup; nothing was changed",
        )  # fmt: skip
