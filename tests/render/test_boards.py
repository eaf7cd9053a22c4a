"""The boards: values on one scale, earlier years above them, many samples on one lane."""

from __future__ import annotations

import re
from typing import Any

import pytest

from interpretation.results import ClassLimit, FieldAdvice, Refusal
from reports.boards import MANY
from reports.build import build_report
from reports.charts import BAR_WIDTH
from reports.front import Board, BoardRow, Found
from reports.view import EarlierResult, GrowerReport
from tests.render.demo_variants import EARLIER, ONE_EARLIER, earlier, many, one
from tests.render.demo_world import field, laboratory, result, sample


def report(advice: FieldAdvice, **choices: Any) -> GrowerReport:
    return build_report(advice, laboratory(), **choices)


def about(page: GrowerReport, name: str) -> Found:
    return next(found for found in page.found if found.sentences.startswith(name))


def board(advice: FieldAdvice, name: str = "Phosphorus", **choices: Any) -> Board:
    (only,) = about(report(advice, **choices), name).boards
    return only


def years(past: tuple[EarlierResult, ...], advice: FieldAdvice | None = None) -> BoardRow:
    row = board(advice or one(), earlier=past).rows[0]
    assert row.kind == "earlier"
    assert row.lane is not None
    return row


def xs(path: str) -> list[float]:
    return [float(x) for x in re.findall(r"M(-?[\d.]+) ", path)]


def test_the_answer_stands_above_its_board() -> None:
    found = about(report(field()), "Phosphorus")
    assert (
        found.sentences
        == "Phosphorus is low in North and West. It has no class in South. It is a close call in West."
    )
    assert found.outlook == "may run short"


def test_words_and_limits_stand_once_at_the_head() -> None:
    shown = board(field())
    assert shown.head is not None
    assert [word.text for word in shown.head.words] == [
        "very low", "low", "medium", "high", "very high", "6", "12", "20", "35",
    ]  # fmt: skip
    assert (
        shown.head.alt
        == "Scale of Phosphorus: very low at the start, then low 6, medium 12, high 20, very high 35."
    )
    assert [[word.text for word in row.lane.words] for row in shown.rows if row.lane] == [["low"], ["low"]]


def test_the_box_and_the_marker_stand_in_the_column_of_the_class() -> None:
    lane = board(one()).rows[0].lane
    assert lane is not None
    (box,) = lane.boxes
    assert (box.x, box.width) == (68.0, 68.0)  # the second of five
    marker = xs(lane.marks)[-1] + 4.5  # 9 mg/kg is half way from 6 to 12
    assert marker == pytest.approx(102.0)
    low, high = xs(lane.marks)[:2][0], float(re.findall(r"H([\d.]+)", lane.marks)[0])
    assert (low, high) == (pytest.approx(90.7, abs=0.1), pytest.approx(113.3, abs=0.1))  # 8 to 10


def test_a_value_without_class_says_why_and_alike_reasons_share_a_line() -> None:
    refusal = Refusal(key="method-not-valid", values={"input": "ph", "found": 8.1, "limit": 7.4})
    results = tuple(
        result(s.lab_number, "P", 9.0 + n, None, limits=(), table=None, refusal=refusal)
        for n, s in enumerate(field().samples[1:])
    )
    shown = board(field(results=(result("Q26-0411"), *results)))
    last = shown.rows[-1]
    assert last.who == ("West and South",)
    assert (last.lane, last.value) == (None, "9.0 to 10.0 mg/kg")
    assert last.remark.startswith("No class: This test does not suit this soil.")


def test_what_has_no_class_at_all_is_named_last_with_its_values() -> None:
    refused = Refusal(key="no-table", values={"failed": "analyte"})
    advice = one(results=(
        result("Q26-0411", "Zn", 0.5, None, limits=(), table=None, refusal=refused), result("Q26-0411"),
    ))  # fmt: skip
    last = report(advice).found[-1]
    assert last.sentences == "No class for: Zinc. The values stand below, with the reason."
    (shown,) = last.boards
    assert [(row.who, row.value) for row in shown.rows] == [(("Zinc",), "0.5 ± 1.0 mg/kg")]
    assert "no classes for this test" in shown.rows[0].remark


