"""Characters that no name, number or remark needs, and that make a text look like another one."""

from __future__ import annotations

import re

# Control characters, and the marks that hide or reorder text: U+200B, U+200E-F, U+202A-E, U+2060-9, U+FEFF.
UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff]"
)
