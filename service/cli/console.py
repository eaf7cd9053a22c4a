"""What the command line prints: tables and progress on a terminal, plain text otherwise, JSON on request."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from typing import TextIO, TypeVar

from pydantic import BaseModel
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from interpretation.errors import FurrowsliceError
from reports.format import Format
from reports.wording import Wording

T = TypeVar("T")

WIDTH_OF_A_FILE = 200  # columns when nobody watches: wide enough that a table keeps one row a line


def _console(stream: TextIO, *, stderr: bool = False) -> Console:
    width = None if stream.isatty() else WIDTH_OF_A_FILE
    return Console(highlight=False, soft_wrap=True, stderr=stderr, width=width)


out = _console(sys.stdout)
WORDING = Wording(Format("en", "metric"))  # the command line speaks English

err = _console(sys.stderr, stderr=True)


def print_json(answer: BaseModel) -> None:
    """Print one document, and nothing else, on standard output."""
    out.print(answer.model_dump_json(indent=2), markup=False)


def print_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print rows under a title; numbers are formatted by the caller."""
    table = Table(
        title=title, title_justify="left", box=None, pad_edge=False, header_style="bold", title_style="bold"
    )
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*row)
    out.print(table)
    out.print()


def print_line(text: str = "") -> None:
    """Print one line as it is, with no markup read into it."""
    out.print(text, markup=False)


def print_error(error: FurrowsliceError) -> None:
    """Print a deliberate error on standard error, its four parts on lines of their own."""
    err.print(str(error), markup=False)


def tracked(items: Sequence[T], doing: str) -> Iterator[T]:
    """Iterate with a progress bar when a person watches, silently otherwise."""
    with Progress(console=err, disable=not err.is_terminal, transient=True) as progress:
        yield from progress.track(items, description=doing)


def number(value: float | None, digits: int = 4) -> str:
    """Format a number to significant digits for a table; an empty cell for none."""
    return "" if value is None else f"{value:.{digits}g}"
