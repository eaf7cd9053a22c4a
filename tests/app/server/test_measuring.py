"""A stored run worked out: the same every time, by the laboratory's own limits and its own card."""

from __future__ import annotations

from pathlib import Path

import pytest

from interpretation.errors import TableError
from interpretation.laboratory.limits import Limits
from service.actions.bench import confirm_run, upload_run
from service.actions.measuring import RUNS_KEPT, limits_of, parse
from service.actions.runviews import show_run
from service.callers import operator
from service.limitsfile import read_limits
from service.paths import demo_directory
from service.store import laboratories, schema
from service.uploads import Upload
from tests.app.server.bench import lay_bench, run_file
from tests.app.server.conftest import World


def test_no_text_stands_for_the_shipped_limits() -> None:
    assert limits_of("") == read_limits()


def test_a_laboratory_s_own_limits_are_read_from_its_text() -> None:
    own: Limits = limits_of((demo_directory() / "limits.yaml").read_text("utf-8"))
    assert own == read_limits(demo_directory() / "limits.yaml")
    assert own != read_limits()


def test_limits_that_cannot_be_read_are_named_with_their_line() -> None:
    with pytest.raises(TableError) as caught:
        limits_of("title: mine\ncurve: {}\n")
    assert "limits.yaml:" in str(caught.value)


def test_the_same_bytes_are_read_once() -> None:
    parse.cache_clear()
    file = run_file()
    first = parse(file.safe_name, file.content, None, "point-comma")
    assert parse(file.safe_name, bytes(file.content), None, "point-comma") is first
    assert parse.cache_info().maxsize == RUNS_KEPT


def test_the_laboratory_s_limits_decide(lite_world: World, tmp_path: Path) -> None:
    lay_bench(lite_world, tmp_path)
    caller = lite_world.caller("laboratory")
    run_id = upload_run(lite_world.site, caller, run_file())
    confirm_run(lite_world.site, caller, run_id, 1)
    before = show_run(lite_world.site, caller, run_id)
    assert before.sheet is not None
    assert before.sheet.verdict == "accept"
    assert show_run(lite_world.site, caller, run_id).sheet == before.sheet
    strict = (
        (demo_directory() / "limits.yaml").read_text("utf-8").replace("rse_percent: 20", "rse_percent: 0.1")
    )
    with lite_world.site.database.housekeeping(operator()) as look:
        laboratories.set_limits(look, lite_world.laboratories["a"], strict)
    after = show_run(lite_world.site, caller, run_id)
    assert after.sheet is not None
    assert after.sheet.verdict != "accept"


def test_a_method_from_memory_waits_for_the_laboratory_s_card(lite_world: World) -> None:
    site, caller = lite_world.site, lite_world.caller("laboratory")
    recalled = next(method.id for method in site.tables.methods.values() if method.standing == "memory")
    text = run_file().content.decode().replace("bray1-1:10-colour", recalled)
    run_id = upload_run(site, caller, Upload("run.csv", text.encode()))
    problem = show_run(site, caller, run_id).problem
    assert problem is not None
    assert f"the figures of {recalled} are from memory" in str(problem)
    with site.database.housekeeping(operator()) as look:
        card = dict(
            look.connection.scalar(schema.laboratory.select().with_only_columns(schema.laboratory.c.card))
        )
        look.connection.execute(
            schema.laboratory.update()
            .where(schema.laboratory.c.id == lite_world.laboratories["a"])
            .values(card=card | {"confirmed_methods": [recalled]})
        )
    problem = show_run(site, caller, run_id).problem
    assert problem is None or "from memory" not in str(problem)
