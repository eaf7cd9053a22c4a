"""Reads a laboratory's acceptance limits."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from interpretation.errors import TableError
from interpretation.laboratory.limits import Limits
from service.paths import tables_directory
from service.yamlfiles import Document, read


def read_limits(path: Path | None = None) -> Limits:
    """Read a file of limits.

    Parameters
    ----------
    path
        A laboratory's own copy; None takes the defaults that ship with the tables.

    Returns
    -------
    Limits

    Raises
    ------
    TableError
        With file and line, if the file is not plain YAML, or a limit is missing, misspelt, impossible or
        without its source.

    Examples
    --------
    >>> read_limits().continuing_check.high
    110.0
    """
    path = path or tables_directory() / "limits" / "default.yaml"
    document = read(path)
    try:
        return Limits.model_validate(document.value)
    except ValidationError as error:
        raise _first_problem(error, document) from None


def _first_problem(error: ValidationError, document: Document) -> TableError:
    # A misspelt key is also a missing one; the misspelling is what the reader can see.
    problems = sorted(error.errors(include_url=False), key=lambda one: one["type"] != "extra_forbidden")
    place, what = problems[0]["loc"], problems[0]["msg"].removeprefix("Value error, ")
    name = ".".join(str(part) for part in place)
    place = place or tuple(what.split(":")[0].split(" ")[0].split("."))  # a rule over the whole names its key
    return TableError(
        f"{name}: {what}" if name else what,
        where=f"{document.file}:{document.line(place)}",
        expected="the keys and kinds of values of tables/limits/default.yaml",
        fix="compare this line with the same one there",
    )
