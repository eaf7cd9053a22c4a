"""What is wrong with the fields of a form, in the visitor's language."""

from __future__ import annotations

from service.actions.wrongfields import WrongFields
from service.web.visit import Visit


def worded(visit: Visit, error: WrongFields) -> dict[str, str]:
    """Each field that cannot be taken, with words for the page to show beside it."""
    return {name: visit.words(f"people.wrong-{key}") for name, key in error.keys.items()}
