"""What can be read of an entry while it is being typed: enough to draw it, and never enough to publish it."""

from __future__ import annotations

from collections.abc import Mapping

from interpretation.results import Record
from service.entries.columns import Kind
from service.entries.entry import Entry
from service.entries.reading import Reading, read_entry

TRIES = 4  # each leaves out what the one before found unreadable
# What stands in for a fact that is not typed yet, or not readable, so that the rest can be shown.
_STAND_INS: Mapping[Kind, Mapping[str, str]] = {
    "rates": {
        "crops": "any", "nutrient": "N", "unit": "kg/ha", "round_to": "1", "effective_from": "2000-01-01",
        "sources": "none", "standing": "regional-draft",
    },
    "conversions": {
        "title": "-", "analyte": "P", "from_method": "none", "to_method": "none", "highest": "100",
        "effective_from": "2000-01-01", "sources": "none", "standing": "regional-draft",
    },
}  # fmt: skip


def probed(entry: Entry, region: str) -> Record | None:
    """A record of whatever of an entry can be read; None where too little can.

    Parameters
    ----------
    entry
        A table of amounts, or an equation.
    region
        Whose it is.
    """
    stand_ins = {**_STAND_INS[entry.kind]} | {"id": f"{region}/shown"}
    facts, rows = dict(entry.facts) | {"id": f"{region}/shown"}, dict(entry.rows)
    for _ in range(TRIES):
        tried = Entry(kind=entry.kind, facts={**stand_ins, **facts}, rows=rows)
        reading = read_entry(tried, region)
        if reading.record is not None:
            return reading.record
        _leave_out(reading, facts, rows)
    return None


def _leave_out(reading: Reading, facts: dict[str, str], rows: dict[str, tuple[dict[str, str], ...]]) -> None:
    """Take out what a reading stumbled over: a fact, or the row of a cell."""
    wrong: dict[str, set[int]] = {}
    for problem in reading.problems:
        if problem.cell.sheet:
            wrong.setdefault(problem.cell.sheet, set()).add(problem.cell.row)
        else:
            facts.pop(problem.cell.column, None)
    for sheet, numbers in wrong.items():
        kept: tuple[dict[str, str], ...] = tuple(
            row for number, row in enumerate(rows.get(sheet, ())) if number not in numbers
        )
        rows.pop(sheet, None)
        if kept:
            rows[sheet] = kept
