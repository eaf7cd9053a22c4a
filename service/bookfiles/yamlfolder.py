"""Entries as YAML, the very files of the folder of tables: one for each record, in the region's folder."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from interpretation.errors import TableError
from service.bookfiles.archives import pack
from service.bookfiles.book import Book, called, check_writable, in_order
from service.books import OF_REGION
from service.entries.columns import KINDS, MOST_ENTRIES, Kind
from service.entries.entry import Entry
from service.entries.reading import read_entry
from service.entries.writing import entry_of
from service.files import safe_name
from service.tablefiles import PAGES, Found, take, unreadable
from service.yamlfiles import Document, read_bytes
from service.yamlwriting import record_text

REGION_FILE = "region.yaml"
_MOST_TOLD = 20
_MOST_BYTES = 2 * 1024 * 1024  # of all files together; the largest region shipped has 40 kB
# A key that records of one kind alone have, in the order in which a file is asked for them.
_TELLING: dict[str, Kind] = {
    "classes": "scales", "nutrient": "rates", "from_method": "conversions", "valid_for": "regions",
    "read": "sources",
}  # fmt: skip


def path_of(entry: Entry, region: str) -> str:
    """Where the file of an entry is in a folder of tables, as ``region/scales/name.yaml``."""
    if entry.kind == "regions":
        return f"{region}/{REGION_FILE}"
    own = entry.id.startswith(f"{region}/") or entry.kind == "sources"
    name = entry.id.removeprefix(f"{region}/") if own else f"{entry.id}/"
    return f"{region}/{entry.kind}/{safe_name(name)}.yaml"


def texts(region: str, entries: Iterable[Entry]) -> dict[str, str]:
    """Write the file of each entry, by its path.

    Raises
    ------
    TableError
        If a cell of one cannot be read: YAML holds records, and half of one is none. Also as
        :func:`service.bookfiles.book.check_writable`.
    """
    made: dict[str, str] = {}
    for each in check_writable(entries):
        reading = read_entry(each, region)
        if reading.record is None:
            first = reading.problems[0]
            raise TableError(
                f"a cell cannot be read, so that there is no YAML of it: {first.message}",
                where=f"{called(each)}, {first.cell.name}", expected=first.expected,
                fix=f"{first.fix}; or take a workbook or CSV, which hold every cell as it was typed",
            )  # fmt: skip
        if (path := path_of(each, region)) in made:
            raise TableError(
                "two entries about the region",
                where=called(each),
                expected="one",
                fix="remove one of the two",
            )
        made[path] = record_text(reading.record)
    return made


def write_archive(region: str, entries: Iterable[Entry]) -> bytes:
    """Write the files of a region as an archive; see :func:`texts`."""
    return pack({path: text.encode() for path, text in texts(region, entries).items()})


def read_file(content: bytes, source: str) -> Book:
    """Read a file that holds one table, or a list of one kind, of one region.

    Raises
    ------
    TableError
        With the line of each mistake.
    """
    document = read_bytes(content, source)
    first = document.value[0] if isinstance(document.value, tuple) and document.value else document.value
    kind = next((kind for key, kind in _TELLING.items() if isinstance(first, Mapping) and key in first), None)
    if kind is None:
        raise TableError(
            "it cannot be told which kind of table this is", where=source,
            expected=f"a key such as {', '.join(_TELLING)}", fix="compare it with README.md of the tables",
        )  # fmt: skip
    region = _text(first, "id" if kind == "regions" else "region")
    return _book([(document, kind, region)], source)


def read_archive(files: Mapping[str, bytes], source: str) -> Book:
    """Read the files of an archive: ``region.yaml`` and the folders beside it, in a folder or not.

    Raises
    ------
    TableError
        With file and line of each mistake.
    """
    if (size := sum(map(len, files.values()))) > _MOST_BYTES:
        raise TableError(
            f"{size} bytes of YAML", where=source, expected=f"at most {_MOST_BYTES}, for one region's tables",
            fix="check that it is the right file",
        )  # fmt: skip
    given = []
    found = Found()
    for name, content in sorted(files.items()):
        *folders, last = name.split("/")
        if last in PAGES:
            continue
        kind = "regions" if last == REGION_FILE else next(iter(folders[-1:]), "")
        if kind not in KINDS or not last.endswith(".yaml"):
            raise TableError(
                f"{name[:80]!r} is no file of a region's tables", where=source,
                expected=f"{REGION_FILE}, and *.yaml in {', '.join(KINDS[1:])}",
                fix="leave the file out, or put it where it belongs",
            )  # fmt: skip
        folder = (folders if last == REGION_FILE else folders[:-1])[-1:]
        try:
            document = read_bytes(content, name)
        except TableError as error:
            found.problems.append(unreadable(error, name))
            continue
        said = document.value if isinstance(document.value, Mapping) else {}
        given.append((document, kind, folder[0] if folder else _text(said, "region") or _text(said, "id")))
    return _book(given, source, found)


def _text(said: Any, key: str) -> str:
    value = said.get(key, "") if isinstance(said, Mapping) else ""
    return value if isinstance(value, str) else ""


def _book(given: Iterable[tuple[Document, str, str]], source: str, found: Found | None = None) -> Book:
    found = found or Found()
    regions = set()
    for document, kind, region in given:
        take(document, kind, region, found)
        regions.add(region)
    if found.problems:
        raise _refusal(found, source)
    if len(regions) > 1:
        raise TableError(
            f"these are tables of several regions: {', '.join(sorted(regions))}", where=source,
            expected="those of one region", fix="take each region's files on their own",
        )  # fmt: skip
    entries = tuple(_entries(found))
    if not entries or len(entries) > MOST_ENTRIES:
        raise TableError(
            f"there are {len(entries)} tables in it", where=source, expected=f"1 to {MOST_ENTRIES}",
            fix="check that it is the right file",
        )  # fmt: skip
    return Book(regions.pop(), in_order(entries))


def _entries(found: Found) -> Iterator[Entry]:
    for kind in KINDS:
        if kind in OF_REGION:
            yield from (entry_of(kind, record) for record in found.records[kind].values())


def _refusal(found: Found, source: str) -> TableError:
    count = len(found.problems)
    shown = replace(found, problems=found.problems[:_MOST_TOLD]).refusal(source)
    more = f"\n... and {count - _MOST_TOLD} more" if count > _MOST_TOLD else ""
    return TableError(shown.what + more, where=source, fix=shown.fix)
