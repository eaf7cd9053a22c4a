"""What the command line prints: tables and progress on a terminal, plain text otherwise, JSON on request."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from io import TextIOWrapper
from pathlib import Path
from typing import IO, TextIO, TypeVar

from pydantic import BaseModel
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from interpretation.errors import FurrowsliceError
from reports.format import Format
from reports.wording import Wording

T = TypeVar("T")

WIDTH_OF_A_FILE = 200  # columns when nobody watches: wide enough that a table keeps one row a line


# How a character is written where the output cannot write it: numbers and units must stay readable.
PLAIN = {
    "×": "x", "−": "-", "–": "-", "—": "-", "·": "*", "±": "+/-", "≤": "<=", "≥": ">=", "µ": "u", "…": "...",
    "²": "2", "³": "3", "₂": "2", "₃": "3", "₄": "4", "₅": "5", "“": '"', "”": '"', "‘": "'", "’": "'",
    "°": " deg ",
}  # fmt: skip


class _Console(Console):
    """A console whose reader may leave early, as ``head`` does: the command ends as it would have."""

    def on_broken_pipe(self) -> None:
        self.quiet = True
        give_up(self.file)


def _console(stream: TextIO | None, *, stderr: bool = False) -> Console:
    width = None if stream is not None and stream.isatty() else WIDTH_OF_A_FILE
    # No markup and no emoji codes: a name such as "[/x] :cow:" prints as it is written.
    return _Console(highlight=False, markup=False, emoji=False, soft_wrap=True, stderr=stderr, width=width)


out = _console(sys.stdout)
err = _console(sys.stderr, stderr=True)
WORDING = Wording(Format("en", "metric"))  # the command line speaks English


def survive_any_encoding() -> None:
    r"""Let a character that standard output cannot write print as its code, such as ``\xb1``."""
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def give_up_output() -> None:
    """Send what is left in the buffer nowhere: the interpreter would try to print it again as it ends."""
    if sys.stdout is not None:
        give_up(sys.stdout)


def give_up(stream: IO[str]) -> None:
    """Send everything that a stream still gets nowhere."""
    with suppress(OSError), Path(os.devnull).open("wb") as nowhere:
        os.dup2(nowhere.fileno(), stream.fileno())


def can_write(text: str) -> bool:
    """Whether standard output has these characters."""
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def spelled(text: str) -> str:
    """Write a text with what the output has: ``10 x 2`` for ``10 × 2``, ``P2O5`` for its subscripts."""
    if can_write(text):
        return text
    return "".join(each if can_write(each) else PLAIN.get(each, each) for each in text)


def print_json(answer: BaseModel) -> None:
    """Print one document, and nothing else, on standard output: ASCII, whatever the output's encoding.

    Keys are those of the files and of the schema: ``from``, and not the field's name in the code.
    """
    out.print(answer.model_dump_json(indent=2, ensure_ascii=True, by_alias=True))


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
    """Print one line as it is."""
    out.print(text)


def print_lines(lines: Iterable[str]) -> None:
    """Print lines that are laid out already, in characters that the output has."""
    for line in lines:
        out.print(spelled(line))


def print_error(error: FurrowsliceError) -> None:
    """Print a deliberate error on standard error, its four parts on lines of their own."""
    err.print(str(error))


def tracked(items: Sequence[T], doing: str) -> Iterator[T]:
    """Iterate with a progress bar when a person watches, silently otherwise."""
    with Progress(console=err, disable=not err.is_terminal, transient=True) as progress:
        yield from progress.track(items, description=doing)


def number(value: float | None, digits: int = 4) -> str:
    """Format a number to significant digits for a table; an empty cell for none."""
    return "" if value is None else f"{value:.{digits}g}"
