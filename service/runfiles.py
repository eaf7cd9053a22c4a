"""A run file, its layout and its header into a :class:`Run`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from interpretation.errors import RunFileError
from interpretation.laboratory.parse import parse_run
from interpretation.laboratory.run import CurveChoice, Run, RunHeader
from service import cells
from service.grids import Column, Grid, Table, fold, table_at
from service.layout import FACTS, Dialect, Layout, default_layout, read_words
from service.reading import read_grid

_YES_OR_NO = frozenset(
    name
    for model in (RunHeader, CurveChoice)
    for name, field in model.model_fields.items()
    if field.annotation is bool
)
# Side files and constants are our own format, whatever the cells look like.
_OWN = Dialect(yes=("yes", "true"), no=("no", "false"))


@dataclass(frozen=True)
class Fact:
    """One fact about a run as text, where it was read, and how days and yes/no are written there."""

    text: str
    where: str
    dialect: Dialect = _OWN


def read_run(
    path: Path, layout: Layout | None = None, header: Path | None = None, *, calibration_only: bool = False
) -> Run:
    r"""Read a run file (delimited text or .xlsx).

    Parameters
    ----------
    path
        The file with one row a cup.
    layout
        How it is written; our own default layout when not given. It is never guessed from the content.
    header
        Side file with facts about the run. Without it a layout that wants one looks for
        ``NAME.header.yaml`` beside the run file.
    calibration_only
        Accept a run without samples.

    Returns
    -------
    Run
        Header and cups, checked.

    Raises
    ------
    RunFileError
        When the file is not what the layout declares: file, row, column, what was seen, what to do.
    RunError
        When the file was read and is no run.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "run.csv"
    >>> facts = {"Run": "R1", "Laboratory": "A laboratory", "Analyte": "P", "Form": "P", "Method": "m",
    ...     "Reading": "absorbance", "Standards made in": "extractant", "Date": "2026-03-04",
    ...     "Operator": "E. Rowe", "Blank subtracted": "no", "Dilution applied": "no"}
    >>> cups = ["Position,Kind,Id,Nominal mg/L,Signal", "1,standard,S1,1.0,0.100", "2,sample,0012,,0.063"]
    >>> _ = path.write_text("\n".join([*map(",".join, facts.items()), "", *cups]))
    >>> read_run(path).readings[["position", "cup_id", "signal", "dilution"]].values.tolist()
    [[1, 'S1', 0.1, 1.0], [2, '0012', 0.063, 1.0]]
    """
    layout = layout or default_layout()
    grid = read_grid(path, layout)
    facts, title_row = _facts(grid, layout, path, header)
    run_header = _header(facts, path.name)
    readings = _readings(table_at(grid, title_row), layout)
    return parse_run(run_header, readings, source=path.name, calibration_only=calibration_only)


# ---------------------------------------------------------------------------------------------- header


def _facts(grid: Grid, layout: Layout, path: Path, header: Path | None) -> tuple[dict[str, Fact], int]:
    """Every fact about the run, from all places declared, and the index of the title row."""
    place = layout.header
    facts = {n: Fact(text, f"layout {layout.id}, {n}") for n, text in place.constants.items()}
    title_row = 0
    if place.place == "top":
        found, title_row = _top_facts(grid, layout)
        _merge(facts, found)
    else:
        title_row = _next_filled(grid, 0)
    if header is None and place.place == "beside":
        header = path.with_name(f"{path.stem}.header.yaml")
    if header is not None:
        _merge(facts, _side_facts(header))
    return facts, title_row


def _merge(facts: dict[str, Fact], more: Mapping[str, Fact]) -> None:
    for name, fact in more.items():
        if name in facts and facts[name].text != fact.text:
            raise RunFileError(
                f"{name} is {facts[name].text!r} in one place and {fact.text!r} in the other",
                where=f"{facts[name].where}; {fact.where}",
                expected="one value for every fact about a run", fix="correct or remove one of the two",
            )  # fmt: skip
        facts[name] = fact


def _top_facts(grid: Grid, layout: Layout) -> tuple[dict[str, Fact], int]:
    """Facts from the lines above the first empty line; the titles follow it."""
    names = {fold(word): name for name, word in layout.header.names.items()}
    facts: dict[str, Fact] = {}
    for index, row in enumerate(grid.rows):
        filled = [cell.strip() for cell in row]
        if not any(filled):
            missing = [
                layout.header.names[n] for n in layout.header.names
                if n not in facts and n not in layout.header.optional
            ]  # fmt: skip
            if missing:
                raise grid.refuse(
                    f"the header lines lack {missing[0]!r}", index,
                    expected=f"the lines {', '.join(layout.header.names.values())}",
                    fix="add the line above the empty line, or declare it optional in the layout",
                )  # fmt: skip
            return facts, _next_filled(grid, index)
        name = names.get(fold(filled[0]))
        if name is None:
            if layout.header.ignore_others:
                continue
            raise grid.refuse(
                f"the header line {filled[0][:60]!r} is not known", index, 0,
                expected=f"a name, {'the next cell' if grid.sheet else 'a ' + layout.delimiter}, its value, "
                f"for {', '.join(layout.header.names.values())}; then one empty line",
                fix="correct the line, put an empty line before the column titles, or change the layout",
            )  # fmt: skip
        if name in facts or any(filled[2:]):
            raise grid.refuse(
                f"the header line {filled[0]!r} is there twice, or has more than one value", index, 0,
                expected="a name and one value",
                fix="put a value that holds the delimiter in quotation marks",
            )  # fmt: skip
        value = filled[1] if len(filled) > 1 else ""
        if value:
            facts[name] = Fact(" ".join(value.split()), grid.where(index, 1, filled[0]), layout)
        elif name not in layout.header.optional:
            raise grid.refuse(
                f"the header line {filled[0]!r} has no value", index, 1, expected="a value",
                fix="fill it in, or declare it optional in the layout",
            )  # fmt: skip
    raise grid.refuse_with(
        "there is no empty line between the header lines and the column titles", where=grid.source,
        expected="header lines, one empty line, column titles, one row a cup",
        fix="add the empty line, or choose the layout this file was written for",
    )  # fmt: skip


def _next_filled(grid: Grid, start: int) -> int:
    return next((i for i in range(start, len(grid.rows)) if not grid.is_empty(i)), len(grid.rows))


def _side_facts(path: Path) -> dict[str, Fact]:
    content: dict[str, Any] = read_words(path)
    curve = content.pop("curve", "") or {}
    if not isinstance(curve, dict) or content.keys() & curve.keys():
        raise RunFileError(
            "'curve' holds no choices, or one that is also outside it", where=path.name,
            expected=f"under 'curve', one value each of {', '.join(CurveChoice.model_fields)}",
            fix="write 'curve: {model: linear, weighting: 1/x}', and each choice once",
        )  # fmt: skip
    facts = {}
    for name, text in (content | curve).items():
        if name not in FACTS or not isinstance(text, str):
            raise RunFileError(
                f"{name!r} is no fact about a run" if name not in FACTS else f"{name!r} has several values",
                where=path.name, expected=f"one value each of {', '.join(FACTS)}", fix="correct the line",
            )  # fmt: skip
        if text:
            facts[name] = Fact(text, f"{path.name}, {name}")
    return facts


def _header(facts: Mapping[str, Fact], source: str) -> RunHeader:
    values: dict[str, object] = {name: _value(name, fact) for name, fact in facts.items()}
    curve = {name: values.pop(name) for name in CurveChoice.model_fields if name in values}
    try:
        return RunHeader.model_validate(values | {"curve": curve})
    except ValidationError as error:
        missing = [str(e["loc"][-1]) for e in error.errors() if e["type"] == "missing"]
        if missing:
            raise RunFileError(
                f"the run's header lacks {', '.join(missing)}", where=source,
                expected="every fact that the values depend on; none is guessed",
                fix="add the facts to the file, its side file, or the layout's constants",
            ) from None  # fmt: skip
        first = error.errors()[0]
        name = str(first["loc"][-1])
        raise RunFileError(
            f"{name} is {facts[name].text[:60]!r}", where=facts[name].where,
            expected=first["msg"].removeprefix("Input should be ").removeprefix("Value error, "),
            fix="correct the value",
        ) from None  # fmt: skip


def _value(name: str, fact: Fact) -> object:
    """Days and yes/no as their place writes them; pydantic sees to the rest."""
    if name == "run_on":
        day = cells.parse_day(fact.text, fact.dialect)
        if day is None:
            raise RunFileError(
                f"run_on is {fact.text[:60]!r}", where=fact.where,
                expected=f"a day written {fact.dialect.dates}", fix="correct the day",
            )  # fmt: skip
        return day
    if name not in _YES_OR_NO:
        return fact.text
    yes, no = ({fold(word) for word in words} for words in (fact.dialect.yes, fact.dialect.no))
    if fold(fact.text) not in yes | no:
        raise RunFileError(
            f"{name} is {fact.text[:60]!r}", where=fact.where,
            expected=f"{' or '.join(sorted(yes))}, {' or '.join(sorted(no))}", fix="correct the value",
        )  # fmt: skip
    return fold(fact.text) in yes


# ---------------------------------------------------------------------------------------------- cups


def _readings(table: Table, layout: Layout) -> dict[str, Any]:
    """The cups as typed columns: what the file has of READINGS."""
    table.check_columns(
        list(layout.columns.values()),
        optional=[layout.columns[name] for name in layout.optional if name in layout.columns],
        ignore=None if layout.ignore_others else layout.ignore,
    )
    kinds = {fold(word): kind for kind, words in layout.kinds.items() for word in words}
    parsers: dict[str, Callable[[Column], Any]] = {
        "position": cells.whole_numbers,
        "kind": lambda column: cells.words(
            column, kinds, "kind", fix="correct the cell, or list the word under kinds in the layout"
        ),
        "cup_id": cells.ids,
        "of": cells.ids,
        "excluded": lambda column: cells.yes_no(column, layout),
        "reason": cells.names,
    }
    readings: dict[str, Any] = {"row": table.rows}
    if layout.position_from_order:
        readings["position"] = np.arange(1, len(table.rows) + 1)
    for name, title in layout.columns.items():
        if not table.has(title):
            continue
        column = table.column(title)
        if name == "solution_mg_per_l":
            readings[name], readings["below_mg_per_l"] = cells.limits(column, layout)
        else:
            readings[name] = parsers.get(name, partial(cells.numbers, dialect=layout))(column)
    return readings
