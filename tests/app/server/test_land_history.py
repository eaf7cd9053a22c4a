"""What was found on a field over the years, as numbers and as pictures."""

from __future__ import annotations

import re
from datetime import date
from itertools import pairwise
from typing import Any

import pytest
import sqlalchemy as sa

from interpretation.agronomy.tables import TableSet
from reports.findings import READ_FIRST
from service.actions import land
from service.callers import operator
from service.pages.drawing.numbers import numbers
from service.pages.drawing.years import BOTTOM, CHARACTER_WIDTH, LEFT, RIGHT, TOP, Years, years
from service.store import schema
from tests.app.server.conftest import World
from tests.app.server.land import PH, K, Land, P, add_field, add_value, add_visit
from tests.app.server.tokens import program


def decade(world: World) -> Land:
    """Ten springs of two samples each: phosphorus rising by one a year."""
    land_ = add_field(world)
    for year in range(2017, 2027):
        add_visit(world, land_, date(year, 4, 2), (f"{year}-1", f"{year}-2"))
        north, east = land_.samples[-2:]
        for sample, p in ((north, year - 2010.0), (east, year - 2008.0)):
            add_value(world, sample, P, p)
            add_value(world, sample, PH, 6.25)
    return land_


def drawn(world: World, field: int, tables: TableSet, language: str = "en") -> Years:
    past = land.past(world.site, world.caller("agent"), field)
    return years(past.visits, past.found, tables.methods, numbers(language), READ_FIRST)


def test_ten_years_are_read_newest_first_without_what_was_superseded(world: World, tables: TableSet) -> None:
    land_ = decade(world)
    with world.site.database.housekeeping(operator()) as look:
        old = look.connection.execute(
            sa.select(schema.soil_value.c.id).where(
                schema.soil_value.c.sample_id == land_.samples[-1], schema.soil_value.c.analyte == "P"
            )
        ).scalar_one()
        look.connection.execute(
            schema.soil_value.update().where(schema.soil_value.c.id == old).values(superseded_at=look.now)
        )
    newer = add_value(world, land_.samples[-1], P, 40.0)
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(
            schema.soil_value.update().where(schema.soil_value.c.id == old).values(superseded_by=newer)
        )
    shown = drawn(world, land_.field, tables)
    assert [line.sampled_on.year for line in shown.visits] == list(range(2026, 2016, -1))
    assert [picture.key[0] for picture in shown.pictures] == ["pH", "P"]  # in the order of reading
    newest = shown.visits[0].cells
    assert newest == "<td>6.3 (6.3; 6.3)</td><td>28.0 (16.0; 40.0)</td>"
    assert "18.0" not in newest
    phosphorus = shown.pictures[1]
    assert (phosphorus.first, phosphorus.last) == ("8.0", "28.0")
    assert phosphorus.drawing.count("h0") == 20  # a dot a sample


def test_samples_are_dots_and_their_mean_stands_on_the_line(lite_world: World, tables: TableSet) -> None:
    land_ = decade(lite_world)
    picture = drawn(lite_world, land_.field, tables).pictures[1].drawing
    line = re.search(r'polyline points="([^"]*)"', picture)
    assert line is not None
    means = [tuple(map(int, pair.split(","))) for pair in line[1].split()]
    dots = [tuple(map(int, pair)) for pair in re.findall(r"M(\d+) (\d+)h0", picture)]
    assert len(means) == 10
    for index, (x, y) in enumerate(means):
        (first, second) = dots[2 * index : 2 * index + 2]
        assert first[0] == second[0] == x
        assert abs(y - (first[1] + second[1]) / 2) <= 1  # the mean of the two, to a pixel
    assert [x for x, _ in means] == sorted(x for x, _ in means)
    assert [y for _, y in means] == sorted((y for _, y in means), reverse=True)  # rising values rise
    assert all(LEFT <= x <= RIGHT and TOP <= y <= BOTTOM for x, y in (*means, *dots))


