"""What a report is made from: kept, the same whichever way it was put together, enough to make it again."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest
import sqlalchemy as sa

from interpretation.agronomy.context import CONTEXT
from interpretation.soil_values import COLUMNS
from reports.render import html
from service.actions import reporting
from service.actions.advising import Plan, advise_on, context, context_rows
from service.actions.reporting import Asked, Wish, asked_for
from service.actions.reportinputs import ReportInputs, advise_each, frame_of, page_of, plain_rows, rows_of
from service.callers import operator
from service.store import schema, visits
from tests.app.server.conftest import World
from tests.app.server.land import PH, K, P, add_field, add_value, add_visit, advised_land

DAY = date(2026, 4, 1)


def asked(world: World, *visits: int) -> dict[int, Asked]:
    with world.site.database.look(world.caller("agent"), None) as look:
        found = asked_for(world.site, look, dict.fromkeys(visits, Wish()), DAY)
    assert all(isinstance(each, Asked) for each in found.values()), found
    return found  # type: ignore[return-value]


def test_inputs_go_through_json_unchanged(world: World) -> None:
    land = advised_land(world)
    inputs = asked(world, land.visits[0])[land.visits[0]].inputs
    again = ReportInputs.model_validate_json(inputs.model_dump_json())
    assert again == inputs
    assert again.text() == inputs.text()
    values = frame_of(inputs.values, COLUMNS)
    assert rows_of(values, COLUMNS) == inputs.values
    pd.testing.assert_frame_equal(frame_of(again.samples, CONTEXT), frame_of(inputs.samples, CONTEXT))


def test_advice_from_inputs_is_the_advice_on_the_visit(world: World) -> None:
    land = advised_land(world)
    visit = land.visits[0]
    each = asked(world, visit)[visit]
    with world.site.database.look(world.caller("agent"), None) as look:
        direct = advise_on(look, each.in_force.tables, visit).advice
    assert advise_each([each.inputs], each.in_force.tables) == (direct,)


def test_many_at_once_say_what_each_says_alone_in_any_order(world: World) -> None:
    land = advised_land(world)
    older = add_visit(world, land, date(2024, 4, 5), ("003001",))
    add_value(world, land.samples[-1], P, 7.0)
    other = add_field(world, "TC-2", name="Short Meadow")
    visits = [*land.visits, add_visit(world, other, samples=("004900", "004901"), crop="soybean")]
    add_value(world, other.samples[0], PH, 5.1)
    add_value(world, other.samples[1], K, None, below=20.0)
    assert older in visits
    found = asked(world, *visits)
    inputs = [found[visit].inputs for visit in visits]
    tables = found[visits[0]].in_force.tables
    alone = [advise_each([each], tables)[0] for each in inputs]
    assert list(advise_each(inputs, tables)) == alone
    assert list(advise_each(inputs[::-1], tables)) == alone[::-1]
    # A field twice in a batch: two visits to it, or a second try.
    assert list(advise_each([*inputs, *inputs], tables)) == [*alone, *alone]


def test_earlier_values_are_those_that_can_be_set_beside_this_year(world: World) -> None:
    land = advised_land(world)
    add_visit(world, land, date(2024, 4, 5), ("003001",))
    add_value(world, land.samples[-1], P, 7.0)
    add_value(world, land.samples[-1], ("P", "P", "olsen-1:20-colour", "mg/kg", "air-dry"), 11.0)  # not alike
    add_visit(world, land, date(2022, 4, 5), ("002001",))
    add_value(world, land.samples[-1], P, None, below=2.0)
    add_visit(world, land, date(2027, 4, 5), ("009001",))  # later
    add_value(world, land.samples[-1], P, 30.0)
    deep = add_field(world, "TC-2", name="Short Meadow")  # of another field
    add_visit(world, deep, date(2023, 4, 5), ("002500",))
    add_value(world, deep.samples[-1], P, 5.0)
    earlier = asked(world, land.visits[0])[land.visits[0]].inputs.earlier
    assert [(e.sampled_on.year, e.analyte, e.value, e.below) for e in earlier] == [
        (2024, "P", 7.0, None), (2022, "P", None, 2.0),
    ]  # fmt: skip


def test_a_visit_that_cannot_be_reported_does_not_hold_up_the_others(world: World) -> None:
    land = advised_land(world)
    with world.site.database.look(world.caller("agent"), None) as look:
        found = asked_for(world.site, look, {999_999: Wish(), land.visits[0]: Wish(replaces="AAAA")}, DAY)
        assert str(found[999_999]).startswith("there is no such visit")
        assert "no report AAAA of this visit is left to replace" in str(found[land.visits[0]])
        again = asked_for(world.site, look, {999_999: Wish(), land.visits[0]: Wish()}, DAY)
        assert isinstance(again[land.visits[0]], Asked)


def test_the_identity_follows_from_everything_that_is_printed(world: World) -> None:
    land = advised_land(world)
    visit = land.visits[0]
    first = asked(world, visit)[visit].inputs
    assert asked(world, visit)[visit].inputs.card.report_id == first.card.report_id
    blank = first.model_copy(update={"card": first.card.model_copy(update={"report_id": "-"})})
    changed = {
        "language": "es", "units": "us", "paper": "letter", "earlier": (),
        "card": blank.card.model_copy(update={"phone": "555"}),
    }  # fmt: skip
    identities = {blank.on(DAY).card.report_id, blank.on(date(2026, 4, 2)).card.report_id}
    for name, value in changed.items():
        if getattr(blank, name) != value:
            identities.add(blank.model_copy(update={name: value}).on(DAY).card.report_id)
    assert len(identities) >= 6


def test_a_report_keeps_what_it_was_made_from(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reporting, "pdf", lambda page, paper: f"%PDF {paper} {html(page)}".encode())
    land = advised_land(world)
    row = reporting.issue(world.site, world.caller("agent"), land.visits[0], Wish())
    with world.site.database.look(operator(), None) as look:
        stored = look.connection.execute(
            sa.select(schema.report.c.inputs, schema.report.c.advice).where(schema.report.c.id == row.id)
        ).one()
        tables = world.site.in_force(look).tables
    inputs = ReportInputs.model_validate(stored.inputs)
    (advice,) = advise_each([inputs], tables)
    assert advice.model_dump(mode="json") == stored.advice
    _, content = reporting.document(world.site, world.caller("agent"), row.id)
    assert f"%PDF a4 {html(page_of(inputs, advice, tables))}".encode() == content


def test_rows_of_the_database_and_of_a_frame_are_written_alike() -> None:
    row = dict.fromkeys(COLUMNS, "x") | {
        "value": 3, "standard_uncertainty": None, "below": float("nan"), "depth_from_cm": 0.1 + 0.2,
        "depth_to_cm": 20, "sampled_on": date(2026, 3, 1),
    }  # fmt: skip
    (written,) = plain_rows([row], COLUMNS)
    assert written["value"] == 3.0
    assert isinstance(written["value"], float)
    assert written["below"] is None
    assert written["sampled_on"] == "2026-03-01"
    assert rows_of(frame_of([written], COLUMNS), COLUMNS) == (written,)


@pytest.mark.parametrize("manured", [None, False, True])
def test_what_is_known_of_samples_is_the_same_with_and_without_a_frame(
    world: World, manured: bool | None
) -> None:
    land = advised_land(world)
    plan = Plan(
        crop="maize", yield_goal=9.5, manured_since_harvest=manured, manured_in_three_years=manured,
        manure_n_kg_per_ha=40, near_water=True,
    )  # fmt: skip
    with world.site.database.look(world.caller("agent"), None) as look:
        visit = visits.the_visit(look, land.visits[0])
        samples = visits.samples_of(look, land.visits[0])
    found = plain_rows(context_rows(visit, samples, plan), CONTEXT)
    framed = rows_of(context(visit, samples, plan), CONTEXT)
    assert found == framed
    assert [[type(value) for value in row.values()] for row in found] == [
        [type(value) for value in row.values()] for row in framed
    ]
