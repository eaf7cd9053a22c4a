"""Archives (.zip) of small text files: written as the same bytes each time, and read without harm."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Mapping

from interpretation.errors import TableError

MAX_MEMBERS, MAX_UNPACKED, MAX_RATIO = 500, 4 * 1024 * 1024, 100  # the largest region shipped has 40 kB
_SMALL = 1024 * 1024  # so little may be packed as tightly as it likes
# What every archiver writes. Others can ask for any amount of memory, and fail in ways of their own.
_PACKED = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_BEGINNING = (1980, 1, 1, 0, 0, 0)  # the earliest time that an archive can say


def pack(files: Mapping[str, bytes]) -> bytes:
    """Write an archive. Nothing is compressed: how tightly it is depends on the library's version."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(files):
            member = zipfile.ZipInfo(name, _BEGINNING)
            member.create_system, member.external_attr = 3, 0o644 << 16  # the same on every system
            archive.writestr(member, files[name])
    return made.getvalue()


def unpack(data: bytes, source: str) -> dict[str, bytes]:
    """Read an archive into memory; nothing is written under the names that it brings.

    Files that file managers add by themselves (hidden ones, ``__MACOSX``) are left out.

    Raises
    ------
    TableError
        If it is none, is too large once unpacked, or names a file outside of itself.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = [each for each in archive.infolist() if not each.is_dir()]
            if problem := _problem(members, len(data)):
                raise _refusal(problem, source)
            return {each.filename: archive.read(each) for each in members if not _is_hidden(each.filename)}
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, NotImplementedError, RuntimeError):
        raise _refusal("the archive is damaged, or is none", source) from None


def _problem(members: list[zipfile.ZipInfo], size: int) -> str:
    names = [each.filename for each in members]
    unpacked = sum(each.file_size for each in members)
    if len(names) > MAX_MEMBERS:
        return f"the archive has more than {MAX_MEMBERS} files"
    if len({name.casefold() for name in names}) != len(names):
        return "the archive has two files of one name"
    for name in names:
        parts = name.split("/")
        if name.startswith("/") or ".." in parts or "\\" in name or ":" in parts[0] or "\0" in name:
            return f"the archive names a file outside of itself: {name[:80]!r}"
    if unpacked > MAX_UNPACKED or (unpacked > _SMALL and unpacked > MAX_RATIO * size):
        return f"the archive unpacks to {unpacked} bytes from {size}"
    if any(each.flag_bits & 0x1 for each in members):
        return "the archive has a password"
    if any(each.compress_type not in _PACKED for each in members):
        return "the archive is packed in a way that is not read here"
    return ""


def _is_hidden(name: str) -> bool:
    return any(part.startswith(".") or part == "__MACOSX" for part in name.split("/"))


def _refusal(what: str, source: str) -> TableError:
    return TableError(
        what, where=source, expected="an archive (.zip) of a region's tables as CSV or YAML",
        fix="pack the files anew, as they were when you took them from here",
    )  # fmt: skip