def test_a_value_below_a_limit_has_a_mark_and_no_mean(lite_world: World, tables: TableSet) -> None:
    land_ = add_field(lite_world)
    for year, values in ((2024, (9.0, 11.0)), (2025, (9.0, None)), (2026, (None,))):
        add_visit(lite_world, land_, date(year, 4, 2), tuple(f"{year}-{n}" for n in range(len(values))))
        for sample, value in zip(land_.samples[-len(values) :], values, strict=True):
            add_value(lite_world, sample, P, value, None if value is not None else 2.5)
    shown = drawn(lite_world, land_.field, tables)
    assert [line.cells for line in shown.visits] == [
        "<td>&lt;2.5</td>", "<td>9.0; &lt;2.5</td>", "<td>10.0 (9.0; 11.0)</td>"
    ]  # fmt: skip
    picture = shown.pictures[0].drawing
    assert picture.count("h16l-8 14z") == 2
    line = re.search(r'polyline points="([^"]*)"', picture)
    assert line is not None
    assert len(line[1].split()) == 1


def test_values_that_count_differently_have_pictures_of_their_own(
    lite_world: World, tables: TableSet
) -> None:
    land_ = add_field(lite_world)
    add_visit(lite_world, land_)
    add_value(lite_world, land_.samples[0], P, 10.0)
    add_value(lite_world, land_.samples[0], ("P", "P2O5", "olsen-1:20-colour", "mg/kg", "air-dry"), 30.0)
    add_value(lite_world, land_.samples[0], K, 100.0)
    assert len(drawn(lite_world, land_.field, tables).pictures) == 3
    page = lite_world.client("agent").get(f"/fields/{land_.field}").text
    assert "Phosphorus (P₂O₅)" in page


@pytest.mark.parametrize(
    ("language", "value", "decimals", "text"),
    [
        ("en", 6.25, 1, "6.3"),  # half up, as reports print it
        ("en", 2.5, 0, "3"),
        ("en", 1234.5, 0, "1,235"),
        ("es", 6.25, 1, "6,3"),
        ("es", 12345.0, 0, "12.345"),
        ("en", -0.26, 1, "−0.3"),
        ("en", 0.04, 1, "0.0"),
        ("en", 999.96, 1, "1,000.0"),
    ],
)
def test_numbers_are_written_as_reports_write_them(
    language: str, value: float, decimals: int, text: str
) -> None:
    assert numbers(language).write(value, decimals) == text


def test_labels_that_would_touch_are_left_to_the_table(lite_world: World, tables: TableSet) -> None:
    land_ = add_field(lite_world)
    for month in range(1, 13):
        add_visit(lite_world, land_, date(2026, month, 2), (f"m{month}",))
        add_value(lite_world, land_.samples[-1], K, 100.0 + month)
    add_visit(lite_world, land_, date(2010, 4, 2), ("old",))
    add_value(lite_world, land_.samples[-1], K, 90.0)
    shown = drawn(lite_world, land_.field, tables)
    labels = shown.pictures[0].drawing.partition('<g class="labels">')[2]
    places = [int(x) for x in re.findall(r'x="(\d+)"', labels)]
    assert ">112<" in labels  # the newest is told
    assert ">90<" in labels
    assert all(a - b >= 4 * CHARACTER_WIDTH - 6 for a, b in pairwise(places))
    assert len(shown.visits) == 13  # and all stand in the table


def test_the_page_of_a_field_asks_the_database_three_times(lite_world: World) -> None:
    land_ = decade(lite_world)
    asked: list[str] = []

    def note(_c: Any, _cursor: Any, statement: str, *_: Any) -> None:
        asked.append(statement)

    agent = lite_world.caller("agent")
    sa.event.listen(lite_world.site.database.engine, "before_cursor_execute", note)
    land.past(lite_world.site, agent, land_.field)
    sa.event.remove(lite_world.site.database.engine, "before_cursor_execute", note)
    assert len([each for each in asked if each.startswith("SELECT")]) == 3


def test_a_field_without_visits_or_values_says_so(lite_world: World) -> None:
    empty, visited = add_field(lite_world, "A"), add_field(lite_world, "B")
    add_visit(lite_world, visited, samples=())
    client = lite_world.client("agent")
    assert "Nobody has taken samples here yet" in client.get(f"/fields/{empty.field}").text
    assert "No values have been released" in client.get(f"/fields/{visited.field}").text


def test_programs_read_the_history(lite_world: World) -> None:
    land_ = decade(lite_world)
    told = program(lite_world, "agent").get(f"/api/v1/fields/{land_.field}/history").json()
    assert [visit["id"] for visit in told] == land_.visits[::-1]
    value = told[0]["values"][0]
    assert (value["analyte"], value["value"], value["below"], value["unit"]) == ("P", 16.0, None, "mg/kg")
    assert program(lite_world, "other-agent").get(f"/api/v1/fields/{land_.field}/history").status_code == 404
