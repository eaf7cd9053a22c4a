"""Where things stand on the pictures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.charts import (
    BAR_WIDTH,
    CLASS_FILLS,
    Frame,
    class_colour,
    curve_line,
    nice_ticks,
    padded,
    plot,
    scale,
    scale_bar,
    segments,
)
from reports.view import ScaleBar

LOWERS = (0.0, 6.0, 12.0, 20.0, 35.0)
WORDS = ("very low", "low", "medium", "high", "very high")


def bar(value: float, *, below: bool = False, reach: float | None = None, chosen: int | None = 1) -> ScaleBar:
    return scale_bar(
        alt="a picture", words=WORDS, scale=scale(LOWERS, 50.0), chosen=chosen, value=value, below=below,
        reach=reach, write=lambda limit: f"{limit:g}",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("value", "fraction"),
    [
        (0.0, 0.0),
        (3.0, 0.1),  # half of the first of five classes
        (6.0, 0.2),  # a limit stands at the border of its class
        (9.0, 0.3),
        (20.0, 0.6),
        (42.5, 0.9),  # half of 35 to 50
        (50.0, 1.0),
        (80.0, 1.0),  # beyond the end of the drawing
        (-1.0, 0.0),
    ],
)
def test_every_class_is_equally_wide_and_values_stand_in_proportion(value: float, fraction: float) -> None:
    assert scale(LOWERS, 50.0).at(value) == pytest.approx(fraction)


def test_without_a_top_the_last_class_is_as_wide_as_the_one_before() -> None:
    assert scale(LOWERS, None).edges[-1] == 50.0  # 35 + (35 - 20)
    assert scale(LOWERS, 30.0).edges[-1] == 50.0  # a top inside the last class is no top


@given(st.floats(-10, 100), st.floats(-10, 100))
def test_a_larger_value_never_stands_further_left(a: float, b: float) -> None:
    drawn = scale(LOWERS, None)
    low, high = sorted((a, b))
    assert drawn.at(low) <= drawn.at(high)


@given(st.floats(0, 49.99))
def test_the_marker_stands_in_the_box_of_its_class(value: float) -> None:
    index = max(i for i, lower in enumerate(LOWERS) if value >= lower)
    drawn = bar(value, chosen=index)
    box = drawn.segments[index]
    assert box.chosen
    assert box.x - 0.011 <= drawn.marker_x <= box.x + box.width + 0.011


def test_ticks_stand_at_the_limits_with_their_numbers() -> None:
    assert [(t.at, t.label) for t in bar(9.0).ticks] == [
        (68.0, "6"),
        (136.0, "12"),
        (204.0, "20"),
        (272.0, "35"),
    ]


def test_the_interval_reaches_over_a_limit() -> None:
    drawn = bar(11.0, reach=2.0)
    assert drawn.reach_from < drawn.marker_x < 136.0 < drawn.reach_to


def test_markers_tell_value_censored_and_beyond_apart() -> None:
    assert (bar(9.0).marker, bar(9.0, below=True).marker, bar(51.0).marker) == ("value", "below", "beyond")
    assert not bar(9.0, below=True, reach=1.0).has_reach


def test_only_the_chosen_class_is_filled() -> None:
    fills = [s.fill for s in segments(WORDS, 4)]
    assert fills == ["#ffffff"] * 4 + ["#2c5aa0"]
    assert {s.fill for s in segments(WORDS, None)} == {"#ffffff"}


def test_a_word_that_does_not_fit_is_left_out() -> None:
    twelve = [f"a long class name {n}" for n in range(12)]
    assert [s.lines for s in segments(twelve, 3)] == [()] * 12
    assert sum(s.width for s in segments(twelve, 3)) == pytest.approx(BAR_WIDTH, abs=0.1)


@pytest.mark.parametrize("count", range(2, 13))
def test_colours_run_from_the_first_to_the_last(count: int) -> None:
    fills = [class_colour(index, count)[0] for index in range(count)]
    assert (fills[0], fills[-1]) == (CLASS_FILLS[0], CLASS_FILLS[-1])
    assert [CLASS_FILLS.index(fill) for fill in fills] == sorted(CLASS_FILLS.index(fill) for fill in fills)


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1; constants from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("index", range(5))
def test_class_words_can_be_read_on_their_colour(index: int) -> None:
    fill, ink = class_colour(index, 5)
    light, dark = sorted((luminance(fill), luminance(ink)), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5  # WCAG 2.1, 1.4.3


def test_orange_means_may_run_short_and_blue_means_enough_where_the_table_says() -> None:
    orange, blue = CLASS_FILLS[:2], CLASS_FILLS[3:]
    for count in range(2, 8):
        for adequate in range(count):
            fills = [class_colour(index, count, adequate)[0] for index in range(count)]
            assert [fill in orange for fill in fills] == [index < adequate for index in range(count)]
            assert all(fill in blue for fill in fills[adequate:])


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (0.0, 20.0, (0.0, 5.0, 10.0, 15.0, 20.0)),
        (-0.003, 0.003, (-0.002, 0.0, 0.002)),
        (88.2, 111.0, (90.0, 95.0, 100.0, 105.0, 110.0)),
        (3.0, 3.0, (3.0,)),
    ],
)
def test_ticks_are_round_numbers(low: float, high: float, ticks: tuple[float, ...]) -> None:
    assert nice_ticks(low, high) == pytest.approx(ticks)


def test_a_range_of_no_width_gets_room() -> None:
    assert padded([5.0]) == (4.75, 5.25)
    assert padded([0.0]) == (-1.0, 1.0)


def test_a_plot_keeps_everything_inside_its_axes() -> None:
    line = curve_line((0.01, 0.04, 0.001), 1.0, 10.0)
    assert line[0] == pytest.approx((1.0, 0.051))  # 0.01 + 0.04 + 0.001
    assert line[-1] == pytest.approx((10.0, 0.51))  # 0.01 + 0.4 + 0.1
    points = [(1.0, 0.05, False), (10.0, 0.5, True)]
    frame = Frame(0.0, 11.0, 0.0, 0.6)
    drawn = plot(
        frame, title="t", alt="a", x_label="x", y_label="y", points=points, write=str, line=line,
        band=(1.0, 10.0), levels=(0.1,), dashed=(0.2, 0.9),
    )  # fmt: skip
    assert [dot.hollow for dot in drawn.dots] == [False, True]
    assert all(frame.left <= d.x <= frame.right and frame.top <= d.y <= frame.bottom for d in drawn.dots)
    assert drawn.dots[1].y < drawn.dots[0].y  # larger values stand higher
    assert len(drawn.dashed) == 1  # a limit outside the axes is not drawn
    assert drawn.band is not None
    assert drawn.band[0] == frame.x(1.0)
    assert drawn.band[0] + drawn.band[2] == pytest.approx(frame.x(10.0))
