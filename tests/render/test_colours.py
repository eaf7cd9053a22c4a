"""Nobody is left out by a colour: told apart with deficient colour vision, readable in grey, never alone.

Colour deficiencies are simulated with the matrices of Machado, Oliveira and Fernandes (2009) for full
severity, on linear RGB; the matrices, the CIE and the WCAG constants are from memory.
"""

from __future__ import annotations

import re
from itertools import combinations

import numpy as np
import pytest

from reports.charts import CLASS_FILLS, CLASS_INKS
from reports.renderer import style_text
from tests.render.test_lanes import drawing

MACHADO = {
    "normal": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = TO_XYZ.sum(axis=1)
PAPER = "#ffffff"
LIGHT = ("#d7191c", "#fdae61", "#ffffbf", "#a6d96a", "#1a9641")  # the usual red to green, to try the check


def linear(colour: str) -> np.ndarray:
    colour = colour if len(colour) == 7 else "#" + "".join(2 * letter for letter in colour[1:])
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def lab(colour: str, vision: str) -> np.ndarray:
    seen = np.clip(MACHADO[vision] @ linear(colour), 0, 1)
    scaled = TO_XYZ @ seen / WHITE
    x, y, z = np.where(scaled > (6 / 29) ** 3, np.cbrt(scaled), scaled / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def smallest_distance(colours: tuple[str, ...], vision: str) -> float:
    return min(float(np.linalg.norm(lab(a, vision) - lab(b, vision))) for a, b in combinations(colours, 2))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.1."""
    light, dark = sorted(
        (float(np.array([0.2126, 0.7152, 0.0722]) @ linear(colour)) for colour in (one, other)), reverse=True
    )
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("vision", MACHADO)
def test_classes_are_told_apart(vision: str) -> None:
    assert smallest_distance(CLASS_FILLS, vision) >= 24  # CIE 1976; about 2 can just be seen


def test_the_check_sees_red_and_green_run_together() -> None:
    assert smallest_distance(LIGHT, "normal") > 30
    assert smallest_distance(LIGHT, "deutan") < 10


def test_in_grey_the_ends_differ_from_the_middle_and_words_tell_the_rest() -> None:
    lightness = [float(lab(fill, "normal")[0]) for fill in CLASS_FILLS]
    ends, middle = (lightness[0], lightness[-1]), lightness[1:-1]
    assert min(middle) - max(ends) > 15
    # The three in the middle are near each other in grey: so every box has its word, and its column.
    assert max(middle) - min(middle) < 15


@pytest.mark.parametrize(("fill", "ink"), list(zip(CLASS_FILLS, CLASS_INKS, strict=True)))
def test_words_can_be_read_on_their_colour(fill: str, ink: str) -> None:
    assert contrast(fill, ink) >= 4.5  # WCAG 2.1, 1.4.3


def test_outlines_columns_marks_and_dots_stand_out_from_paper() -> None:
    strokes = set(re.findall(r'stroke="(#\w+)"', drawing()))
    assert len(strokes) >= 4
    for stroke in strokes:
        assert contrast(stroke, PAPER) >= 3, stroke  # WCAG 2.1, 1.4.11


@pytest.mark.parametrize("ink", sorted(set(re.findall(r"[ {]color: (#\w+)", style_text("page", "report")))))
def test_every_ink_of_the_page_can_be_read_on_paper(ink: str) -> None:
    if ink != "#fff":  # white stands on the classes alone
        assert contrast(ink, PAPER) >= 4.5
        assert contrast(ink, "#efebe4") >= 4.5  # heads of tables


def test_the_table_of_many_samples_has_the_colours_of_the_boards() -> None:
    rules = re.findall(r"\.c(\d) { background: (#\w+); color: (#\w+); }", style_text("report"))
    wide = {"#fff": "#ffffff", "#000": "#000000"}
    assert [(int(n), fill, wide[ink]) for n, fill, ink in rules] == [
        (n, fill, ink) for n, (fill, ink) in enumerate(zip(CLASS_FILLS, CLASS_INKS, strict=True))
    ]
