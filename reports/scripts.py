"""How words stand in a line: which way they run, as names and notes may be in a script that runs to the left,
and where no line may end.
"""

from __future__ import annotations

import re
from unicodedata import bidirectional

from markupsafe import Markup, escape

# By the direction of the first letter that has one; the script is said, as the language is not known.
_LEFTWARD = {"R": Markup(' dir="rtl" lang="und-Hebr"'), "AL": Markup(' dir="rtl" lang="und-Arab"')}
_ONWARD = Markup("")
# 429 kg/ha, (0.13 lb/1000 ft²): with what stands close by, and nothing as long as a name.
_RATE = re.compile(r"(?:\(?\d[\d.,]* )?\b[A-Za-z]{1,5}/(?:1000? )?[a-z]{1,3}[²³]?(?!\w)[;:.,)]*")


def way(text: str) -> Markup:
    """Attributes of an element that holds a text: none, unless the text runs to the left."""
    if text.isascii():  # nearly every number and name of many thousands
        return _ONWARD
    directions = (bidirectional(letter) for letter in text)
    first = next((each for each in directions if each in ("L", "R", "AL")), "L")
    return _LEFTWARD.get(first, _ONWARD)


def whole(text: str) -> Markup:
    """Keep a number and its unit on one line: a line would end behind the stroke of kg/ha."""
    return Markup(_RATE.sub(r'<span class="whole">\g<0></span>', str(escape(text))))  # noqa: S704 - escaped before
