"""Which texts are taken from outside: of a length a page has room for, and of characters that can be seen."""

from __future__ import annotations

import re
import unicodedata

from interpretation.errors import FurrowsliceError

# Control characters, the marks that hide or reorder text (U+200B, U+200E-F, U+202A-E, U+2060-9, U+FEFF), and
# halves of a character, which stand for bytes that are no text.
UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff]"
)


def check_text(text: str, where: str, longest: int) -> str:
    """Take a text that was typed as an option, or refuse it.

    Parameters
    ----------
    text
        The text.
    where
        The option, for the message.
    longest
        How many characters it may have.

    Returns
    -------
    str
        ``text``.

    Raises
    ------
    FurrowsliceError
        If it is longer, or holds a character that cannot be seen.

    Examples
    --------
    >>> check_text("bubble in the flow cell", "--exclude", 200)
    'bubble in the flow cell'
    """
    if len(text) > longest:
        raise FurrowsliceError(
            f"a text of {len(text)} characters",
            where=where,
            expected=f"at most {longest} characters",
            fix="shorten the text",
        )
    if found := UNSEEN.search(text):
        raise FurrowsliceError(
            f"the text holds the invisible character U+{ord(found[0]):04X}",
            where=where,
            expected="letters, digits, signs and spaces that can be seen",
            fix="type the text again",
        )
    return text


def search_words(*texts: str) -> str:
    """The words of some texts as they are searched: without capitals, accents and signs.

    Every word has a space before it, so that `` mar`` finds all words that begin so.

    Examples
    --------
    >>> search_words("E. Marlowe-Quint", "Ñuño 07")
    ' e marlowe quint nuno 07'
    """
    plain = unicodedata.normalize("NFKD", " ".join(texts).casefold())
    kept = "".join(c if c.isalnum() else " " for c in plain if not unicodedata.combining(c))
    return "".join(f" {word}" for word in kept.split())
