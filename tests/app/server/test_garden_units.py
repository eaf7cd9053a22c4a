"""Units of gardens at every door of the server: a grower's usual ones, the plan's page, reports, the API."""

from __future__ import annotations

import pytest

from reports.format import UNITS
from service.actions import land
from service.actions.land import GrowerChange
from service.actions.reporting import Wish, draft
from tests.app.server.conftest import World
from tests.app.server.land import advised_land

GARDENS = [units for units in UNITS if units.startswith("garden-")]


@pytest.mark.parametrize("units", GARDENS)
def test_a_gardener_is_offered_and_keeps_these_units(lite_world: World, units: str) -> None:
    found = advised_land(lite_world)
    client = lite_world.client("agent")
    form = client.get("/growers/1/edit").text
    assert all(f'<option value="{each}"' in form for each in UNITS)
    sent = {"form_token": lite_world.form_token(client), "name": "E. Vane", "units": units, "language": "en"}
    assert client.post("/growers/1/edit", data=sent).status_code == 303
    assert land.holding(lite_world.site, lite_world.caller("agent"), 1).grower.units == units
    assert client.get("/growers/1").status_code == 200
    desk = client.get(f"/visits/{found.visits[0]}/report").text
    assert f'<option value="{units}" selected' in desk
    paper = "letter" if units == "garden-us" else "a4"
    assert f'<option value="{paper}" selected' in desk


def test_the_plan_and_the_report_are_in_the_gardens_units(lite_world: World) -> None:
    found = advised_land(lite_world)
    agent = lite_world.caller("agent")
    land.change_grower(lite_world.site, agent, 1, GrowerChange(name="E. Vane", units="garden-us"))
    page = lite_world.client("agent").get(f"/visits/{found.visits[0]}").text
    assert "lb/1000 ft²" in page
    assert "kg/ha</" not in page
    made = draft(lite_world.site, agent, found.visits[0], Wish(units="garden-metric"))
    assert made.wish.units == "garden-metric"
