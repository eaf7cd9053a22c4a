"""A logo from a file that somebody sends: looked at before it is unpacked, and written anew, small and plain.

Only PNG and JPEG are taken. Nothing but what is needed to see the picture reaches the library that unpacks
it: no texts, profiles, thumbnails or further frames. What is kept is a new file made of the points alone.
"""

from __future__ import annotations

import hashlib
import io
import zlib
from collections.abc import Iterator
from pathlib import Path

from PIL import Image, ImageChops, ImageStat

from interpretation.errors import FurrowsliceError
from reports.logos import HIGHEST, MOST_BYTES, PNG, WIDEST, Picture, content_of, looked_at, segments, text_of

LARGEST = 500_000  # bytes of a file
LONGEST_SIDE, SHORTEST_SIDE = 1_000, 8  # px
_UNPACKED = LONGEST_SIDE * (8 * LONGEST_SIDE + 1) + 16 * LONGEST_SIDE  # bytes of the largest PNG taken
_NEEDED = frozenset({b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"})
_APPLICATION, _ADOBE, _EXIF, _COMMENT = range(0xE0, 0xF0), 0xEE, 0xE1, 0xFE
_END_OF_JPEG = b"\xff\xd9"
_ORIENTATION = 0x0112
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_270, 7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}  # fmt: skip
_COLOURS = (64, 32, 16)
_QUALITIES = (85, 75, 60)
_PLAIN = 2.0  # levels of 255 by which few colours may miss a drawing on average; a photograph misses by more

# What is wrong, by key: what is said, what was expected.
REFUSALS = {
    "logo-large": ("the file is too large", f"at most {LARGEST // 1000} KB"),
    "logo-kind": ("this is no PNG and no JPEG, whatever its name says", "a picture of one of these kinds"),
    "logo-size": ("the picture has too many points", f"at most {LONGEST_SIDE} px a side"),
    "logo-small": ("the picture is too small to be seen on paper", f"at least {SHORTEST_SIDE} px a side"),
    "logo-damaged": ("the picture is damaged or cut off", "a whole file"),
}


class LogoError(FurrowsliceError):
    """A file cannot be a logo; ``key`` is one of :data:`REFUSALS`."""

    def __init__(self, key: str, where: str, seen: Picture | None = None) -> None:
        self.key = key
        what, expected = REFUSALS[key]
        size = f" ({seen.width} x {seen.height} px)" if seen else ""
        super().__init__(
            what + size, where=where, expected=f"a logo: PNG or JPEG; {expected}",
            fix="save the logo once more with a drawing program, within these limits",
        )  # fmt: skip


def read_logo(content: bytes, where: str) -> str:
    """Make the text that a laboratory card keeps of a picture.

    Parameters
    ----------
    content
        The file as it came.
    where
        What to call it in a message.

    Raises
    ------
    LogoError
        If it is no PNG or JPEG, damaged, or larger or smaller than a logo may be.
    """
    if len(content) > LARGEST:
        raise LogoError("logo-large", where)
    seen = looked_at(content)
    if seen is None:
        raise LogoError("logo-kind", where)
    if max(seen.width, seen.height) > LONGEST_SIDE:
        raise LogoError("logo-size", where, seen)
    if min(seen.width, seen.height) < SHORTEST_SIDE:
        raise LogoError("logo-small", where, seen)
    try:
        picture = _upright(content, seen)
        return text_of(_written(picture))
    except Exception:  # the library has many ways to say that a file is not what it says to be
        raise LogoError("logo-damaged", where) from None


def read_logo_beside(card: Path, name: str, where: str) -> str:
    """Read the logo that a card names: a file that lies in the card's own folder.

    Raises
    ------
    LogoError
        As :func:`read_logo` does.
    FurrowsliceError
        If there is no such file, or the name leads out of the folder.
    """
    expected = "the name of a PNG or JPEG file in the same folder"
    file = card.parent / name
    if not name.isprintable() or "\\" in name or Path(name).name != name or name == "..":
        raise FurrowsliceError(
            f"{name!r} is no file name", where=where, expected=expected,
            fix="put the logo beside the card and write its name without a folder",
        )  # fmt: skip
    try:
        inside = file.resolve(strict=True).parent == card.parent.resolve(strict=True)
        found = file.is_file()
    except (OSError, RuntimeError):
        inside, found = True, False
    if not inside:
        raise FurrowsliceError(
            f"{name!r} leads out of the folder of the card", where=where, expected=expected,
            fix="put the file itself there instead of a link to it",
        )  # fmt: skip
    if not found:
        raise FurrowsliceError(
            f"there is no file {name!r} beside the card", where=where, expected=expected,
            fix="put the logo there, or correct its name",
        )  # fmt: skip
    try:
        with file.open("rb") as opened:
            content = opened.read(LARGEST + 1)
    except OSError as error:
        raise FurrowsliceError(
            f"{name!r} cannot be read: {error.strerror}", where=where, expected=expected,
            fix="let this program read it",
        ) from None  # fmt: skip
    return read_logo(content, f"{where}, {name}")


def described(logo: str) -> str:
    """A logo in a few words for the list of changes, so that its content need not be kept there."""
    if not logo:
        return ""
    content = content_of(logo)
    seen = looked_at(content)
    size = f"{seen.width} x {seen.height} px" if seen else ""
    return f"{size}, {len(content)} bytes, SHA-256 {hashlib.sha256(content).hexdigest()[:16]}"


def _upright(content: bytes, seen: Picture) -> Image.Image:
    """Unpack a picture, turned as its camera held it, on white as on paper."""
    bare, orientation = (_bare_png(content), 1) if seen.kind == "png" else _bare_jpeg(content)
    with Image.open(io.BytesIO(bare), formats=(seen.kind,)) as opened:
        picture: Image.Image = opened
        if picture.size != (seen.width, seen.height):
            raise ValueError("the library reads another size")
        picture.load()
        if picture.mode.startswith("I"):  # 16 bits a point
            picture = picture.convert("I").point(lambda level: level * (1 / 256)).convert("L")
        picture = picture.convert("RGBA")
    if orientation in _TURNS:
        picture = picture.transpose(_TURNS[orientation])
    paper = Image.new("RGBA", picture.size, "white")
    paper.alpha_composite(picture)
    return paper.convert("RGB")


def _bare_png(content: bytes) -> bytes:
    """A PNG without all that is not needed to see its first picture."""
    kept, packed, at = [PNG], [], len(PNG)
    name = b""
    while name != b"IEND":
        end = at + 12 + int.from_bytes(content[at : at + 4], "big")
        name = content[at + 4 : at + 8]
        if end > len(content) or len(name) < 4:
            raise ValueError("cut off")
        if name in _NEEDED:
            kept.append(content[at:end])
        if name == b"IDAT":
            packed.append(content[at + 8 : end - 4])
        at = end
    unpacking = zlib.decompressobj()
    unpacking.decompress(b"".join(packed), _UNPACKED)
    if not unpacking.eof:
        raise ValueError("cut off, or much more than the picture")
    return b"".join(kept)


def _bare_jpeg(content: bytes) -> tuple[bytes, int]:
    """A JPEG without all that is not needed to see its first picture, and how its camera was held."""
    kept, orientation = [content[:2]], 1
    parts = segments(content)
    for marker, start, end in parts:
        held = content[start:end]
        if marker == _EXIF and held.startswith(b"Exif\0\0"):
            orientation = _orientation(held)
        if marker == _ADOBE or (marker not in _APPLICATION and marker != _COMMENT):
            kept.append(bytes((0xFF, marker)) + content[start - 2 : end])
    behind = parts[-1][2]
    closed = content.find(_END_OF_JPEG, behind)
    if closed < 0:
        raise ValueError("cut off")
    return b"".join((*kept, content[behind:closed], _END_OF_JPEG)), orientation


def _orientation(held: bytes) -> int:
    told = Image.Exif()
    try:
        told.load(held)
        number = told.get(_ORIENTATION, 1)
    except Exception:  # what a camera says of itself may be broken where the picture is not
        return 1
    return number if isinstance(number, int) else 1


def _written(picture: Image.Image) -> bytes:
    """The largest of some files of a picture that is small enough: few colours for a drawing, else JPEG."""
    width, height = WIDEST, HIGHEST
    while True:
        small = picture.copy()
        small.thumbnail((width, height), Image.Resampling.LANCZOS)
        for file in _tries(small):
            if len(file) <= MOST_BYTES:
                return file
        width, height = width * 3 // 4, height * 3 // 4


def _tries(small: Image.Image) -> Iterator[bytes]:
    few = small.getcolors(256)
    if few:
        yield _file(small.quantize(len(few), Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE), "PNG")
    for colours in _COLOURS:
        reduced = small.quantize(colours, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
        missed = ImageStat.Stat(ImageChops.difference(small, reduced.convert("RGB"))).mean
        if sum(missed) / len(missed) < _PLAIN:
            yield _file(reduced, "PNG")
    for quality in _QUALITIES:
        yield _file(small, "JPEG", quality=quality, subsampling=0)


def _file(picture: Image.Image, kind: str, **how: int) -> bytes:
    written = io.BytesIO()
    picture.save(written, kind, optimize=True, **how)
    return written.getvalue()
