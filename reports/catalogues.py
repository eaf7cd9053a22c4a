"""Words of one language, read from gettext catalogues.

A folder of words holds a template ``NAME.pot`` for each domain, with the text in English, and for every other
language a folder of its own with ``NAME.po``. The context of an entry is the key that the program asks for.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources.abc import Traversable

from babel.messages.pofile import read_po

SOURCE = "en"  # the language of the templates


def domains(folder: Traversable) -> Iterator[str]:
    """Names of the catalogues that a folder of words holds, in order."""
    names = sorted(each.name for each in folder.iterdir())
    return (name.removesuffix(".pot") for name in names if name.endswith(".pot"))


def texts(folder: Traversable, domain: str, language: str) -> dict[str, str]:
    """Read one catalogue: key -> text. What a language has not translated is in English."""
    template = language == SOURCE
    file = folder / f"{domain}.pot" if template else folder / language / f"{domain}.po"
    with file.open("rb") as read:
        entries = [entry for entry in read_po(read, ignore_obsolete=True, abort_invalid=True) if entry.id]
    return {str(entry.context): str(entry.id if template else entry.string or entry.id) for entry in entries}
