"""Where the data that ships with the program lies, in a clone and in an installed wheel."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

_PACKAGE = Path(str(files("service")))


def tables_directory() -> Path:
    """Folder of the tables an agronomist edits.

    The wheel carries a copy beside this package; in a clone the tables are the top-level folder.
    """
    installed = _PACKAGE / "_tables"
    return installed if installed.is_dir() else _PACKAGE.parent / "tables"


def layouts_directory() -> Path:
    """Folder of the run-file layouts that ship with the program."""
    return _PACKAGE / "layouts"


def demo_directory() -> Path:
    """Folder of the demo scenario."""
    return _PACKAGE / "demo"
