"""What differs between two states of a region's tables, in plain words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from service.actions.tables import SINGULAR
from service.cli.tabletext.words import wrapped
from service.entries.comparing import CellChange, RecordChange

CALLED = SINGULAR | {"scales": "scale of classes", "rates": "table of amounts"}


def change_lines(changes: Sequence[RecordChange]) -> Iterator[str]:
    """Lines of all that differs; one that says so where nothing does."""
    if not changes:
        yield "Nothing differs."
        return
    for change in changes:
        title = f" ({change.title})" if change.title else ""
        yield f"{change.id}{title}, {CALLED[change.kind]}: {change.what}"
        if change.what == "changed":
            for cell in change.cells:
                yield from wrapped(_cell(cell), "    ", "      ")
    counts = [
        (number, what)
        for what in ("changed", "added", "removed")
        if (number := sum(change.what == what for change in changes))
    ]
    yield ""
    yield f"{', '.join(f'{number} {what}' for number, what in counts)}."


def _cell(cell: CellChange) -> str:
    place = ", ".join(filter(None, (cell.sheet.replace("_", " "), cell.row)))
    column = cell.column.replace("_", " ")
    return f"{f'{place}: ' if place else ''}{column}: {_said(cell.before)} -> {_said(cell.after)}"


def _said(text: str) -> str:
    return text.replace("\n", " / ") if text else "nothing"
