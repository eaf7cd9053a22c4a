"""Registering a list of samples: what it adds, what it finds, and what it refuses whole."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from interpretation.errors import SampleListError
from service.actions.registering import Registered, register_list
from service.callers import operator
from service.refusals import Conflict, NotAllowed
from service.store import schema
from tests.app.server.bench import write_list
from tests.app.server.conftest import World


def _register(
    world: World, folder: Path, *rows: dict[str, str], person: str = "laboratory", day: date | None = None
) -> Registered:
    return register_list(world.site, world.caller(person), write_list(folder, *rows), day)


def _all(world: World, table: sa.Table) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(table).order_by("id")))


def _count(world: World) -> tuple[int, ...]:
    tables = (schema.grower, schema.farm, schema.field, schema.sampling, schema.sample)
    return tuple(len(_all(world, table)) for table in tables)


def test_a_list_becomes_growers_farms_fields_visits_and_samples(world: World, tmp_path: Path) -> None:
    registered = _register(
        world, tmp_path,
        {"grower_id": "0417", "yield_goal": "9.5", "other_crops": "soybean;winter-wheat", "irrigated": "no"}
        | {"manure_n_kg_per_ha": "30", "label": "north", "sampled_on": "2026-04-03", "cores": "16"},
        {"grower_id": "0417", "yield_goal": "9.5", "other_crops": "soybean;winter-wheat", "irrigated": "no"}
        | {"manure_n_kg_per_ha": "30", "label": "south", "moisture_percent": "21"},
        {"field_id": "F-2", "farm_name": "Other Farm", "grower_name": "B. Grower", "county": ""}
        | {"longitude": "-93.6", "latitude": "42", "mail_consent": "yes", "grower_email": "b@farm.example"},
    )  # fmt: skip
    assert (registered.samples, registered.new_fields, registered.new_growers) == (3, 2, 2)
    assert _count(world) == (2, 2, 2, 2, 3)
    first, second = _all(world, schema.grower)
    assert (first.code, first.name, first.language, first.units) == ("0417", "A. Grower", "en", "metric")
    assert (second.code, second.mail_consent, second.email) == (None, True, "b@farm.example")
    one, two = _all(world, schema.field)
    assert (one.code, one.county_id, one.words) == ("F-1", "upper", " long acre f 1")
    assert (two.code, two.county_id, two.area_ha) == ("F-2", None, None)
    visit, _ = _all(world, schema.sampling)
    assert (visit.sampled_on, visit.crop, visit.yield_goal) == (date(2026, 4, 2), "maize", 9.5)
    assert (visit.other_crops, visit.irrigated) == (["soybean", "winter-wheat"], False)
    assert (visit.limed_in_two_years, visit.manure_n_kg_per_ha, visit.near_water) == (None, 30, False)
    assert (visit.registered_by, visit.registered_at) == ("Laboratory", world.clock.at)
    north, south, third = _all(world, schema.sample)
    assert (north.id, south.id, third.id) == registered.sample_ids
    assert (north.sampled_on, south.sampled_on) == (date(2026, 4, 3), date(2026, 4, 2))
    assert (north.cores, south.moisture_percent, north.moisture_percent) == (16, 21, None)
    assert (third.longitude, third.latitude, third.received_on) == (-93.6, 42, None)


def test_one_audit_line_stands_for_a_list_and_names_no_grower(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, {}, {"label": "south"})
    (line,) = _all(world, schema.audit)
    assert (line.verb, line.kind, line.who) == ("register", "samples", "Laboratory")
    assert (line.after["samples"], line.after["first"], line.after["last"]) == (2, "0001", "0002")
    assert len(line.after["sha256"]) == 64
    assert "Grower" not in str(line.after)


def test_a_second_list_finds_the_field_and_keeps_its_grower(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, {"grower_id": "0417"})
    registered = _register(
        world, tmp_path,
        {"lab_number": "0101", "field_id": "f-1", "grower_id": "", "sampled_on": "2027-04-02"},
        {"lab_number": "0102", "field_id": "F-9", "field_name": "New"},
    )  # fmt: skip
    # The new field of the same farm and name in this list is the same grower's: the field says whose.
    assert (registered.new_fields, registered.new_growers) == (1, 0)
    assert _count(world) == (1, 1, 2, 3, 3)
    assert [field.code for field in _all(world, schema.field)] == ["F-1", "F-9"]


def test_growers_of_one_name_stay_two_without_a_number(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, {})
    registered = _register(world, tmp_path, {"lab_number": "0101", "field_id": "F-2"})
    assert registered.new_growers == 1
    assert _count(world)[:3] == (2, 2, 2)


def test_a_grower_with_a_number_is_found_by_it_and_the_farm_by_its_name(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, {"grower_id": "0417", "grower_telephone": "1"})
    registered = _register(
        world, tmp_path,
        {"lab_number": "0101", "field_id": "F-2", "grower_id": "0417", "grower_name": ""}
        | {"farm_name": "THISTLECOMBE farm", "grower_telephone": "2"},
    )  # fmt: skip
    assert (registered.new_fields, registered.new_growers) == (1, 0)
    assert _count(world)[:3] == (1, 1, 2)
    assert _all(world, schema.grower)[0].telephone == "1"  # what is registered stays


def test_the_same_number_in_another_laboratory_is_another_grower(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, {"grower_id": "0417"})
    registered = _register(world, tmp_path, {"grower_id": "0417"}, person="other-laboratory")
    assert (registered.samples, registered.new_fields, registered.new_growers) == (1, 1, 1)


@pytest.mark.parametrize(
    ("cells", "part"),
    [
        ({"field_name": "Short Acre"}, "with another field_name"),
        ({"farm_name": "Other Farm"}, "with another farm_name"),
        ({"grower_name": "B. Grower"}, "with another grower_name"),
        ({"county": "lower"}, "with another county"),
        ({"grower_id": "0001"}, "with another grower_id"),
        ({"region": "kansas", "county": ""}, "with another region"),
    ],
)
def test_a_field_registered_otherwise_is_refused(
    world: World, tmp_path: Path, cells: dict[str, str], part: str
) -> None:
    _register(world, tmp_path, {})
    before = _count(world)
    with pytest.raises(Conflict) as caught:
        _register(world, tmp_path, {"lab_number": "0100", "field_id": "F-2"}, {"lab_number": "0101"} | cells)
    message = str(caught.value)
    for words in ("the field F-1 is registered already", part, "row 3, lab number 0101", "its own field id"):
        assert words in message
    assert _count(world) == before  # nothing of the list was kept


def test_a_grower_s_number_with_another_name_is_refused(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, {"grower_id": "0417"})
    with pytest.raises(Conflict, match=r"the grower 0417 is registered already, with another grower_name"):
        _register(
            world, tmp_path,
            {"lab_number": "0101", "field_id": "F-2", "grower_id": "0417", "grower_name": "B. Grower"},
        )  # fmt: skip


def test_numbers_given_already_are_refused_and_the_first_few_named(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, *({} for _ in range(7)))
    with pytest.raises(Conflict) as caught:
        _register(world, tmp_path, {"lab_number": "0100"}, *({"lab_number": f"000{n}"} for n in range(1, 8)))
    message = str(caught.value)
    assert "7 of the lab numbers are registered already: 0001, 0002, 0003, 0004, 0005, ..." in message
    assert "row 3, lab number 0001" in message
    assert "take out the rows" in message
    assert _count(world)[4] == 7


@pytest.mark.parametrize(
    ("cells", "parts"),
    [
        ({"crop": "mangelwurzel"}, ["unknown crop 'mangelwurzel'", "lab number 0002"]),
        ({"region": "nowhere"}, ["unknown region 'nowhere'"]),
        ({"soil_group": "moon dust"}, ["unknown soil group 'moon dust'"]),
        ({"other_crops": "mangelwurzel"}, ["unknown crop 'mangelwurzel'", "row 3", "other_crops"]),
        ({"other_crops": "maize"}, ["maize is the crop of the field already"]),
        ({"county": "middle"}, ["unknown county 'middle'", "row 3", "the administrator adds counties"]),
        ({"region": "kansas"}, ["county upper does not belong to region kansas"]),
    ],
)
def test_what_the_tables_or_the_server_do_not_know_is_refused(
    world: World, tmp_path: Path, cells: dict[str, str], parts: list[str]
) -> None:
    with pytest.raises(SampleListError) as caught:
        _register(world, tmp_path, {}, {"field_id": "F-2"} | cells)
    for part in parts:
        assert part in str(caught.value)
    assert _count(world) == (0, 0, 0, 0, 0)


@pytest.mark.parametrize(
    ("cells", "part"),
    [
        ({"tillage": "plough"}, "tillage of field F-1 is not the same in all rows"),
        ({"manure_n_kg_per_ha": "5"}, "manure_n_kg_per_ha of field F-1"),
        ({"near_water": "yes"}, "near_water of field F-1"),
        ({"field_id": "F-2", "grower_telephone": "2"}, "grower_telephone of one grower"),
    ],
)
def test_rows_that_are_registered_together_agree(
    lite_world: World, tmp_path: Path, cells: dict[str, str], part: str
) -> None:
    with pytest.raises(SampleListError) as caught:
        _register(lite_world, tmp_path, {}, cells)
    assert part in str(caught.value)
    assert "row 3, lab number 0002; the other is in row 2" in str(caught.value)


def test_an_agent_registers_in_the_own_counties_alone(world: World, tmp_path: Path) -> None:
    assert _register(world, tmp_path, {}, person="agent").samples == 1
    for cells, part in (
        ({"county": "lower"}, "is not in a county of yours"),
        ({"county": ""}, "the county of the field F-2 is not given"),
    ):
        with pytest.raises(NotAllowed) as caught:
            _register(world, tmp_path, {"lab_number": "01", "field_id": "F-2"} | cells, person="agent")
        assert part in str(caught.value)
        assert "one of your counties: upper" in str(caught.value)
    assert _register(world, tmp_path, {"lab_number": "02", "county": ""}, person="agent").new_fields == 0


def test_an_agent_learns_nothing_of_a_field_elsewhere(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, {"county": "lower", "field_name": "Secret Acre"})
    with pytest.raises(Conflict) as caught:
        _register(world, tmp_path, {"lab_number": "0101"}, person="agent")
    assert "the field F-1 is a field elsewhere" in str(caught.value)
    assert "Secret" not in str(caught.value)
    with pytest.raises(NotAllowed, match="not in a county of yours"):
        _register(world, tmp_path, {"lab_number": "0101", "county": ""}, person="agent")


@pytest.mark.parametrize("person", ["agronomist", "administrator"])
def test_others_register_nothing(lite_world: World, tmp_path: Path, person: str) -> None:
    with pytest.raises(NotAllowed, match="not part of your work"):
        _register(lite_world, tmp_path, {}, person=person)


def test_the_day_of_the_list_stands_for_rows_that_do_not_say(lite_world: World, tmp_path: Path) -> None:
    day = date(2026, 4, 2)
    _register(lite_world, tmp_path, {}, {"received_on": "2026-04-09"}, day=day)
    assert [row.received_on for row in _all(lite_world, schema.sample)] == [day, date(2026, 4, 9)]
    with pytest.raises(SampleListError, match="was received before it was taken") as caught:
        _register(lite_world, tmp_path, {"lab_number": "01"}, day=date(2026, 4, 1))
    assert caught.value.where == "row 2"


def test_five_thousand_samples_take_few_statements(world: World, tmp_path: Path) -> None:
    statements: list[str] = []
    sa.event.listen(
        world.site.database.engine, "before_cursor_execute",
        lambda _c, _cursor, statement, _p, _x, _many: statements.append(statement),
    )  # fmt: skip
    rows = [{"field_id": f"F-{n // 4}", "grower_id": f"G{n // 40}"} for n in range(5000)]
    assert _register(world, tmp_path, *rows).samples == 5000
    assert len(statements) < 60


def test_a_number_opens_no_grower_elsewhere_to_an_agent(world: World, tmp_path: Path) -> None:
    elsewhere = {"county": "lower", "grower_id": "0101", "grower_name": "A. Secret"}
    _register(world, tmp_path, elsewhere)
    before = _count(world)
    theirs = {"lab_number": "0101", "field_id": "F-9", "grower_id": "0101"}
    for name in ("", "A. Secret", "A. Guess"):
        with pytest.raises(Conflict) as caught:
            _register(world, tmp_path, theirs | {"grower_name": name}, person="agent")
        assert "the grower 0101 is a grower elsewhere" in str(caught.value)
        assert "the laboratory registers a first field of theirs in your county" in str(caught.value)
    assert _count(world) == before
    _register(world, tmp_path, theirs | {"grower_name": ""})  # the laboratory may, and then it is the agent's
    more = theirs | {"lab_number": "0102", "field_id": "F-10", "grower_name": ""}
    assert _register(world, tmp_path, more, person="agent").new_growers == 0


def test_a_later_list_gives_a_county_to_a_field_that_has_none(world: World, tmp_path: Path) -> None:
    _register(world, tmp_path, {"county": ""}, {"county": "", "field_id": "F-2"})
    later = {"lab_number": "0101", "county": "upper"}
    with pytest.raises(Conflict, match="the field F-1 is a field elsewhere"):
        _register(world, tmp_path, later, person="agent")
    _register(world, tmp_path, later)
    fields = {field.code: field.county_id for field in _all(world, schema.field)}
    assert fields == {"F-1": "upper", "F-2": None}
    lines = [(line.verb, line.kind, line.after) for line in _all(world, schema.audit)]
    assert ("change", "field", {"changed": ["county_id"]}) in lines
    _register(world, tmp_path, {"lab_number": "0102"}, person="agent")  # who now looks after it
    with pytest.raises(Conflict, match="with another county"):
        _register(world, tmp_path, {"lab_number": "0103", "county": "lower"})
