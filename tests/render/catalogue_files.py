"""What a gettext catalogue of ours must be, as translators' tools see it."""

from __future__ import annotations

import re
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po


def placeholders(text: str) -> set[str]:
    """Names in braces that a text leaves open."""
    return set(re.findall(r"{(\w+)}", text))


def entries(path: Path) -> Catalog:
    """A catalogue with its flags, and with what was struck out."""
    with path.open("rb") as file:
        return read_po(file, abort_invalid=True)


def check_catalogue(path: Path, template: Path) -> None:
    """Hold a catalogue to its template: each key once, whole, nothing out of date, nothing struck out.

    Placeholders are flagged for a translator's tool to compare; texts have no loose ends.
    """
    catalogue = entries(path)
    found = [entry for entry in catalogue if entry.id]
    written = path.read_text("utf-8")
    keys = re.findall(r'^msgctxt "(.*)"$', written, re.MULTILINE)
    assert len(set(keys)) == len(keys) == len(found), "a key is given twice"
    assert len(re.findall(r"^msgid ", written, re.MULTILINE)) == len(found) + 1  # the head has no context
    flagged = re.findall(r'^#, python-brace-format\nmsgctxt "(.*)"$', written, re.MULTILINE)
    assert flagged == [entry.context for entry in found if placeholders(str(entry.id))]
    assert [entry.context for entry in found if entry.id != str(entry.id).strip()] == []
    assert catalogue.obsolete == {}
    assert [entry.context for entry in found if entry.fuzzy] == []
    if path == template:
        assert [entry.context for entry in found if entry.string] == []
        return
    assert str(catalogue.locale) == path.parent.name
    english = {entry.context: entry.id for entry in entries(template) if entry.id}
    assert {entry.context: entry.id for entry in found} == english, "the English has moved on"
    unlike = [e.context for e in found if placeholders(str(e.id)) != placeholders(str(e.string))]
    assert unlike == []
    texts = {entry.context: str(entry.string) for entry in found}
    assert [key for key, text in texts.items() if not text or text != text.strip()] == []
