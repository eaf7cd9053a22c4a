"""Which way the words that people write run: names and notes may be in a script that runs to the left."""

from __future__ import annotations

from unicodedata import bidirectional

from markupsafe import Markup

# By the direction of the first letter that has one; the script is said, as the language is not known.
_LEFTWARD = {"R": Markup(' dir="rtl" lang="und-Hebr"'), "AL": Markup(' dir="rtl" lang="und-Arab"')}
_ONWARD = Markup("")


def way(text: str) -> Markup:
    """Attributes of an element that holds a text: none, unless the text runs to the left."""
    if text.isascii():  # nearly every number and name of many thousands
        return _ONWARD
    directions = (bidirectional(letter) for letter in text)
    first = next((each for each in directions if each in ("L", "R", "AL")), "L")
    return _LEFTWARD.get(first, _ONWARD)
