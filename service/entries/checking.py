"""Whether the entries of a draft can be a release: each cell read, all records held against each other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from interpretation.agronomy import consistency
from interpretation.agronomy.tables import TableSet
from service.books import OF_REGION, SHARED, books_of, merged
from service.entries.entry import Cell, CellProblem, Entry
from service.entries.reading import cell_at, read_entry


@dataclass(frozen=True)
class Checked:
    """Entries, read.

    Attributes
    ----------
    book
        Every record that could be read.
    problems
        Number of the entry -> what is wrong or odd with it, cell by cell; 0 stands for the draft as a whole.
    """

    book: TableSet
    problems: Mapping[int, tuple[CellProblem, ...]]

    def errors(self) -> int:
        """How many things keep the draft from being released."""
        return sum(each.severity == "error" for found in self.problems.values() for each in found)

    def warnings(self) -> int:
        """How many things are to be looked at."""
        return sum(each.severity == "warning" for found in self.problems.values() for each in found)


def check(entries: Sequence[Entry], region: str, around: TableSet, base: Sequence[Entry] = ()) -> Checked:
    """Check the entries of a region's draft.

    Parameters
    ----------
    entries
        As they were typed.
    region
        Id of the region.
    around
        The tables in force: what all regions share, and the other regions.
    base
        The entries that the draft began from. A record that cannot be read now stands as it was there while
        the others are held against it; or each that rests on it would be called wrong, too.
    """
    problems: defaultdict[int, list[CellProblem]] = defaultdict(list)
    records: dict[str, dict[str, Any]] = {kind: {} for kind in OF_REGION}
    numbers: dict[tuple[str, str], Entry] = {}
    stand_ins: dict[str, dict[str, Any]] = {kind: {} for kind in OF_REGION}
    were = {each.number: each for each in base}
    for entry in entries:
        reading = read_entry(entry, region)
        problems[entry.number] += reading.problems
        if reading.record is None:
            if (was := were.get(entry.number)) is not None:
                stand_ins[was.kind][was.id] = read_entry(was, region).record
            continue
        if message := _misnamed(entry, region, numbers, around):
            problems[entry.number].append(
                CellProblem(Cell("id"), message, f"an id of its own, {region}/name for a table", "rename it")
            )
            continue
        numbers[entry.kind, entry.id] = entry
        records[entry.kind][entry.id] = reading.record
    problems[0] += _regions(entries, region)
    book = TableSet(**records)
    whole = TableSet(**{kind: stand_ins[kind] | found for kind, found in records.items()})
    if region in whole.regions:
        for found in consistency.check(_together(whole, region, around)):
            entry_of = numbers.get((found.kind, found.table))
            if entry_of is None:
                continue
            cell = cell_at(entry_of, found.path)
            # A formula that cannot be read is told with its place in the record; here its cell says that.
            message = found.message.removeprefix(".".join(map(str, found.path)) + ", ")
            problems[entry_of.number].append(
                CellProblem(cell, message, found.expected, found.fix, found.severity)
            )
    return Checked(book, {number: tuple(found) for number, found in problems.items() if found})


def _together(book: TableSet, region: str, around: TableSet) -> TableSet:
    """The region with what all share; of other regions their names alone, which is all that rules ask for."""
    shared = books_of(replace(around, regions={}))[SHARED]
    others = {name: each for name, each in around.regions.items() if name != region}
    return merged([shared, replace(book, regions=others | book.regions)])


def _misnamed(entry: Entry, region: str, known: Mapping[tuple[str, str], Entry], around: TableSet) -> str:
    if entry.kind == "regions":
        return "" if entry.id == region else f"the region of this draft is {region!r}"
    if entry.kind == "sources":
        there = around.sources.get(entry.id)
        if there is not None and there.region != region:
            return f"{entry.id!r} is a source that others cite, too"
    elif not entry.id.startswith(f"{region}/"):
        return f"{entry.id!r} does not begin with {region}/"
    kinds = ("scales", "rates", "conversions") if entry.kind != "sources" else ("sources",)
    if any((kind, entry.id) in known for kind in kinds):
        return f"{entry.id!r} is in this draft already"
    return ""


def _regions(entries: Iterable[Entry], region: str) -> list[CellProblem]:
    found = [each for each in entries if each.kind == "regions"]
    if len(found) == 1:
        return []
    return [
        CellProblem(
            Cell(), f"{len(found)} entries about the region itself", "one, with the id " + region,
            "add it, or remove what is too much",
        )
    ]  # fmt: skip
