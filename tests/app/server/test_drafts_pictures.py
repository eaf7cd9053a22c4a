"""The pictures beside a table that is typed: scales right and wrong, amounts and how they come about."""

from __future__ import annotations

import re
from html import unescape

import numpy as np
import pytest

from interpretation.agronomy.tables import RateTable, TableSet
from service.actions import drafting
from service.actions.draftdesk import desk
from service.actions.editing import Editing, opened
from service.actions.trials import try_amounts, try_equation
from service.entries.entry import Entry
from service.entries.probing import probed
from service.entries.writing import entry_of
from service.pages.drawing.scales import number_of, scale_picture
from service.pages.entrypictures import picture_of
from service.web.templates import words
from tests.app.server.conftest import World
from tests.app.server.draft_steps import begun, named, saved, with_fact
from tests.app.server.test_drafts_editor import Desk


def scale(*rows: tuple[str, str, str], **facts: str) -> Entry:
    """A scale of classes: name, from, to."""
    classes = tuple(
        {key: text for key, text in zip(("name", "from", "to"), row, strict=True) if text} for row in rows
    )
    return Entry(kind="scales", facts={"round_to": "1"} | facts, rows={"classes": classes})


@pytest.mark.parametrize(
    ("rows", "facts", "faults"),
    [
        ([("low", "0", ""), ("high", "10", "")], {}, []),
        ([("low", "0", "9"), ("high", "10", "")], {}, []),
        ([("low", "0", "10"), ("high", "10", "")], {}, []),
        ([("low", "0", "8"), ("high", "10", "")], {}, [("gap", 8, 10)]),
        ([("low", "0", "9"), ("high", "10", "")], {"round_to": "0.1"}, [("gap", 9, 10)]),
        ([("low", "0", "9"), ("high", "10", "")], {"round_to": "?"}, [("gap", 9, 10)]),
        ([("low", "0", "12"), ("high", "10", "")], {}, [("overlap", 10, 12)]),
        ([("low", "0", ""), ("high", "10", ""), ("top", "7", "")], {}, [("not-rising", 7, 10)]),
        ([("low", "0", ""), ("mid", "10.2", ""), ("high", "10.4", "")], {}, [("unreachable", 10.2, 10.4)]),
        ([("low", "3", ""), ("high", "10", "")], {}, [("first", 0, 3)]),
        ([("low", "-3", ""), ("high", "10", "")], {}, [("first", -3, 0)]),
        ([("low", "0", "2"), ("high", "ten", ""), ("top", "20", "")], {}, []),
    ],
)  # fmt: skip
def test_gaps_and_overlaps_are_marked_where_they_are(
    rows: list[tuple[str, str, str]], facts: dict[str, str], faults: list[tuple[str, float, float]]
) -> None:
    drawn = scale_picture(scale(*rows, **facts))
    assert drawn is not None
    assert [(each.what, each.low, each.high) for each in drawn.marks] == faults
    for each in drawn.marks:
        assert 164 <= each.x <= each.x + each.width <= 662
    assert drawn.whole == all(number_of(lower) is not None for _, lower, _ in rows)


def test_bars_run_from_bound_to_bound_in_the_order_typed() -> None:
    drawn = scale_picture(scale(("low", "0", "8"), ("high", "10", ""), scale_top="20", adequate_from="high"))
    assert drawn is not None
    low, high = drawn.bars
    assert (low.left, low.right, high.right) == (170.0, 364.4, 656.0)
    assert high.left == 413.0
    assert (low.adequate, high.adequate) == (False, True)
    assert (low.printed, high.printed, high.open_end) == (364.4, None, True)
    closed = scale_picture(scale(("low", "0", ""), ("high", "10", ""), ends_at="15", scale_top="20"))
    assert closed is not None
    assert (closed.bars[1].open_end, closed.ends_at) == (False, closed.bars[1].right)


@pytest.mark.parametrize(
    "typed", ["", "x", "1,5", "1e9", "nan", "inf", "--1", "999999999999999", "-5", "0.000000000000001"]
)
def test_half_typed_bounds_are_drawn_or_said_to_be_unreadable(typed: str) -> None:
    drawn = scale_picture(scale(("low", "0", typed), ("", typed, "3"), ("high", "10", "")))
    assert drawn is not None
    for bar in drawn.bars:
        assert bar.left is None or (170 <= bar.left <= 656 and np.isfinite(bar.right or 0))
    assert (
        scale_picture(scale(("low", typed, ""), ("high", typed, ""))) is None or number_of(typed) is not None
    )
    assert scale_picture(Entry(kind="scales")) is None


# --------------------------------------------------------------------------------------------- amounts


