"""What pages and files call the columns in which tables are typed."""

from __future__ import annotations

from service.web.templates import Words


def column_name(w: Words, sheet: str, column: str) -> str:
    """Label of a column.

    Parameters
    ----------
    w
        Words of the reader's language.
    sheet
        Kind of the record for what is said once (``scales``), or the sheet of rows (``classes``).
    column
        Name of the column in files.

    Examples
    --------
    >>> from service.web.templates import words
    >>> column_name(words("en"), "scales", "round_to"), column_name(words("en"), "classes", "from")
    ('Rounded to steps of', 'From')
    """
    return _of(w, "column", sheet, column) or column


def column_help(w: Words, sheet: str, column: str) -> str:
    """One line on what a column is for; nothing where its label says it all."""
    return _of(w, "help", sheet, column)


def sheet_name(w: Words, sheet: str) -> str:
    """Label of a kind of record or of a sheet of rows, in the plural: ``scales``, ``classes``."""
    return w(f"cells.sheet-{_dashed(sheet)}")


def one_name(w: Words, kind: str) -> str:
    """What one record of a kind is called: ``scales`` is a scale of classes."""
    return w(f"cells.one-{_dashed(kind)}")


def choice_name(w: Words, column: str, value: str) -> str:
    """What a choice of a column is called; the text itself where it is no choice, or needs no other word."""
    if column == "basis":
        return w.wording.name("bases", value)
    if column == "nutrient":
        return w.wording.name("nutrients", value)
    key = f"tables.standing-{value}" if column == "standing" else f"cells.choice-{_dashed(column)}-{value}"
    return w(key) if w.has(key) else value


def _of(w: Words, what: str, sheet: str, column: str) -> str:
    for key in (f"cells.{what}-{_dashed(sheet)}-{_dashed(column)}", f"cells.{what}-{_dashed(column)}"):
        if w.has(key):
            return w(key)
    return ""


def _dashed(name: str) -> str:
    return name.replace("_", "-")
