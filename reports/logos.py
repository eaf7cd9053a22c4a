"""A laboratory's logo as it stands on its card: a small PNG or JPEG as base64 text, nothing else.

The card travels far: into every report, its data and its identity. So what a logo may be is checked with
the card, wherever the card comes from; making one of a file that somebody sends is ``service.logos``.
"""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Literal

from pydantic import AfterValidator

WIDEST, HIGHEST = 320, 80  # px; at the size of the page's head 226 of them go into an inch
MOST_BYTES = 6_000
PNG, JPEG = b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff"
# Start of frame: where a JPEG says its size. The other three of the range are tables and such.
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_START_OF_SCAN, _LONELY = 0xDA, frozenset({0x01, *range(0xD0, 0xD9)})


@dataclass(frozen=True, slots=True)
class Picture:
    """What the first bytes of a picture say."""

    kind: Literal["png", "jpeg"]
    width: int
    height: int


def looked_at(content: bytes) -> Picture | None:
    """Kind and size of a PNG or JPEG, from its head; nothing is unpacked. None if it is neither."""
    if content.startswith(PNG) and content[12:16] == b"IHDR" and len(content) >= 33:
        sides = (int.from_bytes(content[start : start + 4], "big") for start in (16, 20))
        return Picture("png", *sides)
    if content.startswith(JPEG):
        for marker, start, end in segments(content):
            if marker in _FRAMES and end - start >= 6:
                height, width = (int.from_bytes(content[at : at + 2], "big") for at in (start + 1, start + 3))
                return Picture("jpeg", width, height)
    return None


def segments(content: bytes) -> list[tuple[int, int, int]]:
    """A JPEG's segments up to the one that begins the picture: marker, start and end of what it holds."""
    found, at = [], 2
    while at + 4 <= len(content) and content[at] == 0xFF:
        marker = content[at + 1]
        if marker == 0xFF or marker in _LONELY:
            at += 1 if marker == 0xFF else 2
            continue
        end = at + 2 + int.from_bytes(content[at + 2 : at + 4], "big")
        if end > len(content) or end < at + 4:
            break
        found.append((marker, at + 4, end))
        if marker == _START_OF_SCAN:
            break
        at = end
    return found


def content_of(logo: str) -> bytes:
    """The picture itself."""
    return base64.b64decode(logo, validate=True)


def text_of(content: bytes) -> str:
    """A picture as a card keeps it."""
    return base64.b64encode(content).decode("ascii")


def address_of(logo: str) -> str:
    """A logo as the source of an image on a page; nothing without a logo."""
    return f"data:{media_type(logo)};base64,{logo}" if logo else ""


def media_type(logo: str) -> str:
    """What kind of picture a logo is."""
    return "image/png" if logo.startswith("iVBOR") else "image/jpeg"


@lru_cache(maxsize=64)
def _checked(logo: str) -> str:
    if not logo:
        return logo
    if len(logo) > (MOST_BYTES + 2) // 3 * 4:
        raise ValueError(f"a logo on a card has at most {MOST_BYTES} bytes")
    try:
        seen = looked_at(content_of(logo))
    except binascii.Error:
        seen = None
    if seen is None:
        raise ValueError("a logo on a card is a PNG or JPEG as base64 text")
    if not (1 <= seen.width <= WIDEST and 1 <= seen.height <= HIGHEST):
        raise ValueError(f"a logo on a card has at most {WIDEST} x {HIGHEST} px")
    return logo


Logo = Annotated[str, AfterValidator(_checked)]
