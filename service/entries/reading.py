"""From what was typed to a record: each cell that cannot be read is told, and nothing is guessed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from interpretation.agronomy.problems import Path
from interpretation.results import Record
from service.books import OF_REGION
from service.entries.celltext import WrongCellError, read_cell
from service.entries.columns import FACTS, MOST_ROWS, ROWS, Column
from service.entries.entry import Cell, CellProblem, Entry, Row
from service.tablewords import explain, keys_at

Columns = tuple[Column, ...]
Rows = tuple[Row, ...]


@dataclass(frozen=True)
class Reading:
    """What an entry says, as far as it can be read.

    Attributes
    ----------
    record
        None where a cell cannot be read or the record would not be whole.
    problems
        Of single cells and of the record; rules between records are looked at elsewhere.
    """

    record: Record | None
    problems: tuple[CellProblem, ...]


@dataclass
class _Found:
    """A record's plain values as they are gathered, and which cell each part came from."""

    values: dict[str, Any] = field(default_factory=dict)
    cells: dict[Path, Cell] = field(default_factory=dict)
    problems: list[CellProblem] = field(default_factory=list)

    def read(self, text: str, column: Column, cell: Cell) -> Any:
        """Read a cell; None, and a problem, if it cannot be."""
        try:
            return read_cell(text, column)
        except WrongCellError as wrong:
            self.problems.append(CellProblem(cell, *wrong.args))
            return None


def read_entry(entry: Entry, region: str) -> Reading:
    """Read an entry of a region's book.

    Parameters
    ----------
    entry
        As it was typed.
    region
        The region that its record belongs to.
    """
    found = _Found()
    _facts(entry, found)
    for sheet, columns in ROWS[entry.kind].items():
        rows = entry.rows.get(sheet, ())
        if len(rows) > MOST_ROWS:
            message = f"{len(rows)} rows"
            found.problems.append(
                CellProblem(Cell(sheet=sheet), message, f"at most {MOST_ROWS}", "remove what is too much")
            )
        elif rows:
            _SHEETS[sheet](rows, columns, found)
    if entry.kind != "regions":
        found.values["region"] = region
    record = None
    if not found.problems:
        try:
            record = OF_REGION[entry.kind].model_validate(found.values, strict=True)
        except ValidationError as error:
            found.problems += _invalid(error, entry, found)
    return Reading(record, tuple(found.problems))


def cell_at(entry: Entry, path: Path) -> Cell:
    """The cell that a path inside the record was typed into; the nearest part around it that has one."""
    found = _Found()
    _facts(entry, found)
    for sheet, columns in ROWS[entry.kind].items():
        if rows := entry.rows.get(sheet, ())[:MOST_ROWS]:
            _SHEETS[sheet](rows, columns, found)
    return _nearest(entry, path, found)


def _facts(entry: Entry, found: _Found) -> None:
    for column in FACTS[entry.kind]:
        cell = Cell(column.name)
        key, *rest = column.path
        found.cells[(key, *rest)] = cell
        found.cells.setdefault((key,), cell)
        if not (text := entry.facts.get(column.name, "")):
            continue
        value = found.read(text, column, cell)
        if rest:  # the two ends of a layer
            found.values.setdefault(str(key), {})[rest[0]] = value
        else:
            found.values[str(key)] = value
    for key, value in found.values.items():
        if isinstance(value, dict):
            if len(value) == 1:
                (end,) = {0, 1} - value.keys()
                found.problems.append(
                    CellProblem(
                        found.cells[key, end], "missing", "both ends of the layer", "fill in the cell"
                    )
                )
            found.values[key] = tuple(each for _, each in sorted(value.items()))


def _cells_of(row: Row, number: int, sheet: str, columns: Columns, found: _Found) -> dict[str, Any]:
    """Read the cells of one row; what is needed and not there is a problem."""
    read = {}
    for column in columns:
        cell = Cell(column.name, sheet, number)
        if text := row.get(column.name, ""):
            read[column.name] = found.read(text, column, cell)
        elif column.needed:
            found.problems.append(CellProblem(cell, "missing", "every row filled in", "fill in the cell"))
    return read


def _classes(rows: Rows, columns: Columns, found: _Found) -> None:
    made = []
    for number, row in enumerate(rows):
        found.cells["classes", number] = Cell("name", "classes", number)
        for column in columns:
            found.cells["classes", number, column.name] = Cell(column.name, "classes", number)
        made.append(_cells_of(row, number, "classes", columns, found))
    found.cells["classes",] = Cell("name", "classes", 0)
    found.values["classes"] = tuple(made)


