"""Growers, farms and fields: found, looked at, changed, within what is the caller's."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
import sqlalchemy as sa

from service.actions import land
from service.actions.land import FieldChange, GrowerChange
from service.callers import operator
from service.characters import search_words
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from service.store import schema
from tests.app.server.conftest import World
from tests.app.server.land import add_field, add_visit
from tests.app.server.tokens import program

SQUARE = {"type": "Polygon", "coordinates": [[[1.0, 52.0], [1.01, 52.0], [1.01, 52.01], [1.0, 52.0]]]}


def found(world: World, person: str, search: str = "") -> list[str]:
    return [each.code for each in land.find(world.site, world.caller(person), search)[0]]


def audit(world: World) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(schema.audit).order_by("id")))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("E. Marlowe-Quint", " e marlowe quint"),
        ("ÁLVAREZ Ñuño", " alvarez nuno"),
        ("  F1/2 ", " f1 2"),
        ("%_\x00", ""),
        ("Straße ２", " strasse 2"),
    ],
)
def test_words_are_searched_without_capitals_accents_and_signs(text: str, words: str) -> None:
    assert search_words(text) == words


def test_a_field_is_found_by_words_of_field_farm_and_grower(world: World) -> None:
    add_field(world, "TC-1")
    add_field(world, "ZZ-9", name="Prado Largo", farm_name="Finca Ñu", grower_name="J. Álvarez")
    for search in ("marlowe", "MARL", "quint long", "thistle", "tc", "tc-1", "long meadow", "mead quin"):
        assert found(world, "laboratory", search) == ["TC-1"], search
    for search in ("alvarez", "Álva", "nu", "ñu prado"):
        assert found(world, "laboratory", search) == ["ZZ-9"], search
    for search in ("arlowe", "long prado", "eadow", "x"):
        assert found(world, "laboratory", search) == [], search
    assert found(world, "laboratory", "%") == ["TC-1", "ZZ-9"]  # no word at all
    assert found(world, "laboratory") == ["TC-1", "ZZ-9"]  # by name


def test_an_agent_finds_fields_of_the_own_counties_alone(world: World) -> None:
    add_field(world, "UP", county="upper")
    add_field(world, "LO", county="lower")
    add_field(world, "NO", county=None)
    add_field(world, "B", laboratory="b")
    assert found(world, "agent") == ["UP"]
    assert found(world, "other-agent") == ["LO"]
    assert sorted(found(world, "laboratory")) == ["LO", "NO", "UP"]
    assert found(world, "other-laboratory") == ["B"]
    for person in ("agronomist", "administrator"):
        with pytest.raises(NotAllowed):
            found(world, person)


def test_what_is_not_ones_own_is_not_there(world: World) -> None:
    one = add_field(world, county="upper")
    for person in ("other-agent", "other-laboratory"):
        caller = world.caller(person)
        for look in (land.past, land.field):
            with pytest.raises(NotFound):
                look(world.site, caller, one.field)
        with pytest.raises(NotFound):
            land.holding(world.site, caller, one.grower)
    with pytest.raises(NotFound):
        land.change_field(world.site, world.caller("other-agent"), one.field, FieldChange(name="x"))
    with pytest.raises(NotFound):
        land.change_grower(world.site, world.caller("other-agent"), one.grower, GrowerChange(name="x"))
    with pytest.raises(NotAllowed):  # a laboratory measures; what is kept of people is the agent's
        land.change_grower(world.site, world.caller("laboratory"), one.grower, GrowerChange(name="x"))


def test_a_long_list_comes_in_pages(lite_world: World) -> None:
    for number in range(land.PAGE + 1):
        add_field(lite_world, f"F{number:03d}", name=f"Field {number:03d}")
    agent = lite_world.caller("agent")
    first, more = land.find(lite_world.site, agent, "field")
    assert (len(first), more, first[0].code) == (land.PAGE, True, "F000")
    last, more = land.find(lite_world.site, agent, "field", 2)
    assert ([each.code for each in last], more) == ([f"F{land.PAGE:03d}"], False)
    page = lite_world.client("agent").get("/fields?search=field")
    assert "search=field&amp;page=2" in page.text


def test_changing_a_grower_keeps_the_search_and_tells_no_personal_data(world: World) -> None:
    one = add_field(world, grower_name="E. Marlowe")
    change = GrowerChange(name="E. Hollis", telephone="555 0142", units="us")
    land.change_grower(world.site, world.caller("agent"), one.grower, change)
    grower = land.holding(world.site, world.caller("agent"), one.grower).grower
    assert (grower.name, grower.telephone, grower.units, grower.language) == (
        "E. Hollis",
        "555 0142",
        "us",
        "en",
    )
    assert found(world, "agent", "hollis") == ["TC-1"]
    assert found(world, "agent", "marlowe") == []
    (line,) = audit(world)
    assert (line.verb, line.kind, line.before) == ("change", "grower", None)
    assert line.after == {"changed": ["name", "telephone", "units"]}


def test_consent_needs_an_address_and_an_erased_grower_stays_erased(lite_world: World) -> None:
    one = add_field(lite_world)
    agent = lite_world.caller("agent")
    for change, field in (
        (GrowerChange(copy_consent=True), "copy_to"), (GrowerChange(mail_consent=True), "email"),
    ):  # fmt: skip
        with pytest.raises(Invalid) as refused:
            land.change_grower(lite_world.site, agent, one.grower, change)
        assert list(refused.value.fields) == [field]
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.grower.update().values(erased_at=look.now))
    with pytest.raises(Conflict, match="has been erased"):
        land.change_grower(lite_world.site, agent, one.grower, GrowerChange(name="again"))


def test_changing_a_field_changes_its_region_with_its_county(world: World) -> None:
    one = add_field(world)
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.county.insert().values(id="far", name="Far", region="ohio"))
        look.connection.execute(
            schema.account_county.insert().values(account_id=world.people["agent"], county_id="far")
        )
    agent = world.caller("agent")
    change = FieldChange(name="Mill Acre", county_id="far", area_ha=3.5, outline=SQUARE)
    land.change_field(world.site, agent, one.field, change)
    field = land.field(world.site, agent, one.field)
    assert (field.name, field.region, field.area_ha, field.outline) == ("Mill Acre", "ohio", 3.5, SQUARE)
    assert found(world, "agent", "mill") == ["TC-1"]
    land.change_field(world.site, agent, one.field, FieldChange(outline={}))
    assert land.field(world.site, agent, one.field).outline is None
    with pytest.raises(Invalid, match="county is not one of yours"):
        land.change_field(world.site, agent, one.field, FieldChange(county_id="lower"))
    with pytest.raises(Invalid, match="no polygon"):
        land.change_field(world.site, agent, one.field, FieldChange(outline={"type": "Point"}))


def test_a_farm_is_renamed_by_whoever_has_a_field_on_it(world: World) -> None:
    one, other = add_field(world, "A"), add_field(world, "B")
    agent = world.caller("agent")
    land.rename_farm(world.site, agent, one.grower, one.farm, "Brake Farm")
    assert found(world, "agent", "brake") == ["A"]
    with pytest.raises(NotFound):
        land.rename_farm(world.site, agent, one.grower, other.farm, "x")
    for name in ("x" * 201, "a\u202eb"):
        with pytest.raises(Invalid):
            land.rename_farm(world.site, agent, one.grower, one.farm, name)


# ---------------------------------------------------------------------------------------------- pages


def test_the_forms_of_grower_and_field_say_beside_each_field_what_is_wrong(lite_world: World) -> None:
    one = add_field(lite_world)
    client = lite_world.client("agent")
    token = {"form_token": lite_world.form_token(client)}
    path = f"/growers/{one.grower}/edit"
    wrong = client.post(path, data=token | {"name": "E. <b>", "email": "nobody", "copy_consent": "yes"})
    assert wrong.status_code == 422
    assert 'id="e-email"' in wrong.text
    assert "E. &lt;b&gt;" in wrong.text
    assert 'name="copy_consent" type="checkbox" value="yes" checked' in wrong.text
    right = client.post(path, data=token | {"name": "E. Vane", "email": "e@vane.example", "units": "us"})
    assert (right.status_code, right.headers["location"]) == (
        303, f"/growers/{one.grower}?done=land.done-grower"
    )  # fmt: skip
    path = f"/fields/{one.field}/edit"
    wrong = client.post(
        path, data=token | {"name": "x", "county_id": "upper", "area_ha": "-1", "outline": "{"}
    )
    assert (wrong.status_code, 'id="e-area_ha"' in wrong.text) == (422, True)
    wrong = client.post(path, data=token | {"name": "x", "county_id": "upper", "outline": "{"})
    assert (wrong.status_code, 'id="e-outline"' in wrong.text) == (422, True)
    right = client.post(path, data=token | {"name": "Mill Acre", "county_id": "upper", "area_ha": "4,5"})
    assert right.status_code == 303
    assert land.field(lite_world.site, lite_world.caller("agent"), one.field).area_ha == 4.5


def test_a_form_without_the_sessions_own_token_changes_nothing(lite_world: World) -> None:
    one = add_field(lite_world)
    client = lite_world.client("agent")
    assert client.post(f"/growers/{one.grower}/edit", data={"name": "x"}).status_code == 409
    assert audit(lite_world) == []


def test_pages_speak_the_visitors_language(lite_world: World) -> None:
    one = add_field(lite_world)
    add_visit(lite_world, one, date(2026, 4, 2))
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.account.update().values(language="es"))
    client = lite_world.client("agent")
    own = (f"/growers/{one.grower}", f"/growers/{one.grower}/edit", f"/visits/{one.visits[0]}")
    for path in ("/", "/fields", f"/fields/{one.field}", *own, "/walk-in", "/reports", "/tables", "/places"):
        page = client.get(path)
        assert page.status_code == 200, path
        assert '<html lang="es">' in page.text
    assert "2 de abril de 2026" in client.get(f"/fields/{one.field}").text


# ------------------------------------------------------------------------------------------------ API


def test_programs_page_through_fields_and_growers(lite_world: World) -> None:
    ids = [add_field(lite_world, f"F{number}", name=f"Acre {number}").field for number in range(3)]
    add_field(lite_world, "LO", county="lower")
    asking = program(lite_world, "agent")
    first = asking.get("/api/v1/fields?search=acre&limit=2").json()
    assert ([each["id"] for each in first["items"]], first["next"]) == (ids[:2], ids[1])
    last = asking.get(f"/api/v1/fields?search=acre&limit=2&after={first['next']}").json()
    assert ([each["id"] for each in last["items"]], last["next"]) == (ids[2:], None)
    growers = asking.get("/api/v1/growers?search=marlowe").json()["items"]
    assert len(growers) == 3
    one = asking.get(f"/api/v1/growers/{growers[0]['id']}").json()
    assert one["fields"][0]["code"] == "F0"


def test_programs_change_fields_and_growers(lite_world: World) -> None:
    one = add_field(lite_world)
    asking = program(lite_world, "agent")
    changed = asking.patch(f"/api/v1/fields/{one.field}", json={"area_ha": 2.5, "outline": SQUARE})
    assert (changed.status_code, changed.json()["area_ha"], changed.json()["outline"]) == (200, 2.5, SQUARE)
    wrong = asking.patch(f"/api/v1/growers/{one.grower}", json={"email": "nobody"})
    assert (wrong.status_code, wrong.json()["errors"][0]["pointer"]) == (422, "#/email")
    assert asking.patch(f"/api/v1/growers/{one.grower}", json={"laboratory_id": 2}).status_code == 422
    named = asking.put(f"/api/v1/growers/{one.grower}/farms/{one.farm}", json={"name": "Brake"})
    assert named.json()["farms"] == [{"id": one.farm, "name": "Brake"}]
    assert program(lite_world, "other-agent").get(f"/api/v1/fields/{one.field}").status_code == 404
