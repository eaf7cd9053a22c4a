"""A logo from a file: what is taken and what becomes of it, what is refused and how, and what it may cost."""

from __future__ import annotations

import base64
import io
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from PIL import Image
from pydantic import ValidationError

from interpretation.errors import FurrowsliceError
from reports.logos import HIGHEST, MOST_BYTES, WIDEST, content_of, looked_at
from reports.view import LaboratoryCard
from service.actions.card import card_of, issued, read_laboratory
from service.logos import LARGEST, LogoError, described, read_logo
from tests.render.demo_world import laboratory
from tests.render.logo_pictures import PNG, bare_png, chunk, drawing, file, photograph

TAKEN = {
    "PNG with alpha": file(drawing()),
    "PNG": file(drawing(mode="RGB")),
    "grey PNG with alpha": file(drawing(mode="LA")),
    "black and white PNG": file(drawing(mode="1")),
    "PNG with a palette": file(drawing(mode="P")),
    "16-bit PNG": file(Image.new("I;16", (40, 20), 0x8000)),
    "JPEG": file(drawing(mode="RGB"), "JPEG"),
    "progressive JPEG": file(photograph(), "JPEG", progressive=True),
    "grey JPEG": file(drawing(mode="L"), "JPEG"),
    "CMYK JPEG": file(drawing(mode="CMYK"), "JPEG"),
    "PNG of a photograph": file(photograph()),
    "square PNG": file(drawing(300, 300)),
    "as large as may be": file(Image.new("L", (1000, 1000), 99)),
    "as small as may be": file(Image.new("L", (8, 8), 99)),
    "as long as may be": file(Image.new("L", (1000, 8), 99)),
    "as heavy as may be": file(drawing()) + bytes(LARGEST - len(file(drawing()))),
    "animated PNG": file(
        drawing(mode="RGB"), save_all=True, append_images=[Image.new("RGB", (600, 150), "red")]
    ),
}


def seen(logo: str) -> Image.Image:
    picture = Image.open(io.BytesIO(content_of(logo)))
    picture.load()
    return picture.convert("RGB")


@pytest.mark.parametrize("name", TAKEN)
def test_a_logo_is_small_plain_and_always_the_same(name: str) -> None:
    logo = read_logo(TAKEN[name], "logo.png")
    content = content_of(logo)
    picture = looked_at(content)
    assert picture is not None
    assert picture.kind == ("jpeg" if "photograph" in name or name == "progressive JPEG" else "png")
    assert picture.width <= WIDEST
    assert picture.height <= HIGHEST
    assert len(content) <= MOST_BYTES
    assert read_logo(TAKEN[name], "again") == logo
    assert laboratory(logo=logo).logo == logo


def test_a_logo_keeps_its_shape_and_is_not_blown_up() -> None:
    assert seen(read_logo(TAKEN["PNG"], "x")).size == (320, 80)
    assert seen(read_logo(TAKEN["square PNG"], "x")).size == (80, 80)
    assert seen(read_logo(TAKEN["as small as may be"], "x")).size == (8, 8)


def test_nothing_shows_through_and_colours_stay() -> None:
    assert seen(read_logo(TAKEN["PNG with alpha"], "x")).getpixel((319, 79)) == (255, 255, 255)
    green = seen(read_logo(TAKEN["PNG with alpha"], "x")).getpixel((40, 74))
    assert isinstance(green, tuple)
    assert max(abs(a - b) for a, b in zip(green, (60, 110, 40), strict=True)) <= 12
    assert seen(read_logo(TAKEN["16-bit PNG"], "x")).getpixel((3, 3)) == (128, 128, 128)


def test_of_several_pictures_the_first_is_kept() -> None:
    assert read_logo(TAKEN["animated PNG"], "x") == read_logo(TAKEN["PNG"], "x")


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_logo_stands_as_its_camera_was_held(orientation: int) -> None:
    upright = Image.new("RGB", (64, 32), "white")
    upright.paste((200, 0, 0), (0, 0, 32, 16))  # red above on the left
    back = {
        2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_90, 7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }  # fmt: skip
    held = upright.transpose(back[orientation]) if orientation in back else upright
    exif = Image.Exif()
    exif[0x0112] = orientation
    logo = seen(read_logo(file(held, "JPEG", quality=95, exif=exif), "x"))
    assert logo.size == (64, 32)
    corners = [logo.getpixel(at) for at in ((8, 4), (56, 4), (8, 28), (56, 28))]
    assert [each[1] < 128 for each in corners if isinstance(each, tuple)] == [True, False, False, False]


