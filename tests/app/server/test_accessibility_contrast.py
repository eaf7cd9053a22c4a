"""The colours of the pages: every pair that meets is told apart by people who see little contrast."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

STYLE = (files("service") / "pages" / "static" / "site.css").read_text("utf-8")
DARK_FROM = STYLE.index("@media screen and (prefers-color-scheme: dark)")
GROUNDS = ("paper", "sheet", "earth-soft", "good-soft", "warn-soft", "bad-soft")
# What is read must stand out 4.5 to 1; marks and the edges of controls 3 to 1 (WCAG 1.4.3, 1.4.11).
READ = [
    *[(text, ground) for text in ("ink", "soft", "link") for ground in GROUNDS],
    *[("good", ground) for ground in ("paper", "sheet", "earth-soft", "good-soft")],
    *[("warn", ground) for ground in ("paper", "sheet", "earth-soft", "warn-soft")],
    *[("bad", ground) for ground in ("paper", "sheet", "earth-soft", "bad-soft")],
    ("on-earth", "earth"),
]
SEEN = [
    *[(mark, ground) for mark in ("strong-line", "focus") for ground in GROUNDS],
    *[("earth", ground) for ground in ("paper", "sheet", "earth-soft")],
]


def colours(scheme: str) -> dict[str, str]:
    """The named colours of one scheme, as the style gives them."""
    block = STYLE[:DARK_FROM] if scheme == "light" else STYLE[DARK_FROM:]
    named = re.search(r":root \{(.*?)\}", block, re.DOTALL)
    assert named is not None
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", named[1]))


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour, as WCAG 2 defines it."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """How far two colours stand apart: from 1 to 21."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_measure_of_contrast_is_the_published_one() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # just under what text needs
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_that_meet_stand_apart(scheme: str) -> None:
    named = colours(scheme)
    weak = {
        (front, ground): round(found, 2)
        for pairs, least in ((READ, 4.5), (SEEN, 3.0))
        for front, ground in pairs
        if (found := contrast(named[front], named[ground])) < least
    }
    assert not weak


def test_both_schemes_name_the_same_colours_and_no_other_is_used() -> None:
    light, dark = colours("light"), colours("dark")
    assert light.keys() == dark.keys()
    used = set(re.findall(r"var\(--([a-z-]+)\)", STYLE)) - {"radius", "side", "edge"}
    assert used == light.keys()


def test_text_has_no_colour_but_those_measured() -> None:
    measured = {front for front, _ in READ}
    texts = set(re.findall(r"(?<![a-z-])color: var\(--([a-z-]+)\)", STYLE))
    assert texts - measured == {"earth"}  # the mark beside the name, which is seen and not read
    grounds = set(re.findall(r"background: var\(--([a-z-]+)\)", STYLE))
    assert grounds <= {*GROUNDS, "earth"}
    plain = re.findall(r"[^\n]*#[0-9a-fA-F]{3,6}\b[^\n]*", STYLE[STYLE.index("*, *::before") :])
    # On white in both schemes, or on paper.
    allowed = (
        ".picture", ".legend svg", ".years", ".preview", "  :root { --paper: #fff", "  body { background",
        "  .sheet, .side { border", "  input:not(",
    )  # fmt: skip
    assert [line for line in plain if not line.startswith(allowed)] == []
