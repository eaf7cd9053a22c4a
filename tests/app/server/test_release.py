"""Releasing: what leaves the laboratory, what waits, what supersedes, and that nothing released changes."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from service.actions import releasing
from service.actions.bench import Choice, decide, keep_choice
from service.actions.registering import register_list
from service.actions.releasing import Released, print_sheet, release_run, release_waiting
from service.actions.runviews import show_run
from service.actions.samples import list_samples, show_sample
from service.callers import RIGHTS, Caller, Right, Role, operator
from service.refusals import Conflict, NotAllowed, NotFound
from service.store import laboratories, samples, schema, values
from service.store.values import NewValue
from tests.app.server.bench import NAME, accepted, demo_list, lay_bench, run_file, write_list
from tests.app.server.conftest import World

LIMY = ("004819", "004820", "004821", "004822")  # the method is not valid on soils so rich in lime


def _values(world: World) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        return list(look.connection.execute(sa.select(schema.soil_value).order_by("id")))


def test_an_accepted_run_is_released_once_and_for_all(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller, run_id = world.caller("laboratory"), accepted(world)
    before = show_run(world.site, caller, run_id)
    released = release_run(world.site, caller, run_id, 3)
    assert (released.values, released.superseded, released.waiting) == (20, 0, ())
    rows = _values(world)
    assert len(rows) == 20
    assert {row.run_id for row in rows} == {run_id}
    assert {(row.analyte, row.unit, row.basis, row.origin) for row in rows} == {
        ("P", "mg/kg", "air-dry", f"run {NAME}")
    }
    view = show_run(world.site, caller, run_id)
    assert (view.row.state, view.row.released_by, view.row.version) == ("released", "Laboratory", 4)
    assert view.sheet == before.sheet  # frozen as it was looked at
    name, page = print_sheet(world.site, caller, run_id)
    assert name == f"{NAME}.sheet.pdf"
    assert page.startswith(b"%PDF-")
    for step in (
        lambda: release_run(world.site, caller, run_id, 4),
        lambda: keep_choice(world.site, caller, run_id, 4, Choice(model="quadratic")),
        lambda: decide(world.site, caller, run_id, 4, "rejected", "too late"),
    ):
        with pytest.raises(Conflict, match="the run is released, which does not allow this step"):
            step()
    assert _values(world) == rows


def test_the_page_is_printed_once_from_what_was_frozen(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay_bench(world, tmp_path)
    caller, run_id = world.caller("laboratory"), accepted(world)
    release_run(world.site, caller, run_id, 3)
    with world.site.database.housekeeping(operator()) as look:  # whatever the laboratory is called later
        laboratories.change_laboratory(look, world.laboratories["a"], {"name": "Renamed", "address": ["-"]})
    printed: list[bytes] = []

    def counted(view: Any) -> bytes:
        assert view.laboratory == "Quillwater Soil Laboratory"
        printed.append(b"%PDF-made once")
        return printed[-1]

    monkeypatch.setattr(releasing, "pdf", counted)
    threads = [threading.Thread(target=print_sheet, args=(world.site, caller, run_id)) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert print_sheet(world.site, caller, run_id)[1] == b"%PDF-made once"
    assert len(printed) == 1


def test_only_an_accepted_run_is_released(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller, run_id = world.caller("laboratory"), accepted(world)
    decide(world.site, caller, run_id, 3, "held", "second thoughts")
    with pytest.raises(Conflict, match="the run is held"):
        release_run(world.site, caller, run_id, 4)
    with pytest.raises(NotFound, match="this run has no sheet yet"):
        print_sheet(world.site, caller, run_id)
    assert _values(world) == []


def test_to_release_is_a_right_of_its_own(lite_world: World, tmp_path: Path) -> None:
    lay_bench(lite_world, tmp_path)
    run_id = accepted(lite_world)
    whole = lite_world.caller("laboratory")
    fewer = RIGHTS[Role.LABORATORY] - {Right.RELEASE_RUNS}
    some = Caller(whole.account_id, whole.name, whole.role, whole.scope, "api", fewer)
    with pytest.raises(NotAllowed):
        release_run(lite_world.site, some, run_id, 3)
    with pytest.raises(NotFound):
        release_run(lite_world.site, lite_world.caller("other-laboratory"), run_id, 3)


def test_unmatched_cups_wait_and_are_released_when_a_list_names_them(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path, "004811", "004812", "004813")
    caller, run_id = world.caller("laboratory"), accepted(world)
    released = release_run(world.site, caller, run_id, 3)
    assert (released.values, released.waiting) == (17, ("004811", "004812", "004813"))
    with pytest.raises(Conflict, match="no cup that waits has been named by a list"):
        release_waiting(world.site, caller, run_id, 4)
    missing = demo_list(tmp_path, *(f"00{n}" for n in range(4813, 4835)))
    registered = register_list(world.site, caller, missing)
    assert registered.waiting == {run_id: 2}
    waiting = show_run(world.site, caller, run_id).waiting
    assert [cup.lab_number for cup in waiting if cup.sample_id is not None] == ["004811", "004812"]
    sheet = show_run(world.site, caller, run_id).sheet
    assert sheet is not None
    late = release_waiting(world.site, caller, run_id, 4)
    assert (late.values, late.superseded, late.left_out) == (2, 0, ())
    view = show_run(world.site, caller, run_id)
    assert [cup.lab_number for cup in view.waiting] == ["004813"]
    assert view.sheet == sheet  # the sheet stays as it was frozen
    printed = {cup.cup_id: cup.value for cup in sheet.cups if cup.kind == "sample" and cup.value is not None}
    with world.site.database.look(operator(world.laboratories["a"]), None) as look:
        ids = samples.ids_of(look, ["004811"])
        (value,) = values.of_samples(look, list(ids.values()))
    assert value.value == pytest.approx(printed["004811"], abs=0.05)


def test_a_value_that_a_sample_got_meanwhile_stands(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path, "004811")
    caller, run_id = world.caller("laboratory"), accepted(world)
    release_run(world.site, caller, run_id, 3)
    register_list(world.site, caller, demo_list(tmp_path, *(f"00{n}" for n in range(4812, 4835))))
    rerun = accepted(world, run_file("RERUN"))
    release_run(world.site, caller, rerun, 3)
    late = release_waiting(world.site, caller, run_id, 4)
    assert (late.values, late.left_out) == (0, ("004811",))
    view = show_run(world.site, caller, run_id)
    assert (view.waiting, view.left_out) == ((), ("004811",))


def test_a_rerun_supersedes_and_both_are_kept_and_shown(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller, first = world.caller("laboratory"), accepted(world)
    release_run(world.site, caller, first, 3)
    old = _values(world)
    world.clock.move(hours=1)
    second = accepted(world, run_file("RERUN", at_18="18,sample,004811,,,9000,"))
    assert release_run(world.site, caller, second, 3).superseded == 20
    rows = _values(world)
    assert len(rows) == 40
    for before, after in zip(old, rows[:20], strict=True):
        assert (after.value, after.below, after.released_at) == (
            before.value,
            before.below,
            before.released_at,
        )
        assert after.superseded_at == world.clock.at
        newer = next(row for row in rows[20:] if row.id == after.superseded_by)
        assert (newer.sample_id, newer.run_id, newer.superseded_at) == (after.sample_id, second, None)
    sample_id = list_samples(world.site, caller, search="004811")[0].id
    stands, superseded = show_sample(world.site, caller, sample_id).values
    assert (stands.run_name, superseded.run_name) == ("RERUN", NAME)
    assert stands.value != superseded.value
    shown = show_run(world.site, caller, first)
    assert {stands for _, stands in shown.released.values()} == {False}


def test_a_run_that_is_released_after_its_rerun_supersedes_nothing_of_it(
    world: World, tmp_path: Path
) -> None:
    lay_bench(world, tmp_path)
    site, caller, first = world.site, world.caller("laboratory"), accepted(world)
    second = accepted(world, run_file("RERUN"), replaces=NAME.lower())
    third = accepted(world, run_file("THIRD", at_18="18,sample,004811,,,9000,"), replaces="RERUN")
    assert release_run(site, caller, third, 3).values == 20
    stood = _values(world)
    late = release_run(site, caller, first, 3)  # its rerun was run again: that counts as well
    assert (late.values, late.superseded, len(late.left_out)) == (0, 0, 20)
    assert "004811" in late.left_out
    assert set(show_run(site, caller, first).left_out) == set(late.left_out)
    assert _values(world) == stood
    assert release_run(site, caller, second, 3).left_out == late.left_out
    other = accepted(world, run_file("OTHER"))  # no rerun of it: the newest release stands, as ever
    assert release_run(site, caller, other, 3).superseded == 20


def test_values_held_back_by_a_flag_stay_in_the_laboratory(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller = world.caller("laboratory")
    run_id = accepted(world, run_file(at_51="51,wash,,,,26,"))  # the diluted reading of 004826 is gone
    released = release_run(world.site, caller, run_id, 3)
    assert released.values == 19
    held_back = {number: flag.value for number, flag in released.withheld}
    assert held_back == dict.fromkeys(LIMY, "method-not-valid") | {"004826": "over-range"}
    view = show_run(world.site, caller, run_id)
    assert {number: flag.value for number, flag in view.withheld.items()} == held_back
    assert view.left_out == ()


def test_two_who_release_at_once_give_one_release_and_one_refusal(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller, run_id = world.caller("laboratory"), accepted(world)
    together = threading.Barrier(2)
    told: list[Released | Conflict] = []

    def release() -> None:
        together.wait()
        try:
            told.append(release_run(world.site, caller, run_id, 3))
        except Conflict as refusal:
            told.append(refusal)

    threads = [threading.Thread(target=release) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    (refusal,) = [each for each in told if isinstance(each, Conflict)]
    assert "somebody else has changed this run since you looked at it" in str(refusal)
    assert len([each for each in told if isinstance(each, Released)]) == 1
    rows = _values(world)
    assert len(rows) == 20
    assert all(row.superseded_at is None for row in rows)
    with world.site.database.look(operator(), None) as look:
        lines = sa.select(schema.audit.c.verb).where(schema.audit.c.verb == "release")
        assert look.connection.scalars(lines).all() == ["release"]


def test_what_a_sample_s_list_says_decides_what_the_later_release_gives(
    lite_world: World, tmp_path: Path
) -> None:
    lay_bench(lite_world, tmp_path, "004811")
    caller, run_id = lite_world.caller("laboratory"), accepted(lite_world)
    release_run(lite_world.site, caller, run_id, 3)
    # Bray-1 extracts are not valid on a soil so rich in lime: known only since the list.
    limy = write_list(
        tmp_path,
        {"lab_number": "004811", "field_id": "X-1", "lime_percent": "20", "ph_water": "8.2"},
    )  # fmt: skip
    register_list(lite_world.site, caller, limy)
    late = release_waiting(lite_world.site, caller, run_id, 4)
    assert late.values == 0
    assert [(number, flag.value) for number, flag in late.withheld] == [("004811", "method-not-valid")]
    view = show_run(lite_world.site, caller, run_id)
    assert view.withheld["004811"].value == "method-not-valid"


def test_one_value_of_a_kind_stands(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller = operator(world.laboratories["a"])

    def type_in(number: float) -> None:
        with world.site.database.change(caller, None) as change:
            sample_id = samples.ids_of(change, ["004811"])["004811"]
            row = NewValue(sample_id, "pH", "pH", "ph-water-1:1", number, None, "pH", "none", None, "paper")
            values.put(change, [row])
            change.note("type", "values", sample_id)

    for number in (6.1, 6.3, 6.5):
        type_in(number)
    rows = _values(world)
    assert [row.value for row in rows] == [6.1, 6.3, 6.5]
    assert [row.superseded_by for row in rows] == [rows[1].id, rows[2].id, None]