def test_every_shipped_table_of_amounts_has_a_curve_and_examples(tables: TableSet) -> None:
    for region in ("marrowdale", "ohio", "pennsylvania", "oklahoma", "uk"):
        scales = [each for each in tables.scales.values() if each.region == region]
        for table in (each for each in tables.rates.values() if each.region == region):
            found = try_amounts(table, scales, tables)
            assert found is not None, table.id
            assert np.isfinite(found.y).any(), table.id
            assert len(found.x) == len(found.y)
            assert (np.diff(found.x) >= 0).all(), table.id
            assert 2 <= len(found.examples) <= 4, table.id
            assert all(each.working or each.refusal for _, each in found.examples)


def test_the_curve_is_what_the_tables_arithmetic_says(tables: TableSet) -> None:
    table = tables.rates["marrowdale/k2o-potato"]
    scales = [each for each in tables.scales.values() if each.region == "marrowdale"]
    found = try_amounts(table, scales, tables)
    assert found is not None
    assert found.goal is not None
    goal = found.goal[0]
    assert (found.runs_over, found.x_unit, found.unit, found.crop) == (
        "soil_test",
        "mg/kg",
        "kg/ha",
        "potato",
    )
    for at, amount in found.examples:
        rows = [(0, 5.5 * goal + 40), (60, 5.5 * goal), (105, 4.5 * goal), (155, 3 * goal), (235, 1.2 * goal)]
        raw = 0 if at >= 330 else max(row for row in rows if row[0] <= at)[1]
        assert amount.rate == np.floor(min(raw, 280) / 10 + 0.5) * 10
        assert amount.rate in found.y
    assert [at for at, _ in found.limits] == [60, 105, 155, 235, 330]


@pytest.mark.parametrize("name", ["k2o-potato", "p2o5-arable-bray1"])
def test_rows_that_hold_up_to_the_next_are_drawn_as_steps(tables: TableSet, name: str) -> None:
    """Between two points that stand apart the line is level: no ramp shows an amount that nobody is given."""
    table = tables.rates[f"marrowdale/{name}"]
    scales = [each for each in tables.scales.values() if each.region == "marrowdale"]
    found = try_amounts(table, scales, tables)
    assert found is not None
    rises = [
        x for x, wide, tall in zip(found.x, np.diff(found.x), np.diff(found.y), strict=False) if tall and wide
    ]
    assert rises == []
    upright = {x for x, wide, tall in zip(found.x, np.diff(found.x), np.diff(found.y), strict=False) if tall}
    assert len(upright) >= 3
    assert upright <= {at for at, _ in found.limits}


def test_a_bound_of_the_class_below_is_drawn_as_the_step_after_it(tables: TableSet) -> None:
    table = tables.rates["marrowdale/p2o5-arable-bray1"]
    scale_ = tables.scales["marrowdale/phosphorus-bray1"]
    classes = tuple(each.model_copy(update={"open_below": each.lower > 0}) for each in scale_.classes)
    found = try_amounts(table, [scale_.model_copy(update={"classes": classes})], tables)
    assert found is not None
    heights = [float(y) for x, y in zip(found.x, found.y, strict=True) if x == 23]
    assert heights == [found.y[found.x < 23][-1], found.y[found.x > 23][0]]
    assert heights[0] != heights[1]


def test_rows_on_straight_lines_have_no_steps(tables: TableSet) -> None:
    table = next(each for each in tables.rates.values() if each.between_rows == "straight-line")
    scales = [each for each in tables.scales.values() if each.region == table.region]
    found = try_amounts(table, scales, tables)
    assert found is not None
    assert (np.diff(found.x) > 0).all()


def test_a_table_without_a_soil_test_runs_over_the_yield_goal(tables: TableSet) -> None:
    found = try_amounts(tables.rates["marrowdale/n-maize"], [], tables)
    assert found is not None
    assert (found.runs_over, found.goal, found.x_unit) == ("yield_goal", None, "t/ha")
    assert found.y[-1] == 180, "held at the cap"


def test_what_cannot_be_told_is_not_drawn(tables: TableSet) -> None:
    by_class = tables.rates["marrowdale/k2o-arable"]
    assert by_class.by_class is not None
    assert try_amounts(by_class, [], tables) is None, "no scale, so no classes"
    unknown = by_class.model_copy(update={"method": "nowhere"})
    assert try_amounts(unknown, list(tables.scales.values()), tables) is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"formula": "20 * yield_goal"}, {"by_value": ()}, {"by_value": None},
        {"between_rows": "straight-line"},
    ],
)  # fmt: skip
def test_amounts_given_in_two_ways_in_none_or_on_no_line_are_not_drawn(
    tables: TableSet, wrong: dict[str, object]
) -> None:
    table = tables.rates["marrowdale/k2o-potato"]
    scales = list(tables.scales.values())
    assert try_amounts(table.model_copy(update=wrong), scales, tables) is None
    unknown = table.model_copy(update={"materials": ("nowhere", *table.materials)})
    found, plain = (try_amounts(each, scales, tables) for each in (unknown, table))
    assert found is not None
    assert plain is not None
    assert [each.rate for _, each in found.examples] == [each.rate for _, each in plain.examples]