def test_samples_on_different_scales_get_a_board_each() -> None:
    others = tuple(ClassLimit(name=n, lower=b) for n, b in zip(("low", "high"), (0.0, 30.0), strict=True))
    advice = field(
        results=(result("Q26-0411"), result("Q26-0412", limits=others, class_name="low", class_index=0))
    )
    first, second = about(report(advice), "Phosphorus").boards
    assert [row.who for row in (*first.rows, *second.rows)] == [("North",), ("West",)]
    assert second.head is not None
    assert [word.text for word in second.head.words] == ["low", "high", "30"]


# -------------------------------------------------------------------------------------- earlier years


def test_earlier_years_stand_above_now_with_a_sentence() -> None:
    row = years(ONE_EARLIER)
    assert row.who == ("2018", "2020", "2022", "2024")
    assert row.value == "2018: less than 5; 2020: 6.0; 2022: 7.0; 2024: 8.0; now 9.0"
    assert row.lane is not None
    assert row.lane.alt == f"Phosphorus over the years: {row.value}."


@pytest.mark.parametrize(
    ("places", "told"),
    [
        (("North", "West"), "2024: 7.0 (mean of 2); now 10.0 (mean of 2)"),  # (8 + 12) / 2, without South
        (("West",), "2024: 7.0; now 12.0"),
        # None of these names: who knows which place it was. (8 + 12 + 31) / 3
        (("Hill",), "2024: 7.0; now 17.0 (mean of 3)"),
    ],
)
def test_now_is_told_of_the_places_that_were_there_before(places: tuple[str, ...], told: str) -> None:
    past = tuple(earlier(name, "P", 2024, 7.0) for name in places)
    now = tuple(
        result(number, value=value)
        for number, value in (("Q26-0411", 8.0), ("Q26-0412", 12.0), ("Q26-0413", 31.0))
    )
    page = build_report(field(results=now, amounts=(), notes=()), laboratory(), earlier=past)
    assert page.found[0].boards[0].rows[0].value == told


def test_a_ring_is_the_value_an_arrow_a_limit_and_no_line_joins_them() -> None:
    lane = years(ONE_EARLIER).lane
    assert lane is not None
    rings = [x + 4 for x in xs(lane.hollow)[:3]]
    assert rings == [68.0, pytest.approx(79.3), pytest.approx(90.7)]  # 6, 7 and 8 between 6 and 12
    assert xs(lane.hollow)[3] == pytest.approx(56.7)  # below 5, between 0 and 6
    assert lane.dots == ""
    assert lane.marks == ""


def test_several_samples_of_a_year_are_dots_with_their_mean() -> None:
    past = tuple(earlier(name, "P", 2024, value) for name, value in (("A", 6.0), ("B", 9.0), ("C", 12.0)))
    row = years(past)
    assert row.value == "2024: 9.0 (mean of 3); now 9.0"
    assert row.lane is not None
    assert xs(row.lane.dots) == [68.0, 102.0, 136.0]
    assert [x + 4 for x in xs(row.lane.hollow)] == [102.0]


def test_a_year_with_a_value_below_a_limit_has_no_mean() -> None:
    row = years((earlier("A", "P", 2024, 8.0), earlier("B", "P", 2024, None, 5.0)))
    assert row.value == "2024: less than 5 and 8.0; now 9.0"
    assert row.lane is not None
    assert len(xs(row.lane.dots)) == 1
    assert len(xs(row.lane.hollow)) == 1  # the arrow alone


def test_two_visits_in_a_year_are_told_by_month() -> None:
    spring = earlier("A", "P", 2024, 8.0)
    autumn = spring.model_copy(update={"sampled_on": spring.sampled_on.replace(month=10), "value": 7.0})
    assert years((autumn, spring)).who == ("March 2024", "October 2024")


def test_only_the_same_test_is_set_beside_this_year() -> None:
    other = ONE_EARLIER[1].model_copy(update={"method": "olsen-1:20-colour"})
    unit = ONE_EARLIER[1].model_copy(update={"unit": "mg/dm3"})
    shown = board(one(), earlier=(other, unit, earlier("A", "K", 2022, 1.0)))
    assert [row.kind for row in shown.rows] == ["now"]


def test_of_many_years_the_last_five_are_drawn() -> None:
    past = tuple(earlier("A", "P", year, 8.0) for year in range(2010, 2026))
    assert years(past).who == ("2021", "2022", "2023", "2024", "2025")


