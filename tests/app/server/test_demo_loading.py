"""The demo scenario on a server: what it brings, and that it is loaded once."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from service.actions.demo import COUNTIES, load_demo
from service.callers import operator
from service.refusals import Conflict
from service.store import schema
from tests.app.server.conftest import World


def test_the_demo_is_registered_measured_and_released_where_its_checks_allow(world: World) -> None:
    demo = load_demo(world.site)
    assert (demo.samples, demo.counties) == (24, ("upper-marrow", "lower-marrow"))
    assert demo.released == ("QW-0412-P", "QW-0413-N2", "QW-0414-C", "QW-0415-O")
    assert demo.held == ("QW-0413-N",)
    with world.site.database.look(operator(), None) as look:
        rows = look.connection.execute(sa.select(schema.run.c.run_id, schema.run.c.state))
        states = {row.run_id: row.state for row in rows}
        typed = sa.select(sa.func.count()).where(schema.soil_value.c.run_id.is_(None))
        assert look.connection.scalar(typed) == demo.typed
        assert not look.connection.execute(sa.select(schema.waiting_cup)).all()
        samplings = look.connection.execute(sa.select(schema.sampling.c.example)).scalars().all()
    assert states == dict.fromkeys(demo.released, "released") | {"QW-0413-N": "held"}
    assert samplings == [True] * 6


def test_the_demo_is_loaded_once(lite_world: World) -> None:
    load_demo(lite_world.site)
    with pytest.raises(Conflict) as caught:
        load_demo(lite_world.site)
    assert "the demo scenario is there already" in str(caught.value)
    with lite_world.site.database.look(operator(), None) as look:
        counties = look.connection.scalars(sa.select(schema.county.c.id)).all()
    assert {county.id for county in COUNTIES} < set(counties)
