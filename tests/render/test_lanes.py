"""Lanes as they are drawn: nothing is cut off, nothing is too small, a word stands inside its box."""

from __future__ import annotations

import re
from functools import cache
from itertools import pairwise

import pytest
from fontTools.ttLib import TTFont

from reports.charts import BAR_WIDTH, LINE_HEIGHT, scale, scale_bar, segments
from reports.fonts import files_of
from reports.lanes import MOST_STACKED, PADDING, YEAR, columns, crowd, head, lane, years
from reports.renderer import fill, style_text
from reports.view import ScaleBar
from reports.wording import LANGUAGES, catalogue
from tests.render.demo_variants import EARLIER
from tests.render.demo_world import FIVE, field, laboratory

LOWERS = (0.0, 6.0, 12.0, 20.0, 35.0)


def drawing() -> str:
    """A report with every kind of lane."""
    from reports.build import build_report

    return fill("report", page=build_report(field(), laboratory(), earlier=EARLIER))


def bar(value: float = 9.0, words: tuple[str, ...] = FIVE, chosen: int | None = 1) -> ScaleBar:
    return scale_bar(
        alt="-", words=words, scale=scale(LOWERS[: len(words)], 50.0), chosen=chosen, value=value,
        below=False, reach=1.0, write=lambda limit: f"{limit:g}",
    )  # fmt: skip


@cache
def bold() -> TTFont:
    return next(
        TTFont(path)
        for path in files_of("fontpkg_fira_sans")
        if path.name.replace("-", "").endswith("SansBold.ttf")
    )


def width(text: str) -> float:
    """Width of a text in bold at the size of a lane."""
    font = bold()
    letters, metrics = font.getBestCmap(), font["hmtx"]
    return sum(metrics[letters[ord(c)]][0] for c in text) / font["head"].unitsPerEm * 10.2


def test_lanes_meet_although_odds_stand_below_a_value() -> None:
    """Two lines beside a lane are not taller than it, or the lines between classes are broken.

    9.6 pt x 1.03 x 2 = 19.8 pt; 28.5 px x 0.75 = 21.4 pt.
    """
    size = float(re.search(r"body \{ font: ([\d.]+)pt", style_text("page"))[1])  # type: ignore[index]
    (line,) = re.findall(r"\.board td\.figure \{[^}]*line-height: ([\d.]+)", style_text("report"))
    (one,) = set(re.findall(r'<svg [^>]*height="([\d.]+)" viewBox="-9 0 358 27\.0"', drawing()))
    assert float(one) * 0.75 >= 2 * float(line) * size


def test_the_letters_of_a_lane_are_large_enough_to_read() -> None:
    shapes = re.findall(
        r'<svg [^>]*width="(\d+)"[^>]*viewBox="-9 0 (\d+) [^>]*font-size="([\d.]+)"', drawing()
    )
    assert len(shapes) > 10
    for across, units, size in shapes:
        assert float(size) * float(across) / float(units) * 0.75 >= 8.0  # points
    assert set(re.findall(r"<text [^>]*font-size", drawing())) == set()


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("count", [2, 3, 4, 5, 6, 7])
def test_every_class_word_fits_its_box(language: str, count: int) -> None:
    names = catalogue(language)["names"]["classes"].values()
    room = BAR_WIDTH / count
    wide = [line for name in names for line in segments([name] * count, 0)[0].lines if width(line) > room]
    assert wide == []


def test_a_box_is_as_tall_as_its_own_word() -> None:
    words = ("strongly acid indeed", "low", "medium", "high", "very high")
    tall, small = (lane(bar(chosen=chosen, words=words), "-").boxes[0].height for chosen in (0, 1))
    assert small == LINE_HEIGHT + PADDING
    assert tall > small


def test_words_at_the_head_stand_above_their_columns() -> None:
    drawn = head(bar(), "-")
    assert [word.x for word in drawn.words[:5]] == [34.0, 102.0, 170.0, 238.0, 306.0]
    assert max(word.y for word in drawn.words) < drawn.height


def test_columns_are_drawn_where_classes_begin() -> None:
    # The foot is 0.7 wide and lies inside the height of 20, or half of it would be cut off.
    assert columns(2, 20.0) == "M0.0 0v20.0M170.0 0v20.0M340.0 0v20.0M0 19.5h340.0"


def test_a_value_on_several_classes_has_no_box() -> None:
    drawn = lane(bar(chosen=None), "-")
    assert (drawn.boxes, drawn.words) == ((), ())
    assert drawn.marks


def test_earlier_years_have_the_height_of_the_text_beside_them() -> None:
    drawn = years("-", scale(LOWERS, 50.0), [([7.0], [], 7.0), ([8.0], [], 8.0)])
    assert drawn.height == 2 * YEAR
    heights = [float(y) for y in re.findall(r"M[\d.]+ ([\d.]+)a", drawn.hollow)]
    assert heights == [YEAR / 2, YEAR * 1.5]


def test_points_that_would_cover_each_other_are_stacked() -> None:
    drawn = crowd("-", scale(LOWERS, 50.0), [9.0] * 3 + [30.0], [1, 1, 1, 3], 3)
    heights = sorted(float(y) for y in re.findall(r"M100.0 ([\d.]+)h0", drawn.dots))
    assert len(heights) == 3
    assert all(after - before == 5.0 for before, after in pairwise(heights))
    assert [(word.text, word.x) for word in drawn.words] == [("3", 102.0), ("1", 238.0)]


def test_a_tall_stack_moves_together_and_stays_inside() -> None:
    drawn = crowd("-", scale(LOWERS, 50.0), [9.0] * 200, [1] * 200, 3)
    heights = [float(y) for y in re.findall(r"M[\d.]+ ([\d.]+)h0", drawn.dots)]
    assert min(heights) >= 2.4
    assert drawn.height < 5.0 * (MOST_STACKED + 2) + LINE_HEIGHT + PADDING


def test_points_beyond_the_ends_stay_on_the_lane() -> None:
    drawn = crowd("-", scale(LOWERS, 50.0), [0.0, 500.0], [0, 4], 3)
    assert [float(x) for x in re.findall(r"M([\d.]+) ", drawn.dots)] == [2.5, BAR_WIDTH - 2.5]
