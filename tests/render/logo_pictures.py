"""Pictures for logos, made of arithmetic: a drawing, a photograph's likeness, and files of any kind."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

from PIL import Image, ImageDraw

PNG = b"\x89PNG\r\n\x1a\n"


def drawing(width: int = 600, height: int = 150, mode: str = "RGBA") -> Image.Image:
    """A disc, a bar and some furrows on nothing."""
    made = Image.new("RGBA", (width, height), (0, 0, 0, 0))
    pen = ImageDraw.Draw(made)
    pen.ellipse((0, 0, height - 1, height - 1), fill=(60, 110, 40, 255))
    for number in range(5):
        pen.line((number * height // 5, height, height // 2, 0), fill=(240, 230, 200, 255), width=3)
    begin = min(height + 10, width - 30)
    pen.rectangle((begin, height // 3, width - 10, height // 2), fill=(90, 60, 30, 255))
    return made.convert(mode)


def photograph(width: int = 600, height: int = 150) -> Image.Image:
    """Soft colours with a grain, as no drawing has."""
    points = bytes(
        value
        for y in range(height)
        for x in range(width)
        for value in (
            (x * 255 // width + (x * 7919 + y * 104729) % 41) % 256,
            (y * 255 // height + (x * 31 + y * 17) % 29) % 256,
            ((x + y) * 255 // (width + height) + (x * x + y) % 23) % 256,
        )
    )
    return Image.frombytes("RGB", (width, height), points)


def file(picture: Image.Image, kind: str = "PNG", **how: Any) -> bytes:
    """A picture as a file."""
    written = io.BytesIO()
    picture.save(written, kind, **how)
    return written.getvalue()


def chunk(name: bytes, content: bytes) -> bytes:
    """A part of a PNG."""
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def bare_png(width: int, height: int, packed: bytes, depth: int = 1, colour: int = 0) -> bytes:
    """A PNG made by hand, whatever its points say."""
    head = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    return PNG + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
