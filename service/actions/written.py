"""What people write beside tables (reasons, comments, names): kept for good, and only what can be seen."""

from __future__ import annotations

from service.characters import UNSEEN
from service.refusals import Invalid


def refuse_unseen(**texts: str) -> None:
    """Refuse texts with characters that hide or reorder what stands beside them, or that a terminal obeys.

    Parameters
    ----------
    texts
        By the name of the field that each was typed in.

    Raises
    ------
    Invalid
        With every field that holds one.
    """
    found = {name: match for name, text in texts.items() if (match := UNSEEN.search(text))}
    if found:
        first = next(iter(found.values()))
        wanted = "letters, digits, signs and spaces that can be seen"
        raise Invalid(
            f"the text holds the invisible character U+{ord(first[0]):04X}", where=", ".join(found),
            expected=wanted, fix="delete the text and type it again", fields=dict.fromkeys(found, wanted),
        )  # fmt: skip