def test_what_else_a_file_holds_is_left_behind() -> None:
    exif = Image.Exif()
    exif[0x010E] = "a secret place"
    told = file(drawing(mode="RGB"), "JPEG", exif=exif, comment=b"a secret", icc_profile=b"a secret profile")
    assert b"secret" in told
    assert b"secret" not in content_of(read_logo(told, "x"))
    written = file(drawing(mode="RGB"))
    with_text = written[:33] + chunk(b"tEXt", b"Comment\0a secret") + written[33:]
    assert read_logo(with_text, "x") == read_logo(written, "x")
    # A text that unpacks to a thousand times its size is never unpacked.
    bomb = chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(50_000_000), 9))
    assert read_logo(written[:33] + bomb + written[33:], "x") == read_logo(written, "x")


whole_png, whole_jpeg = file(drawing()), file(photograph(), "JPEG")
REFUSED = {
    "empty": (b"", "logo-kind"),
    "SVG": (b'<svg xmlns="http://www.w3.org/2000/svg" width="20" height="20"/>', "logo-kind"),
    "a page with the name of a picture": (b"<!DOCTYPE html><script>alert(1)</script>", "logo-kind"),
    "GIF": (file(drawing(mode="P"), "GIF"), "logo-kind"),
    "TIFF": (file(drawing(mode="RGB"), "TIFF"), "logo-kind"),
    "PNG in name alone": (PNG + b"<svg/>" + bytes(60), "logo-kind"),
    "JPEG in name alone": (b"\xff\xd8\xff\xe0" + bytes(60), "logo-kind"),
    "too heavy": (whole_png + bytes(LARGEST + 1 - len(whole_png)), "logo-large"),
    "too wide": (file(Image.new("L", (1001, 10))), "logo-size"),
    "too high": (file(Image.new("L", (10, 1001)), "JPEG"), "logo-size"),
    "one point": (file(Image.new("L", (1, 1))), "logo-small"),
    "too low": (file(Image.new("L", (100, 7))), "logo-small"),
    "no side": (bare_png(0, 10, zlib.compress(b"")), "logo-small"),
    "PNG cut off": (whole_png[: len(whole_png) // 2], "logo-damaged"),
    "PNG without an end": (whole_png[:-12], "logo-damaged"),
    "PNG cut off inside": (bare_png(100, 100, zlib.compress(bytes(1400))[:-6]), "logo-damaged"),
    "PNG with a wrong sum": (whole_png[:40] + bytes([whole_png[40] ^ 1]) + whole_png[41:], "logo-damaged"),
    "PNG of a depth there is none": (bare_png(9, 9, zlib.compress(bytes(99)), depth=7), "logo-damaged"),
    "PNG that unpacks to far more": (bare_png(9, 9, zlib.compress(bytes(60_000_000), 9)), "logo-damaged"),
    "JPEG cut off": (whole_jpeg[: len(whole_jpeg) // 2], "logo-damaged"),
    "JPEG of tables alone": (
        whole_jpeg[: whole_jpeg.index(b"\xff\xc0") + 19] + b"\xff\xd9", "logo-damaged"
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_refusal_says_what_where_and_how_to_mend_it(name: str) -> None:
    content, key = REFUSED[name]
    with pytest.raises(LogoError) as caught:
        read_logo(content, "logo.png")
    error = caught.value
    assert error.key == key
    assert error.where == "logo.png"
    assert "PNG or JPEG" in error.expected
    assert error.fix
    said = {
        "logo-kind": "no PNG and no JPEG", "logo-large": "too large", "logo-size": "too many points",
        "logo-small": "too small", "logo-damaged": "damaged or cut off",
    }  # fmt: skip
    assert said[key] in error.what


def test_a_refusal_of_the_size_names_both() -> None:
    with pytest.raises(LogoError, match=r"1001 x 10 px.*\n.*at most 1000 px a side"):
        read_logo(REFUSED["too wide"][0], "x")


MEMORY = """
import resource, sys, zlib
from service.logos import LogoError, read_logo
from tests.render.logo_pictures import bare_png, drawing, file
packing = zlib.compressobj(9)
packed = b"".join([packing.compress(bytes(2501)) for _ in range(20000)]) + packing.flush()
jpeg = bytearray(file(drawing(mode="RGB"), "JPEG"))
at = jpeg.index(bytes([0xFF, 0xC0]))
jpeg[at + 5 : at + 9] = (20000).to_bytes(2, "big") * 2
given = [bare_png(20000, 20000, packed), bytes(jpeg), bare_png(999, 999, packed)]
assert len(given[0]) < 100_000
read_logo(file(drawing()), "x")
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
keys = []
for content in given:
    try:
        read_logo(content, "x")
    except LogoError as error:
        keys.append(error.key)
print(*keys, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


def test_a_huge_picture_is_refused_before_it_takes_memory() -> None:
    """20,000 points a side are 400 MB as soon as they are unpacked; the file has 50 KB."""
    said = subprocess.run(
        [sys.executable, "-c", MEMORY], capture_output=True, text=True, check=True, timeout=60,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    *keys, kib = said.stdout.split()
    assert keys == ["logo-size", "logo-size", "logo-damaged"]
    assert int(kib) < 30_000


# ------------------------------------------------------------------------------------------ the card


def card_with(folder: Path, logo: str) -> LaboratoryCard:
    path = folder / "laboratory.yaml"
    path.write_text(f"name: Lab\naddress: [Weir Lane]\nlogo: {logo}\n", "utf-8")
    return read_laboratory(path)


def test_a_card_takes_the_file_beside_it(tmp_path: Path) -> None:
    (tmp_path / "logo.png").write_bytes(TAKEN["PNG"])
    card = card_with(tmp_path, "logo.png")
    assert card.logo == read_logo(TAKEN["PNG"], "x")
    assert card_of(card.model_dump(mode="json")).logo == card.logo
    (tmp_path / "link.png").symlink_to("logo.png")  # a link that stays in the folder is no way out
    assert card_with(tmp_path, "link.png").logo == card.logo


@pytest.mark.parametrize(
    ("logo", "said"),
    [
        ("../logo.png", "is no file name"),
        ("/etc/hostname", "is no file name"),
        ("sub/logo.png", "is no file name"),
        ("sub\\logo.png", "is no file name"),
        ('".."', "is no file name"),
        ('"."', "is no file name"),
        ("out.png", "leads out of the folder"),
        ("none.png", "there is no file"),
        ("sub", "there is no file"),
        ("loop.png", "there is no file"),
        ("page.png", "no PNG and no JPEG"),
        ("x" * 5000, "there is no file"),
        ("12", "this must be a text"),
    ],
)
def test_a_card_takes_no_other_file(tmp_path: Path, logo: str, said: str) -> None:
    folder = tmp_path / "card"
    (folder / "sub").mkdir(parents=True)
    for place in (tmp_path / "logo.png", folder / "sub" / "logo.png"):
        place.write_bytes(TAKEN["PNG"])
    (folder / "out.png").symlink_to(tmp_path / "logo.png")
    (folder / "loop.png").symlink_to("loop.png")
    (folder / "page.png").write_bytes(b"<html>")
    with pytest.raises(FurrowsliceError) as caught:
        card_with(folder, logo)
    assert said in caught.value.what
    assert "laboratory.yaml, line 3" in caught.value.where
    assert caught.value.expected
    assert caught.value.fix


def test_a_card_without_a_logo_is_written_as_before() -> None:
    assert "logo" not in laboratory().model_dump()
    assert "logo" not in laboratory().model_dump_json()


def test_a_page_with_another_logo_is_another_page() -> None:
    logos = ["", *(read_logo(TAKEN[name], "x") for name in ("PNG", "square PNG"))]
    assert (
        len({issued(laboratory(logo=logo), "same", laboratory().issued_on).report_id for logo in logos}) == 3
    )


def test_a_card_takes_no_logo_that_was_not_made_so() -> None:
    """A card may come from a file that somebody else has made."""
    large = file(Image.new("L", (WIDEST + 1, 8)))
    for wrong in (
        "x", "logo.png", "data:image/png;base64,AAAA", "A" * 8004,
        *(base64.b64encode(each).decode() for each in (b"<svg/>", large, bare_png(20000, 20000, b""))),
        base64.b64encode(TAKEN["PNG"]).decode(), read_logo(TAKEN["PNG"], "x") + "\n",
    ):  # fmt: skip
        with pytest.raises(ValidationError, match="a logo on a card"):
            laboratory(logo=wrong)


def test_a_logo_in_a_few_words() -> None:
    logo = read_logo(TAKEN["PNG"], "x")
    assert described("") == ""
    assert described(logo).startswith(f"320 x 80 px, {len(content_of(logo))} bytes, SHA-256 ")
    assert described(logo) != described(read_logo(TAKEN["square PNG"], "x"))
