"""Sentences for what was found in a report that was checked; pages, API and command line say the same."""

from __future__ import annotations

from service.actions.datachecking import Finding
from service.web.templates import Words


def sentence(w: Words, found: Finding) -> str:
    """Say one thing that was found; what comes from the file is printed without unseen characters."""
    told = {name: shown(value) if isinstance(value, str) else value for name, value in found.told.items()}
    said = w(f"verify.says-{found.key}", **told)
    return said if found.page is None else w("verify.on-page", page=found.page, sentence=said)


def shown(text: str) -> str:
    """A text of somebody else's on one line, with a sign in the place of what cannot be seen.

    Examples
    --------
    >>> shown("45\\u202e kg\\x1b[2J")
    '45? kg?[2J'
    """
    return "".join(each if each.isprintable() else " " if each.isspace() else "?" for each in text)