def _amounts(rows: Rows, columns: Columns, found: _Found) -> None:
    """Amounts by class, or by value: the first row says which, and every other must do the same."""
    way = "class" if "class" in rows[0] else "from"
    other = "from" if way == "class" else "class"
    key = "by_class" if way == "class" else "by_value"
    found.cells[key,] = Cell(way, "amounts", 0)
    by_class: dict[str, Any] = {}
    by_value = []
    for number, row in enumerate(rows):
        read = _cells_of(row, number, "amounts", columns, found)
        place = Cell(way, "amounts", number)
        if way not in row:
            found.problems.append(
                CellProblem(place, "missing", f"{way} in every row", "fill in the cell, or remove the row")
            )
            continue
        if other in row:
            found.problems.append(
                CellProblem(Cell(other, "amounts", number), "a class and a value in one table",
                            "every row by class, or every row by value", "clear one of the two columns")
            )  # fmt: skip
            continue
        if way == "class":
            name = str(read.get("class"))
            found.cells[key, name] = Cell("rate", "amounts", number)
            if name in by_class:
                found.problems.append(_twice(place, name))
            by_class[name] = read.get("rate")
        else:
            found.cells[key, number] = found.cells[key, number, "from"] = place
            found.cells[key, number, "rate"] = Cell("rate", "amounts", number)
            by_value.append({"from": read.get("from"), "rate": read.get("rate")})
    found.values[key] = by_class if way == "class" else tuple(by_value)


def _constants(rows: Rows, columns: Columns, found: _Found) -> None:
    _by_name("values", "constants", ("name", "value"), rows, columns, found)


def _soil_groups(rows: Rows, columns: Columns, found: _Found) -> None:
    _by_name("soil_groups", "soil_groups", ("word", "meaning"), rows, columns, found)


def _by_name(
    key: str, sheet: str, names: tuple[str, str], rows: Rows, columns: Columns, found: _Found
) -> None:
    made: dict[str, Any] = {}
    for number, row in enumerate(rows):
        read = _cells_of(row, number, sheet, columns, found)
        name = str(read.get(names[0]))
        found.cells[key, name] = Cell(names[1], sheet, number)
        if name in made:
            found.problems.append(_twice(Cell(names[0], sheet, number), name))
        made[name] = read.get(names[1])
    found.cells.setdefault((key,), Cell(names[0], sheet, 0))
    found.values[key] = made


def _credits(rows: Rows, columns: Columns, found: _Found) -> None:
    """One credit a row; rows of one key that name a previous crop are one credit together."""
    made: list[dict[str, Any]] = []
    for number, row in enumerate(rows):
        read = _cells_of(row, number, "credits", columns, found)
        if not {"previous_crop", "amount"} & row.keys():
            made.append(read)
        elif "formula" in row or not {"previous_crop", "amount"} <= row.keys():
            found.problems.append(
                CellProblem(Cell("formula" if "formula" in row else "amount", "credits", number),
                            "a credit that is neither a formula nor an amount by previous crop",
                            "a formula; or a previous crop and its amount", "clear or fill in the cells")
            )  # fmt: skip
            continue
        else:
            if not (made and made[-1].get("key") == read.get("key") and "by_previous_crop" in made[-1]):
                made.append({"key": read.get("key"), "by_previous_crop": {}})
            crops, crop = made[-1]["by_previous_crop"], str(read.get("previous_crop"))
            place = Cell("previous_crop", "credits", number)
            if crop in crops:
                found.problems.append(_twice(place, crop))
            crops[crop] = read.get("amount")
            found.cells["credits", len(made) - 1, "by_previous_crop", crop] = place
        at = "credits", len(made) - 1
        found.cells.setdefault(at, Cell("key", "credits", number))
        found.cells.setdefault((*at, "key"), Cell("key", "credits", number))
        found.cells.setdefault((*at, "formula"), Cell("formula", "credits", number))
        found.cells.setdefault((*at, "by_previous_crop"), Cell("previous_crop", "credits", number))
    found.cells["credits",] = Cell("key", "credits", 0)
    found.values["credits"] = tuple(made)


def _twice(cell: Cell, name: str) -> CellProblem:
    return CellProblem(cell, f"{name!r} is here twice", "each name once", "remove one of the two rows")


_SHEETS = {
    "classes": _classes, "amounts": _amounts, "constants": _constants, "credits": _credits,
    "soil_groups": _soil_groups,
}  # fmt: skip


def _invalid(error: ValidationError, entry: Entry, found: _Found) -> Iterator[CellProblem]:
    """One problem for each cell; several complaints about one cell are told once."""
    told: set[Cell] = set()
    model = OF_REGION[entry.kind]
    for detail in error.errors(include_url=False):
        cell = _nearest(entry, detail["loc"], found)
        if cell in told:
            continue
        told.add(cell)
        message, expected, fix = explain(detail, keys_at(model, detail["loc"]))
        if detail["type"] == "missing":
            expected, fix = "a value: nothing stands in for it", "fill in the cell"
        yield CellProblem(cell, message, expected, fix)


def _nearest(entry: Entry, path: Path, found: _Found) -> Cell:
    while path:
        if path in found.cells:
            return found.cells[path]
        if path == ("classes",):
            return Cell("name", "classes", 0)
        path = path[:-1]
    return Cell("id" if "id" in entry.facts else "")