def test_an_equation_has_its_course(tables: TableSet) -> None:
    one = next(iter(tables.conversions.values()))
    found = try_equation(one, tables)
    assert (found.x[0], found.x[-1]) == (one.lowest, one.highest)
    assert (np.diff(found.y) > 0).all()


def test_what_is_half_typed_is_read_as_far_as_it_can_be(tables: TableSet) -> None:
    whole = entry_of("rates", tables.rates["marrowdale/k2o-potato"])
    amounts = [dict(each) for each in whole.rows["amounts"]]
    amounts[1]["from"] = "sixty"
    typed = whole.model_copy(
        update={
            "facts": {"nutrient": "K2O", "analyte": "K", "method": "k-nh4oac", "cap": "lots", "unit": "kg"},
            "rows": {"amounts": tuple(amounts)},
        }
    )
    found = probed(typed, "marrowdale")
    assert isinstance(found, RateTable)
    assert (found.nutrient, found.cap, found.unit) == ("K2O", None, "kg/ha")
    assert [step.at for step in found.by_value or ()] == [0, 105, 155, 235, 330]
    nothing = probed(Entry(kind="rates"), "marrowdale")
    assert nothing is None or isinstance(nothing, RateTable)


# --------------------------------------------------------------------------------------------- the page


def editing(world: World, table: str, **facts: str) -> Editing:
    """A table of a draft with other texts in some cells."""
    draft = begun(world)
    typed = with_fact(named(world, draft, table), **facts)
    return opened(world.site, world.caller("agronomist"), draft, typed.number, typed)


@pytest.mark.parametrize(
    ("formula", "column", "piece"),
    [
        ("n_per_t * ** yield_goal", 11, "*"), ("n_per_t * yield_goal + $", 24, "$"),
        ("n_per_t * yield_gaol", 11, "yield_gaol"), ("(n_per_t * yield_goal", 1, "("),
        ("n_per_t * yield_goal +", 23, ""), ("yield_goal", 0, ""),
    ],
)  # fmt: skip
def test_a_formula_that_cannot_be_read_shows_where(
    lite_world: World, formula: str, column: int, piece: str
) -> None:
    found = picture_of(words("en"), editing(lite_world, "marrowdale/n-maize", formula=formula))
    assert found is not None
    if not column:
        assert found.offence is None
        assert found.curve is not None
        return
    assert found.offence is not None
    assert (found.offence.column, found.offence.piece) == (column, piece)
    assert found.offence.before + found.offence.piece + found.offence.after == formula


def test_the_page_shows_the_curve_and_works_examples_in_words(lite_world: World) -> None:
    found = Desk(lite_world, "marrowdale/n-maize")
    page = unescape(found.client.get(found.path).text)
    assert "<polyline" in page
    for text in (
        "For maize, without manure, on an ordinary soil.", "Formula: n_per_t * yield_goal.",
        "Less 12 kg/ha for organic matter.", "Rounded in steps of 5: ",
    ):  # fmt: skip
        assert text in page
    names = [each["name"] for each in found.stored().rows["constants"]]
    doubled = found.page("look", {f"constants.{names.index('n_per_t')}.value": "32"})
    assert "Figure of the table: n_per_t = 32." in doubled
    wrong = found.page("look", {"formula": "n_per_t * ) yield_goal"})
    assert "<polyline" not in wrong
    assert re.search(r"It cannot be read at character \d+", wrong)
    assert "<mark>)</mark>" in wrong


def test_amounts_stay_drawn_while_their_scale_is_being_typed(lite_world: World) -> None:
    found = Desk(lite_world, "marrowdale/k2o-arable")
    broken = with_fact(named(lite_world, found.draft, "marrowdale/potassium"), round_to="one")
    saved(lite_world, found.draft, broken)
    page = unescape(found.client.get(found.path).text)
    assert "<polyline" in page


def test_no_formula_and_no_rows_give_words_in_place_of_a_picture(lite_world: World) -> None:
    draft, caller = begun(lite_world), lite_world.caller("agronomist")
    for kind in ("scales", "rates", "conversions"):
        drafting.add(lite_world.site, caller, draft, kind)
    for entry in desk(lite_world.site, caller, draft).entries[-3:]:
        page = lite_world.client("agronomist").get(f"/tables/drafts/{draft}/entries/{entry.number}").text
        assert "As soon as" in page
