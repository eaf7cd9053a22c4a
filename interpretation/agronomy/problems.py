"""One thing that is wrong, or odd, in the tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Problem:
    """A broken rule of one record.

    Attributes
    ----------
    kind, table
        Which record: a name of a field of ``TableSet`` (``scales``) and its id.
    path
        Where inside the record, e.g. ``("classes", 2, "from")``.
    message, expected, fix
        What is wrong, what would be right and what to do.
    severity
        An ``error`` keeps the tables from being used; a ``warning`` is to be looked at.
    file, line
        Filled in by whoever read the files.
    """

    kind: str
    table: str
    path: Path
    message: str
    expected: str
    fix: str
    severity: Literal["error", "warning"] = "error"
    file: str = ""
    line: int = 0

    @property
    def where(self) -> str:
        """File and line once they are known, the record until then."""
        if self.line:
            return f"{self.file}:{self.line}"
        return self.file or f"{self.kind} {self.table}"

    def __str__(self) -> str:
        return (
            f"{self.where}: {self.severity}: {self.message}\nExpected: {self.expected}\nTo fix it: {self.fix}"
        )
