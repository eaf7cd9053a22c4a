"""Values typed from any laboratory's paper, onto a visit or with a visit made for them."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
import sqlalchemy as sa

from interpretation.errors import FurrowsliceError, SampleListError
from service.actions import advising, papers
from service.actions.advising import Plan
from service.actions.papers import TypedSample, TypedValue, WalkIn
from service.callers import operator
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from service.store import schema, values
from tests.app.server.conftest import World
from tests.app.server.land import P, add_field, add_value, add_visit, advised_land

PAPER = "Fenwater Laboratory, paper 77-1"


def typed(sample: str = "004811", **changes: str) -> TypedValue:
    given = {
        "sample": sample, "analyte": "P", "form": "P", "method": "olsen-1:20-colour", "value": "14",
        "unit": "mg/kg", "basis": "air-dry",
    }  # fmt: skip
    return TypedValue(**(given | changes))


def paper(**changes: Any) -> WalkIn:
    given: dict[str, Any] = {
        "grower_name": "R. Osmund", "farm_name": "Brake Farm", "field_name": "Mill Acre",
        "county_id": "upper", "area_ha": "4.5", "sampled_on": date(2026, 4, 1),
        "plan": Plan(crop="maize", yield_goal=9.5), "origin": PAPER,
        "samples": (TypedSample(label="all", depth_from_cm="0", depth_to_cm="20", texture="silt loam"),),
        "values": (typed("1"),),
    }  # fmt: skip
    return WalkIn(**(given | changes))


def stored(world: World) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(schema.soil_value).order_by("id")))


def test_a_walk_in_makes_grower_field_visit_sample_and_value(world: World) -> None:
    agent = world.caller("agent")
    made = papers.walk_in(world.site, agent, paper())
    found = advising.advised(world.site, agent, made.visit_id)
    assert (found.visit.grower_name, found.visit.farm_name, found.visit.field_name) == (
        "R. Osmund", "Brake Farm", "Mill Acre"
    )  # fmt: skip
    assert (found.visit.region, found.visit.area_ha, found.visit.plan.yield_goal) == ("marrowdale", 4.5, 9.5)
    assert found.advice is not None
    (result,) = found.advice.results
    assert (result.value, result.class_name is not None, result.origin) == (14, True, PAPER)
    assert made.lab_numbers == tuple(each.lab_number for each in found.samples)
    with world.site.database.look(operator(), None) as look:
        verbs = look.connection.scalars(sa.select(schema.audit.c.verb).order_by("id")).all()
    assert verbs == ["register", "type"]


def test_a_walk_in_to_a_registered_field_adds_a_visit(world: World) -> None:
    land = add_field(world)
    given = paper(field_id=land.field, grower_name="", farm_name="", field_name="", county_id="")
    made = papers.walk_in(world.site, world.caller("agent"), given)
    found = advising.visit(world.site, world.caller("agent"), made.visit_id)
    assert (found.field_id, found.grower_id) == (land.field, land.grower)


def test_a_walk_in_with_a_wrong_value_stores_nothing(world: World) -> None:
    with pytest.raises(SampleListError, match="no such value"):
        papers.walk_in(world.site, world.caller("agent"), paper(values=(typed("1", value="90000000"),)))
    with world.site.database.look(operator(), None) as look:
        for table in (schema.grower, schema.field, schema.sampling, schema.sample, schema.audit):
            assert look.connection.execute(sa.select(table)).all() == []


def test_a_walk_in_outside_of_ones_counties_is_refused(world: World) -> None:
    with pytest.raises(Invalid, match="county is not one of yours"):
        papers.walk_in(world.site, world.caller("agent"), paper(county_id="lower"))
    land = add_field(world, county="lower")
    with pytest.raises(NotFound):
        papers.walk_in(world.site, world.caller("agent"), paper(field_id=land.field))
    with pytest.raises(NotAllowed):
        papers.walk_in(world.site, world.caller("agronomist"), paper())


@pytest.mark.parametrize("sample", ["0", "2", "x", ""])
def test_a_value_names_a_sample_of_the_form(lite_world: World, sample: str) -> None:
    with pytest.raises(Invalid, match="there is no sample"):
        papers.walk_in(lite_world.site, lite_world.caller("agent"), paper(values=(typed(sample),)))


@pytest.mark.parametrize(
    ("changes", "message", "column"),
    [
        ({"method": ""}, "empty|no method id", "method"),
        ({"unit": ""}, "cell is empty", "unit"),
        ({"basis": ""}, "cell is empty", "basis"),
        ({"form": ""}, "not a form|empty|text", "form"),
        ({"form": "NO3"}, "not a form of P", "form"),
        ({"analyte": "phosphor"}, "not a known word", "analyte"),
        ({"value": ""}, "cell is empty", "value"),
        ({"value": "about 5"}, "is not a number", "value"),
        ({"value": "<0"}, "out of range", "value"),
        ({"value": "2000000"}, "has no such value", "value"),
        ({"unit": "ppm"}, "not a known word", "unit"),
        ({"method": "olsen-1:20-color"}, "know no method", "method"),
        ({"method": "ph-water-1:1"}, "is no method for P", "method"),
        ({"standard_uncertainty": "-1"}, "out of range", "standard_uncertainty"),
    ],
)
def test_a_typed_value_is_checked_as_strictly_as_a_file(
    lite_world: World, changes: dict[str, str], message: str, column: str
) -> None:
    land = advised_land(lite_world)
    with pytest.raises(FurrowsliceError, match=message) as refused:
        papers.type_values(
            lite_world.site, lite_world.caller("agent"), land.visits[0],
            [typed(), typed("004812", row="7", **changes)], PAPER,
        )  # fmt: skip
    assert "the form, row 7" in refused.value.where
    assert column in refused.value.where
    assert len(stored(lite_world)) == 6  # those that were there


def test_a_value_says_which_paper_it_is_from(lite_world: World) -> None:
    land = advised_land(lite_world)
    agent, visit = lite_world.caller("agent"), land.visits[0]
    with pytest.raises(Invalid, match="which paper"):
        papers.type_values(lite_world.site, agent, visit, [typed()])
    papers.type_values(lite_world.site, agent, visit, [typed(origin="own"), typed("004812")], PAPER)
    assert [row.origin for row in stored(lite_world)[-2:]] == ["own", PAPER]


def test_a_limit_is_stored_as_a_limit(world: World) -> None:
    land = advised_land(world)
    papers.type_values(world.site, world.caller("agent"), land.visits[0], [typed(value="<2.5")], PAPER)
    last = stored(world)[-1]
    assert (last.value, last.below, last.run_id, last.released_by) == (None, 2.5, None, "Agent")


def test_a_newer_typed_value_supersedes_an_older_one_and_both_are_kept(world: World) -> None:
    land = advised_land(world)
    agent, visit = world.caller("agent"), land.visits[0]
    papers.type_values(world.site, agent, visit, [typed(value="14")], PAPER)
    put = papers.type_values(world.site, agent, visit, [typed(value="15")], PAPER)
    assert (put.stored, put.superseded) == (1, 1)
    older, newer = stored(world)[-2:]
    assert (older.value, older.superseded_by, newer.value, newer.superseded_at) == (14, newer.id, 15, None)


def released_run(world: World) -> int:
    with world.site.database.housekeeping(operator()) as look:
        run: int = look.connection.execute(
            schema.run.insert()
            .values(
                laboratory_id=world.laboratories["a"], run_id="BR-0412", run_id_folded="br-0412", analyte="P",
                method=P[2], run_on=date(2026, 4, 9), operator="x", file_name="x.csv", content=b"x",
                content_sha256="x", layout="x", choice={}, excluded=[], state="released",
                uploaded_at=look.now, uploaded_by="x",
            )
            .returning(schema.run.c.id)
        ).scalar_one()  # fmt: skip
    return run


def test_what_the_laboratory_has_released_is_not_typed_over(world: World) -> None:
    land = add_field(world)
    visit = add_visit(world, land)
    add_value(world, land.samples[0], P, 9.0, run_id=released_run(world))
    with pytest.raises(Conflict, match="in run BR-0412"):
        papers.type_values(world.site, world.caller("agent"), visit, [typed(method=P[2])], PAPER)


def test_what_is_released_at_the_same_moment_is_not_typed_over(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    land = add_field(world)
    visit, run = add_visit(world, land), released_run(world)
    put = values.put

    def released_before(*given: Any) -> Any:
        add_value(world, land.samples[0], P, 9.0, run_id=run)
        return put(*given)

    if world.site.database.engine.dialect.name == "sqlite":  # one writer at a time: this is the moment before
        add_value(world, land.samples[0], P, 9.0, run_id=run)
    else:
        monkeypatch.setattr(values, "put", released_before)
    with pytest.raises(Conflict, match="in run BR-0412"):
        papers.type_values(world.site, world.caller("agent"), visit, [typed(method=P[2])], PAPER)
    (stands,) = stored(world)
    assert (stands.run_id, stands.superseded_at) == (run, None)


def test_values_go_onto_ones_own_samples_alone(world: World) -> None:
    land = advised_land(world)
    for person, refusal in (
        ("other-agent", NotFound),
        ("other-laboratory", NotFound),
        ("agronomist", NotAllowed),
    ):
        with pytest.raises(refusal):
            papers.type_values(world.site, world.caller(person), land.visits[0], [typed()], PAPER)
    with pytest.raises(SampleListError, match="no sample has the lab number"):
        papers.type_values(world.site, world.caller("agent"), land.visits[0], [typed("009999")], PAPER)


def test_a_value_typed_under_a_wrong_method_is_withdrawn_and_kept(world: World) -> None:
    land = advised_land(world)
    agent, visit = world.caller("agent"), land.visits[0]
    papers.type_values(world.site, agent, visit, [typed(method="bray1-1:10-colour")], PAPER)
    papers.type_values(world.site, agent, visit, [typed()], PAPER)
    wrong, right = stored(world)[-2:]
    papers.withdraw(world.site, agent, wrong.sample_id, wrong.id, " it is  an Olsen value ")
    after = {row.id: row for row in stored(world)}
    assert (after[wrong.id].superseded_at, after[wrong.id].superseded_by) == (world.clock.at, None)
    assert (after[wrong.id].value, after[right.id].superseded_at) == (14, None)
    advice = advising.advised(world.site, agent, visit).advice
    assert advice is not None
    mine = [each.method for each in advice.results if (each.lab_number, each.analyte) == ("004811", "P")]
    assert mine == ["olsen-1:20-colour"]
    with world.site.database.look(operator(), None) as look:
        line = look.connection.execute(sa.select(schema.audit).order_by(schema.audit.c.id.desc())).first()
    assert line is not None
    assert (line.verb, line.kind, line.object_id, line.reason) == (
        "withdraw", "values", str(wrong.id), "it is an Olsen value"
    )  # fmt: skip
    with pytest.raises(Conflict, match="stands no more"):
        papers.withdraw(world.site, agent, wrong.sample_id, wrong.id, "again")


def test_only_a_typed_value_of_ones_own_is_withdrawn_and_with_a_reason(world: World) -> None:
    land = advised_land(world)
    agent = world.caller("agent")
    papers.type_values(world.site, agent, land.visits[0], [typed()], PAPER)
    value = stored(world)[-1]
    for reason in ("", "  ", "x" * 201, "un\u202eseen"):
        with pytest.raises(Invalid, match=r"reason|why"):
            papers.withdraw(world.site, agent, value.sample_id, value.id, reason)
    papers.withdraw(world.site, agent, value.sample_id, value.id, "x" * 200)
    for person in ("other-laboratory", "other-agent"):
        with pytest.raises(NotFound):
            papers.withdraw(world.site, world.caller(person), value.sample_id, value.id, "not mine")
    with pytest.raises(NotAllowed):
        papers.withdraw(world.site, world.caller("agronomist"), value.sample_id, value.id, "not mine")
    other = next(sample for sample in land.samples if sample != value.sample_id)
    for sample, number in ((value.sample_id, value.id + 1), (other, value.id)):
        with pytest.raises(NotFound):
            papers.withdraw(world.site, agent, sample, number, "of another sample, or of none")


# ---------------------------------------------------------------------------------------------- pages


def form(world: World, client: Any, **more: Any) -> dict[str, Any]:
    return {"form_token": world.form_token(client)} | more


def test_the_form_keeps_what_was_typed_when_it_is_refused_or_grows(lite_world: World) -> None:
    land = advised_land(lite_world)
    client = lite_world.client("agent")
    path = f"/visits/{land.visits[0]}/values"
    assert client.get(path).text.count('name="method"') == 6
    row = {"sample": ["004812"], "what": ["P|P2O5"], "method": ["olsen-1:20-colour"], "value": ["31,5"]}
    grown = client.post(path, data=form(lite_world, client, origin=PAPER, more="yes", **row))
    assert grown.status_code == 200
    assert grown.text.count('name="method"') == 7
    for text in ('value="31,5"', 'value="olsen-1:20-colour"', f'value="{PAPER}"', '"P|P2O5" selected'):
        assert text in grown.text
    refused = client.post(path, data=form(lite_world, client, origin=PAPER, **row))
    assert refused.status_code == 422
    assert "column 6 (&#39;unit&#39;)" in refused.text
    assert 'value="31,5"' in refused.text
    done = client.post(
        path, data=form(lite_world, client, origin=PAPER, unit=["mg/kg"], basis=["air-dry"], **row)
    )
    assert (done.status_code, done.headers["location"]) == (
        303, f"/visits/{land.visits[0]}?done=advising.done-values"
    )  # fmt: skip
    last = stored(lite_world)[-1]
    assert (last.value, last.form, last.sample_id) == (31.5, "P2O5", land.samples[1])


def test_a_walk_in_is_typed_without_script(lite_world: World) -> None:
    client = lite_world.client("agent")
    page = client.get("/walk-in")
    assert page.status_code == 200
    assert "upper" in page.text
    assert 'value="lower"' not in page.text  # another agent's county
    sent = form(
        lite_world, client, grower_name="R. Osmund", farm_name="Brake Farm", field_name="Mill <Acre>",
        county_id="upper", sampled_on="2026-04-01", crop="maize", yield_goal="9,5", origin=PAPER,
        label=["all", ""], depth_from_cm=["0", ""], depth_to_cm=["20", ""], texture=["silt loam", ""],
        sample=["1", "1"], what=["P|P", ""], method=["olsen-1:20-colour", ""], value=["<2", ""],
        unit=["mg/kg", ""], basis=["air-dry", ""], uncertainty=["", ""],
    )  # fmt: skip
    done = client.post("/walk-in", data=sent)
    assert done.status_code == 303, done.text
    page = client.get(done.headers["location"])
    assert "Mill &lt;Acre&gt;" in page.text
    refused = client.post("/walk-in", data=sent | {"sampled_on": "1.4.2026"})
    assert refused.status_code == 422
    assert 'value="Brake Farm"' in refused.text


def test_a_typed_value_is_withdrawn_on_its_samples_page(lite_world: World) -> None:
    land = advised_land(lite_world)
    client = lite_world.client("agent")
    papers.type_values(lite_world.site, lite_world.caller("agent"), land.visits[0], [typed()], PAPER)
    value = stored(lite_world)[-1]
    path = f"/samples/{value.sample_id}"
    assert f'<option value="{value.id}">' in client.get(path).text
    refused = client.post(f"{path}/withdraw", data=form(lite_world, client, value=value.id))
    assert (refused.status_code, "why the value is withdrawn" in refused.text) == (422, True)
    done = client.post(f"{path}/withdraw", data=form(lite_world, client, value=value.id, reason="a slip"))
    assert (done.status_code, done.headers["location"]) == (303, f"{path}?done=samples.done-withdrawn")
    page = client.get(done.headers["location"]).text
    assert "The value is withdrawn." in page
    assert ">withdrawn</span>" in page
    assert f'<option value="{value.id}">' not in page