def test_on_several_scales_earlier_years_stand_with_the_places_they_belong_to() -> None:
    others = tuple(ClassLimit(name=n, lower=b) for n, b in zip(("low", "high"), (0.0, 30.0), strict=True))
    advice = field(
        results=(result("Q26-0411"), result("Q26-0412", limits=others, class_name="low", class_index=0))
    )
    past = (earlier("North", "P", 2024, 8.0), earlier("Elsewhere", "P", 2024, 20.0))
    first, second = about(report(advice, earlier=past), "Phosphorus").boards
    assert first.rows[0].value == "2024: 8.0; now 9.0"
    assert [row.kind for row in second.rows] == ["now"]


def test_how_to_read_earlier_years_is_told_where_there_are_some() -> None:
    assert "A few years do not make a trend." in report(field(), earlier=EARLIER).scale_help
    assert "trend" not in report(field()).scale_help


# -------------------------------------------------------------------------------------- many samples


def test_many_samples_share_a_lane_that_counts_them() -> None:
    shown = board(many(40))
    (row,) = shown.rows
    assert row.who == ("40 samples",)
    assert row.value == "3.0 to 37.0 mg/kg"
    assert row.lane is not None
    assert (
        row.lane.alt
        == "Phosphorus, samples in each class: very low 8, low 9, medium 8, high 13, very high 2."
    )
    assert [word.text for word in row.lane.words] == ["8", "9", "8", "13", "2"]
    assert sum(row.lane.dots.count(move) for move in "M") == 40
    assert all(0 <= x <= BAR_WIDTH for x in xs(row.lane.dots))
    assert len(board(many(MANY)).rows) == MANY


def test_of_many_samples_the_sentence_says_where_a_crop_may_run_short() -> None:
    said = {found.boards[0].title: found for found in report(many(40)).found}
    assert said["Phosphorus"].sentences == (
        "Phosphorus may run short in 25 of 40 samples. It is a close call in Zone 16, Zone 17, and Zone 18."
    )
    assert said["Phosphorus"].outlook == ""  # the sentence says it
    assert said["Soil pH"].sentences.startswith("Soil pH is acid in 15 of 40 samples.")
    base = many(40)
    enough = tuple(r.model_copy(update={"class_index": 4}) for r in base.results if r.analyte == "P")
    (alone,) = report(base.model_copy(update={"results": enough})).found
    assert alone.sentences.startswith("Phosphorus is enough in all 40 samples.")


def test_the_class_of_every_one_of_many_samples_is_in_a_table() -> None:
    (table,) = report(many(40)).classes
    assert [name for name, _ in table.head] == ["Soil pH", "Phosphorus", "Potassium", "Nitrate nitrogen"]
    assert len(table.rows) == 40
    name, cells = table.rows[0]
    assert name == "Zone 1"
    assert [(cell.value, cell.word, cell.style) for cell in cells][1] == ("3.0", "very low", "c0")
    assert table.rows[4][1][3].value == "< 2"
    assert report(many(MANY)).classes == ()


def test_a_table_of_many_samples_says_what_was_not_measured_or_has_no_class() -> None:
    base = many(40)
    gone = base.results[0].lab_number
    refused = Refusal(key="no-table", values={"failed": "crop"})
    results = tuple(
        r.model_copy(update={"class_name": None, "class_index": None, "limits": (), "refusal": refused})
        if r.lab_number == base.results[4].lab_number and r.analyte == "P" else r
        for r in base.results if not (r.lab_number == gone and r.analyte == "K")
    )  # fmt: skip
    (table,) = report(base.model_copy(update={"results": results})).classes
    assert [(c.value, c.word, c.style) for c in (table.rows[0][1][2], table.rows[1][1][1])] == [
        ("–", "", ""), ("3.1", "no class", ""),
    ]  # fmt: skip


def test_more_analytes_than_fit_across_make_a_second_table() -> None:
    numbers = [f"S{n}" for n in range(MANY + 1)]
    results = tuple(
        result(number, "P").model_copy(update={"analyte": analyte, "method": analyte})
        for number in numbers for analyte in ("P", "K", "Ca", "Mg", "Zn", "Cu", "Mn")
    )  # fmt: skip
    page = report(field(samples=tuple(sample(n, n) for n in numbers), results=results, amounts=(), notes=()))
    assert [len(table.head) for table in page.classes] == [6, 1]
