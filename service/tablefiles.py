"""The folder of tables: finds the files, reads them into records and places every problem on its line.

::

    methods/ crops/ materials/ notes/ sources/     shared by all regions
    limits/                                        the laboratory's limits, read elsewhere
    <region>/region.yaml                           who publishes, for whom
    <region>/scales/  <region>/rates/              the region's tables
    <region>/conversions/                          its equations between two methods
    <region>/sources/                              sources that this region alone cites

A file holds one record, or a list of records.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from interpretation.agronomy import consistency
from interpretation.agronomy.problems import Problem
from interpretation.agronomy.tables import NoteRule, TableSet
from interpretation.errors import TableError
from interpretation.results import Record
from service.books import OF_REGION, OF_SHARED, fingerprint, label
from service.tablewords import explain, keys_at
from service.yamlfiles import Document, read

_IN_A_REGION = OF_REGION.keys() - {"regions"}  # region.yaml lies beside these folders
MAX_FILES = 10_000  # a path typed wrong, such as /, ends in a message and not in a long walk
MOST_TOLD = 100  # mistakes of one record; nobody reads more, and a list of junk has one in each item
OTHERS = frozenset({"limits"})  # read by the laboratory side
PAGES = frozenset({"README.md", "COVERAGE.md"})  # about the tables, for people


@dataclass
class Found:
    """Records as they are gathered, and where each of them stands."""

    records: dict[str, dict[str, Any]] = field(
        default_factory=lambda: {kind: {} for kind in (*OF_SHARED, *OF_REGION)}
    )
    places: dict[tuple[str, str], tuple[Document, tuple[int, ...]]] = field(default_factory=dict)
    fingerprints: dict[str, str] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def tables(self) -> TableSet:
        """The records."""
        return TableSet(**self.records, fingerprints=self.fingerprints)

    def errors(self) -> list[Problem]:
        """What keeps the records from being used."""
        return [problem for problem in self.problems if problem.severity == "error"]

    def refusal(self, where: str) -> TableError:
        """All errors as one, in order of file and line."""
        errors = sorted(self.errors(), key=_in_order)
        return TableError(
            f"{len(errors)} {'error' if len(errors) == 1 else 'errors'} in the tables\n"
            + "\n".join(str(error) for error in errors),
            where=where,
            fix="mend the lines named above",
        )


def _in_order(problem: Problem) -> tuple[str, int, str]:
    return problem.file, problem.line, problem.message


def read_tables(directory: Path) -> TableSet:
    """Read every table of a folder.

    Parameters
    ----------
    directory
        The folder of tables.

    Returns
    -------
    TableSet
        ``fingerprints`` holds the SHA-256 of each scale, rate and conversion by its id, and of every other
        record by kind and id, e.g. ``methods/ph-water-1:1``: see :func:`service.books.fingerprint`.

    Raises
    ------
    TableError
        With all errors, each with file and line. Warnings do not raise.
    """
    found = _read(directory)
    if found.errors():
        raise found.refusal(str(directory))
    # By id, as releases have them: of two tables that miss a value by as much the first is told.
    ordered = {kind: dict(sorted(records.items())) for kind, records in found.records.items()}
    return TableSet(**ordered, fingerprints=found.fingerprints)


def check_directory(directory: Path) -> list[Problem]:
    """Say everything that is wrong or odd in a folder of tables, in order of file and line."""
    return _read(directory).problems


def places(directory: Path) -> dict[tuple[str, str], tuple[str, bool]]:
    """Which file each record of a folder is in, by kind and id, and whether it has the file for itself.

    Raises
    ------
    TableError
        As :func:`read_tables`, with what keeps the files from being read; records need not fit together.
    """
    found = _gathered(directory)
    if found.errors():
        raise found.refusal(str(directory))
    return {key: (document.file, not base) for key, (document, base) in found.places.items()}


def _read(directory: Path) -> Found:
    found = _gathered(directory)
    # Records that cannot be read would make others look wrong that name them: first things first.
    if not found.problems:
        found.problems = [_place(problem, found) for problem in consistency.check(found.tables())]
    found.problems.sort(key=_in_order)
    return found


def _gathered(directory: Path) -> Found:
    """Read the files of a folder, one by one."""
    found = Found()
    if not directory.is_dir():
        found.problems.append(
            _stray(str(directory), "there is no such folder", "a folder of tables", "correct the path")
        )
        return found
    for file, kind in _files(directory, found):
        _read_file(file, file.relative_to(directory).as_posix(), kind, found)
    return found


def _files(directory: Path, found: Found) -> Iterator[tuple[Path, str]]:
    """Every table file with its kind, in a fixed order; anything else in the folder is a problem."""
    paths = list(islice(_listed(directory, found), MAX_FILES + 1))
    if len(paths) > MAX_FILES:
        found.problems.append(
            _stray(
                str(directory),
                f"more than {MAX_FILES} files",
                "a folder of tables and nothing else",
                "correct the path",
            )
        )
        return
    for path in sorted(paths):
        parts = path.relative_to(directory).parts
        hidden = any(part.startswith(".") for part in parts)  # version control, file managers
        if hidden or parts[0] in OTHERS or path.name in PAGES:
            continue
        kind = _kind(parts)
        if kind:
            yield path, kind
        else:
            found.problems.append(
                _stray(
                    "/".join(parts),
                    "this is no table file, or it is in the wrong folder",
                    "*.yaml in methods, crops, materials, notes or sources, or in a region's scales, rates "
                    "or conversions; <region>/region.yaml",
                    "move the file, or end its name in .yaml",
                )
            )


def _listed(directory: Path, found: Found) -> Iterator[Path]:
    """Everything in the folder but its folders; one that cannot be opened is a problem, not an empty one."""

    def closed(error: OSError) -> None:
        what = f"the folder cannot be opened ({error.strerror})"
        found.problems.append(_stray(error.filename, what, "a folder that can be read", "look at its rights"))

    for folder, folders, names in os.walk(directory, onerror=closed):
        links = (name for name in folders if Path(folder, name).is_symlink())  # not followed: no table file
        yield from (Path(folder, name) for name in (*names, *links))


def _kind(parts: tuple[str, ...]) -> str | None:
    match parts:
        case (folder, name) if folder in OF_SHARED and name.endswith(".yaml"):
            return folder
        case (folder, "region.yaml") if folder not in OF_SHARED:
            return "regions"
        case (folder, kind, name) if (
            folder not in OF_SHARED and kind in _IN_A_REGION and name.endswith(".yaml")
        ):
            return kind
    return None


def _read_file(path: Path, name: str, kind: str, found: Found) -> None:
    folder = name.partition("/")[0]
    try:
        take(read(path, name), kind, None if folder in OF_SHARED else folder, found)
    except TableError as error:
        found.problems.append(unreadable(error, name))


def unreadable(error: TableError, name: str) -> Problem:
    """A file that is no YAML as a problem of its line."""
    line = int(error.where.rpartition(":")[2]) if error.where != name else 0
    return _stray(name, error.what, error.expected, error.fix, line)


def take(document: Document, kind: str, whose: str | None, found: Found) -> None:
    """Take the record of a file, or each of its list of records.

    Parameters
    ----------
    kind
        What the file holds: a key of :data:`OF_SHARED` or :data:`OF_REGION`.
    whose
        The region that its records must be of; None for what all regions share.
    found
        What records and problems are added to.
    """
    if isinstance(document.value, tuple):
        for position, value in enumerate(document.value):
            _add(value, document, (position,), (kind, whose), found)
    else:
        _add(document.value, document, (), (kind, whose), found)


def _add(
    value: object, document: Document, base: tuple[int, ...], what: tuple[str, str | None], found: Found
) -> None:
    kind, whose = what
    model = (OF_SHARED | OF_REGION)[kind]
    try:
        # Strict: a quoted number is a text and 20260101 is no date. Nothing is turned into something else.
        record = model.model_validate(value, strict=True)
    except ValidationError as error:
        found.problems += _invalid(error, document, base, kind, model)
        return
    name = record.key if isinstance(record, NoteRule) else str(getattr(record, "id", ""))
    called = label(kind, name)
    if called in found.fingerprints:
        first = next(where[0] for (k, n), where in found.places.items() if label(k, n) == called)
        found.problems.append(
            _stray(
                document.file,
                f"{name!r} is already in {first.file}",
                "an id of its own for each record",
                "rename one of the two",
                document.line((*base, "key" if kind == "notes" else "id")),
            )
        )
        return
    found.records[kind][name] = record
    found.places[kind, name] = document, base
    found.fingerprints[called] = fingerprint(record)
    said = name if kind == "regions" else getattr(record, "region", None)
    if said != whose:
        found.problems.append(
            _stray(
                document.file,
                f"the record is of {_region(said)}, and its folder is of {_region(whose)}",
                "a region's files in the region's folder, and what all share without a region",
                "move the file, or correct the region",
                document.line((*base, "id" if kind == "regions" else "region")),
            )
        )


def _region(name: str | None) -> str:
    return f"region {name!r}" if name else "all regions"


def _invalid(
    error: ValidationError, document: Document, base: tuple[int, ...], kind: str, model: type[Record]
) -> Iterator[Problem]:
    """One problem for each place in the file; a place that fails in several ways is told once."""
    told: dict[tuple[str | int, ...], Problem] = {}
    for detail in error.errors(include_url=False)[:MOST_TOLD]:
        place = ".".join(str(part) for part in detail["loc"])
        path = (*base, *detail["loc"])
        while path not in document.lines and path != base:  # names of union members are not in the file
            path = path[:-1]
        if path in told:  # several missing keys of one record join into one message
            if detail["type"] == "missing":
                told[path] = replace(told[path], message=f"{place}, {told[path].message}")
            continue
        if detail["type"] != "missing":
            place = ".".join(str(part) for part in path[len(base) :])
        message, expected, fix = explain(detail, keys_at(model, detail["loc"]))
        told[path] = Problem(
            kind, "", path, f"{place}: {message}" if place else message, expected, fix,
            file=document.file, line=document.line(path),
        )  # fmt: skip
    yield from told.values()


def _place(problem: Problem, found: Found) -> Problem:
    document, base = found.places[problem.kind, problem.table]
    return replace(problem, file=document.file, line=document.line((*base, *problem.path)))


def _stray(file: str, message: str, expected: str, fix: str, line: int = 0) -> Problem:
    return Problem("", "", (), message, expected, fix, file=file, line=line)
