"""A visit: its plan, tried out and stored, and what is advised under it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from service.actions import advising
from service.actions.advising import Plan, advised, context, plan_of, set_plan
from service.callers import operator
from service.pages.advising import shown_plan, typed_plan
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from service.store import schema
from tests.app.server.conftest import World
from tests.app.server.land import P, add_field, add_value, add_visit, advised_land
from tests.app.server.tokens import program


def plan(**changes: Any) -> Plan:
    return Plan(**({"crop": "maize", "yield_goal": 9.5, "previous_crop": "winter-wheat"} | changes))


def audit(world: World) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(schema.audit).order_by("id")))


def test_a_visit_is_advised_on_under_its_own_plan(world: World) -> None:
    land = advised_land(world)
    found = advised(world.site, world.caller("agent"), land.visits[0])
    assert found.advice is not None
    classes = {(r.lab_number, r.analyte): r.class_name for r in found.advice.results}
    assert (classes["004811", "P"], classes["004812", "P"]) == ("low", "medium")
    assert (found.advice.crop, found.advice.yield_goal, found.advice.grower_name) == (
        "maize", 9.5, "E. Marlowe-Quint"
    )  # fmt: skip
    assert {a.nutrient for a in found.advice.amounts if a.rate is not None} >= {"P2O5", "K2O", "lime"}
    assert {r.origin for r in found.advice.results} == {"run BR-0412"}


def test_a_superseded_value_is_not_advised_on(world: World) -> None:
    land = add_field(world)
    add_visit(world, land)
    with world.site.database.housekeeping(operator()) as look:
        at = look.now
    add_value(world, land.samples[0], P, 2.0, superseded_at=at)
    add_value(world, land.samples[0], P, 22.0)
    found = advised(world.site, world.caller("agent"), land.visits[0])
    assert found.advice is not None
    assert [result.value for result in found.advice.results] == [22.0]


def test_another_plan_is_tried_without_storing_it(world: World) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    tried = advised(world.site, agent, land.visits[0], plan(crop="potato", yield_goal=40))
    assert tried.advice is not None
    assert tried.advice.crop == "potato"
    assert advising.visit(world.site, agent, land.visits[0]).plan.crop == "maize"
    assert audit(world) == []
    with pytest.raises(Invalid, match="unknown crop 'triffid'"):
        advised(world.site, agent, land.visits[0], plan(crop="triffid"))


def test_a_plan_is_stored_with_what_it_was_before(world: World) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    wanted = plan(
        crop="potato", near_water=True, manured_since_harvest=True, comment="call E. Rowe first",
        tillage="as E. Rowe ploughs",
    )  # fmt: skip
    assert set_plan(world.site, agent, land.visits[0], 1, wanted) == 2
    stored = advising.visit(world.site, agent, land.visits[0])
    assert (plan_of(stored), stored.version) == (wanted, 2)
    (line,) = audit(world)
    assert (line.verb, line.kind, line.object_id) == ("plan", "visit", str(land.visits[0]))
    assert line.before == {"crop": "maize", "manured_since_harvest": None, "near_water": False}
    assert line.after["changed"] == ["comment", "crop", "manured_since_harvest", "near_water", "tillage"]
    assert "Rowe" not in str(line.after)


def test_two_people_do_not_overwrite_each_others_plan(world: World) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    set_plan(world.site, agent, land.visits[0], 1, plan(crop="potato"))
    with pytest.raises(Conflict, match="somebody else has changed this plan"):
        set_plan(world.site, agent, land.visits[0], 1, plan(crop="soybean"))
    assert advising.visit(world.site, agent, land.visits[0]).plan.crop == "potato"
    assert len(audit(world)) == 1


def test_only_an_agent_plans_and_only_what_is_ones_own_is_there(world: World) -> None:
    land = advised_land(world)
    for person, refusal in (
        ("laboratory", NotAllowed), ("agronomist", NotAllowed), ("other-agent", NotFound),
    ):  # fmt: skip
        with pytest.raises(refusal):
            set_plan(world.site, world.caller(person), land.visits[0], 1, plan())
    for person in ("other-agent", "other-laboratory"):
        with pytest.raises(NotFound):
            advised(world.site, world.caller(person), land.visits[0])
    assert advised(world.site, world.caller("laboratory"), land.visits[0]).advice is not None


@pytest.mark.parametrize(
    ("manured", "given", "counted"),
    [(None, None, 0.0), (False, None, 0.0), (True, None, np.nan), (True, 40.0, 40.0), (None, 0.0, 0.0)],
)
def test_blank_manure_is_none_unless_manure_came(
    lite_world: World, manured: bool | None, given: float | None, counted: float
) -> None:
    land = advised_land(lite_world)
    found = advising.samples(lite_world.site, lite_world.caller("agent"), land.visits[0])
    asked = plan(manured_since_harvest=manured, manure_n_kg_per_ha=given)
    frame = context(found.visit, found.samples, asked)
    np.testing.assert_array_equal(frame["manure_n_kg_per_ha"].to_numpy(), [counted, counted])


@pytest.mark.parametrize(
    "wrong",
    [
        {"yield_goal": 0}, {"yield_goal": 20_001}, {"yield_goal": float("nan")}, {"yield_unit": "sack"},
        {"manure_n_kg_per_ha": -1}, {"manure_k2o_kg_per_ha": 2001}, {"comment": "x" * 4001},
        {"tillage": "a\u202eb"}, {"comment": "a\x00b"}, {"field_id": 3},
    ],
)  # fmt: skip
def test_an_impossible_plan_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="validation error"):
        plan(**wrong)


def test_the_ends_of_what_a_plan_may_say_are_taken() -> None:
    assert plan(yield_goal=20_000, manure_n_kg_per_ha=0, manure_k2o_kg_per_ha=2000).yield_goal == 20_000
    assert plan(comment="two\r\nlines").comment == "two\nlines"


# ---------------------------------------------------------------------------------------------- pages


def test_the_page_shows_amounts_classes_working_and_reasons(lite_world: World) -> None:
    land = advised_land(lite_world)
    path = f"/visits/{land.visits[0]}"
    page = lite_world.client("agent").get(path).text
    for text in (
        "Long Meadow, sampled April 2, 2026",
        "kg/ha",
        "What to do",
        "very low",
        "<summary>",
        "<svg",
    ):
        assert text in page, text
    assert f'formaction="{path}/plan"' in page
    assert "formaction" not in lite_world.client("laboratory").get(path).text
    american = lite_world.client("agent").get(f"{path}?units=us").text
    assert "lb/ac" in american.partition('id="advice"')[2]


def test_a_plan_is_tried_by_address_and_saved_by_form(lite_world: World) -> None:
    land = advised_land(lite_world)
    client = lite_world.client("agent")
    path = f"/visits/{land.visits[0]}"
    tried = client.get(f"{path}?crop=potato&yield_goal=40&units=metric")
    assert "It is not stored yet" in tried.text
    assert '<option value="potato" selected>' in tried.text
    assert "It is not stored yet" not in client.get(path).text
    token = {"form_token": lite_world.form_token(client), "version": "1"}
    saved = client.post(
        f"{path}/plan", data=token | {"crop": "potato", "yield_goal": "40", "near_water": "yes"}
    )
    assert (saved.status_code, saved.headers["location"]) == (303, f"{path}?done=advising.done-plan")
    stale = client.post(f"{path}/plan", data=token | {"crop": "soybean"})
    assert (stale.status_code, "somebody else has changed" in stale.text) == (422, True)


@pytest.mark.parametrize("goal", [9.5, 12345.678, 17.333333, 0.00001, 20000.0])
def test_a_form_that_is_sent_back_as_it_was_shown_changes_no_number(goal: float) -> None:
    shown = shown_plan(plan(yield_goal=goal, manure_n_kg_per_ha=1 / 3, manure_k2o_kg_per_ha=0.0))
    assert typed_plan(shown, "") == plan(yield_goal=goal, manure_n_kg_per_ha=1 / 3, manure_k2o_kg_per_ha=0.0)


def test_a_mistake_in_the_plan_is_said_beside_its_field(lite_world: World) -> None:
    land = advised_land(lite_world)
    client = lite_world.client("agent")
    path = f"/visits/{land.visits[0]}"
    for goal in ("1.234,5", "1_000", "1e3", "+9", "9.", "\u0661\u0662", "0x10", "inf"):
        wrong = client.get(path, params={"crop": "maize", "yield_goal": goal})
        assert (wrong.status_code, 'id="e-yield_goal"' in wrong.text) == (422, True), goal
        assert f'value="{goal}"' in wrong.text
    unknown = client.get(f"{path}?crop=triffid")
    assert (unknown.status_code, 'id="e-crop"' in unknown.text) == (422, True)
    assert client.get("/visits/999").status_code == 404
    assert client.get("/visits/99999999999999999999").status_code == 404


def test_other_crops_that_were_asked_for_are_one_step_away(lite_world: World) -> None:
    land = advised_land(lite_world)
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.sampling.update().values(other_crops=["potato"]))
    client = lite_world.client("agent")
    path = f"/visits/{land.visits[0]}"
    assert f'href="{path}?crop=potato&amp;units=metric"' in client.get(path).text
    tried = client.get(f"{path}?crop=potato&units=metric").text
    assert "It is not stored yet" in tried
    assert "run BR-0412" in tried  # where each value comes from
    assert '<a href="/samples/1">' in tried  # what stands and what was superseded


def test_a_visit_without_values_says_so(lite_world: World) -> None:
    land = add_field(lite_world)
    add_visit(lite_world, land)
    page = lite_world.client("agent").get(f"/visits/{land.visits[0]}")
    assert (page.status_code, "No values have come" in page.text) == (200, True)
    assert f"/visits/{land.visits[0]}/report" not in page.text


def test_what_was_typed_is_shown_and_not_run(lite_world: World) -> None:
    land = advised_land(lite_world)
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.field.update().values(name="<script>x</script>"))
        look.connection.execute(schema.sample.update().values(label='"><b>'))
    for path in (
        f"/visits/{land.visits[0]}",
        f"/visits/{land.visits[0]}/map",
        f"/fields/{land.field}",
        "/fields",
    ):
        page = lite_world.client("agent").get(path).text
        assert "<script>x" not in page
        assert '"><b>' not in page


# ------------------------------------------------------------------------------------------------ API


def test_programs_read_change_and_try_a_plan(lite_world: World) -> None:
    land = advised_land(lite_world)
    asking = program(lite_world, "agent")
    path = f"/api/v1/visits/{land.visits[0]}"
    told = asking.get(f"{path}/plan").json()
    assert (told["version"], told["plan"]["crop"], told["plan"]["yield_goal"]) == (1, "maize", 9.5)
    changed = asking.put(f"{path}/plan", json={"version": 1, "crop": "potato", "yield_goal": 40})
    assert (changed.status_code, changed.json()["version"]) == (200, 2)
    assert asking.put(f"{path}/plan", json={"version": 1, "crop": "maize"}).status_code == 409
    assert asking.put(f"{path}/plan", json={"version": 2, "crop": "triffid"}).status_code == 422
    assert asking.put(f"{path}/plan", json={"version": 2, "crop": "maize", "id": 1}).status_code == 422
    assert asking.get(f"{path}/advice").json()["crop"] == "potato"
    assert asking.post(f"{path}/advice", json={"crop": "maize"}).json()["crop"] == "maize"
    assert asking.get(f"{path}/advice").json()["crop"] == "potato"
    assert program(lite_world, "other-agent").get(f"{path}/advice").status_code == 404


def test_programs_type_values_and_walk_in(lite_world: World) -> None:
    land = advised_land(lite_world)
    asking = program(lite_world, "agent")
    value = {
        "lab_number": "004811", "analyte": "P", "form": "P", "method": "olsen-1:20-colour", "value": 14.25,
        "unit": "mg/kg", "basis": "air-dry", "origin": "Fenwater 77",
    }  # fmt: skip
    path = f"/api/v1/visits/{land.visits[0]}/values"
    assert asking.post(path, json={"values": [value]}).json() == {"stored": 1, "superseded": 0}
    both = asking.post(path, json={"values": [value | {"below": 2.0}]})
    assert (both.status_code, "not a number" in both.json()["title"]) == (422, True)
    made = asking.post(
        "/api/v1/walk-ins",
        json={
            "grower_name": "R. Osmund", "farm_name": "Brake", "field_name": "Acre", "county_id": "upper",
            "sampled_on": "2026-04-01", "crop": "maize",
            "samples": [{"label": "all", "depth_from_cm": 0, "depth_to_cm": 20}],
            "values": [value | {"lab_number": "1", "value": None, "below": 0.5}],
        },
    )  # fmt: skip
    assert (made.status_code, made.json()["stored"]) == (201, 1)
    advice = asking.get(f"/api/v1/visits/{made.json()['visit_id']}/advice").json()
    assert (advice["results"][0]["below"], advice["results"][0]["origin"]) == (0.5, "Fenwater 77")


@pytest.mark.parametrize(
    "wrong",
    [
        {"lab_number": "N" * 64 + "X"}, {"value": True}, {"value": "14"},
        {"value": None, "below": True}, {"standard_uncertainty": True},
    ],
)  # fmt: skip
def test_a_typed_value_is_of_the_very_sample_and_a_number(lite_world: World, wrong: dict[str, Any]) -> None:
    land = add_field(lite_world)
    add_visit(lite_world, land, samples=("N" * 64,))
    value = {
        "lab_number": "N" * 64, "analyte": "P", "form": "P", "method": "olsen-1:20-colour", "value": 14,
        "unit": "mg/kg", "basis": "air-dry", "origin": "Fenwater 77",
    }  # fmt: skip
    asking = program(lite_world, "agent")
    path = f"/api/v1/visits/{land.visits[0]}/values"
    refused = asking.post(path, json={"values": [value | wrong]})
    assert (refused.status_code, refused.json()["title"]) == (422, "the request is not as described")
    assert list(wrong)[-1] in refused.json()["errors"][0]["pointer"]
    assert asking.post(path, json={"values": [value]}).json() == {"stored": 1, "superseded": 0}


@pytest.mark.parametrize("digits", [10, 30, 5000])
def test_a_version_of_many_digits_is_one_that_nobody_has_seen(world: World, digits: int) -> None:
    land = advised_land(world)
    client = world.client("agent")
    form = {
        "form_token": world.form_token(client),
        "version": "9" * digits,
        "crop": "maize",
        "comment": "new",
    }
    for path in ("plan", "comment", "report"):
        answer = client.post(f"/visits/{land.visits[0]}/{path}", data=form)
        assert answer.status_code in (409, 422), path
    assert advising.visit(world.site, world.caller("agent"), land.visits[0]).version == 1


@pytest.mark.parametrize("name", ["grower_code", "field_code", "county_id"])
def test_a_code_longer_than_any_is_refused(lite_world: World, name: str) -> None:
    body = {
        "grower_name": "R. Osmund", "farm_name": "Brake", "field_name": "Acre", "county_id": "upper",
        "sampled_on": "2026-04-01", "crop": "maize", "samples": [{"depth_from_cm": 0, "depth_to_cm": 20}],
        "values": [
            {"lab_number": "1", "analyte": "P", "form": "P", "method": "olsen-1:20-colour", "value": 14,
             "unit": "mg/kg", "basis": "air-dry", "origin": "Fenwater 77"},
        ],
    }  # fmt: skip
    refused = program(lite_world, "agent").post("/api/v1/walk-ins", json=body | {name: "c" * 65})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == f"#/{name}"


def test_advice_without_values_is_not_found(lite_world: World) -> None:
    land = add_field(lite_world)
    add_visit(lite_world, land)
    answer = program(lite_world, "agent").get(f"/api/v1/visits/{land.visits[0]}/advice")
    assert (answer.status_code, answer.json()["title"]) == (404, "no values have come for this visit yet")
