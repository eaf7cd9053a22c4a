"""Runs step by step: upload, confirm, choose, decide; what each step asks, keeps and refuses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from interpretation.errors import FurrowsliceError, RunError, RunFileError
from service.actions.bench import (
    Choice,
    Exclusion,
    confirm_run,
    decide,
    discard_run,
    keep_choice,
    layouts,
    upload_run,
)
from service.actions.runviews import compare, list_runs, show_run
from service.callers import operator
from service.paths import demo_directory
from service.refusals import Conflict, Invalid, NotAllowed, NotFound
from service.store import schema
from service.uploads import Upload
from tests.app.server.bench import DRIFTING, NAME, lay_bench, run_file
from tests.app.server.conftest import World


def _confirmed(world: World, file: Upload | None = None) -> int:
    caller = world.caller("laboratory")
    run_id = upload_run(world.site, caller, file or run_file())
    confirm_run(world.site, caller, run_id, 1)
    return run_id


def _audit(world: World) -> list[Any]:
    with world.site.database.look(operator(), None) as look:
        lines = sa.select(schema.audit).where(schema.audit.c.kind == "run").order_by("id")
        return list(look.connection.execute(lines))


def test_a_run_is_kept_as_it_came(world: World) -> None:
    caller, file = world.caller("laboratory"), run_file()
    run_id = upload_run(world.site, caller, file)
    with world.site.database.look(operator(), None) as look:
        row = look.connection.execute(sa.select(schema.run)).one()
    assert bytes(row.content) == file.content
    assert (row.run_id, row.state, row.version, row.analyte) == (NAME, "read", 1, "P")
    assert (row.file_name, row.layout, row.uploaded_by) == (f"{NAME}.csv", "point-comma", "Laboratory")
    view = show_run(world.site, caller, run_id)
    assert view.header.operator == "A. Lindqvist"
    assert len(view.unmatched) == 24  # no list has named one, and none was dropped
    assert view.sheet is not None


def test_a_side_file_and_another_layout_are_taken(lite_world: World) -> None:
    folder = demo_directory()
    name, side = "olsen-p-by-hand.csv", "olsen-p-by-hand.header.yaml"
    files = [Upload(each, (folder / each).read_bytes()) for each in (name, side)]
    run_id = upload_run(
        lite_world.site, lite_world.caller("laboratory"), files[0], side=files[1], layout="comma-semicolon"
    )
    assert (
        show_run(lite_world.site, lite_world.caller("laboratory"), run_id).row.method == "olsen-1:20-colour"
    )


def test_what_is_no_run_is_refused_and_nothing_kept(world: World) -> None:
    caller = world.caller("laboratory")
    picture = Upload("run.csv", b"\x89PNG\r\n" + bytes(100))
    with pytest.raises(RunFileError, match="the file is a PNG picture"):
        upload_run(world.site, caller, picture)
    with pytest.raises(Invalid, match=r"there is no layout '\.\./secret'") as caught:
        upload_run(world.site, caller, run_file(), layout="../secret")
    assert caught.value.fields.keys() == {"layout"}
    assert ", ".join(layouts()) in caught.value.expected
    with pytest.raises(Invalid, match="there is no run 'R-1'"):
        upload_run(world.site, caller, run_file(), replaces="R-1")
    assert list_runs(world.site, caller) == ()


def test_a_name_is_given_once_whatever_its_capitals(world: World) -> None:
    caller = world.caller("laboratory")
    upload_run(world.site, caller, run_file())
    with pytest.raises(Conflict) as caught:
        upload_run(world.site, caller, run_file(NAME.lower()))
    assert f"there is a run {NAME} already" in str(caught.value)
    assert "not confirmed yet, throw it away" in (caught.value.fix or "")
    assert "give a rerun a name of its own" in str(caught.value)
    upload_run(
        world.site, world.caller("other-laboratory"), run_file()
    )  # another laboratory's names are its own


def test_a_wrong_file_is_thrown_away_before_it_is_confirmed(world: World) -> None:
    caller = world.caller("laboratory")
    run_id = upload_run(world.site, caller, run_file())
    discard_run(world.site, caller, run_id, 1)
    with pytest.raises(NotFound, match="there is no such run"):
        show_run(world.site, caller, run_id)
    again = _confirmed(world)
    with pytest.raises(Conflict, match="the run is confirmed, which does not allow this step"):
        discard_run(world.site, caller, again, 2)
    assert [line.verb for line in _audit(world)] == ["upload", "discard", "upload", "confirm"]


def test_a_step_names_the_version_it_saw(world: World) -> None:
    caller = world.caller("laboratory")
    run_id = upload_run(world.site, caller, run_file())
    confirm_run(world.site, caller, run_id, 1)
    steps: list[Callable[[], object]] = [
        lambda: confirm_run(world.site, caller, run_id, 1),
        lambda: keep_choice(world.site, caller, run_id, 1, Choice()),
        lambda: decide(world.site, caller, run_id, 1, "held", "looks odd"),
        lambda: discard_run(world.site, caller, run_id, 1),
    ]
    for step in steps:
        with pytest.raises(Conflict, match="somebody else has changed this run since you looked at it"):
            step()
    assert show_run(world.site, caller, run_id).row.version == 2


def test_a_run_is_decided_only_after_it_was_confirmed(world: World) -> None:
    caller = world.caller("laboratory")
    run_id = upload_run(world.site, caller, run_file())
    with pytest.raises(Conflict, match="the run is read, which does not allow this step"):
        decide(world.site, caller, run_id, 1, "rejected", "no")


def test_no_switch_overrules_a_check(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller = world.caller("laboratory")
    run_id = _confirmed(world, run_file("QW-0413-N", DRIFTING))
    with pytest.raises(Conflict, match="the checks say hold, and no switch overrules a check"):
        decide(world.site, caller, run_id, 2, "accepted", "I know better")
    decide(world.site, caller, run_id, 2, "held", "it drifts")
    row = show_run(world.site, caller, run_id).row
    assert (row.state, row.reason, row.decided_by, row.version) == ("held", "it drifts", "Laboratory", 3)


def test_a_run_that_cannot_be_worked_out_is_shown_and_not_accepted(world: World) -> None:
    caller = world.caller("laboratory")
    text = run_file().content.decode().replace("Method,bray1-1:10-colour", "Method,nobody-knows")
    run_id = _confirmed(world, Upload("run.csv", text.encode()))
    view = show_run(world.site, caller, run_id)
    assert view.sheet is None
    assert view.problem is not None
    assert "unknown method 'nobody-knows'" in str(view.problem)
    with pytest.raises(Conflict, match="cannot be worked out: unknown method"):
        decide(world.site, caller, run_id, 2, "accepted")
    decide(world.site, caller, run_id, 2, "rejected", "wrong method in the header")


@pytest.mark.parametrize("state", ["held", "rejected"])
def test_holding_and_rejecting_need_a_reason(lite_world: World, state: Any) -> None:
    run_id = _confirmed(lite_world)
    for reason, part in (("  ", "a reason is missing"), ("x" * 201, "a text of 201 characters")):
        with pytest.raises(Invalid, match=part) as caught:
            decide(lite_world.site, lite_world.caller("laboratory"), run_id, 2, state, reason)
        assert caught.value.fields.keys() == {"reason"}
    decide(lite_world.site, lite_world.caller("laboratory"), run_id, 2, state, "x" * 200)


def test_another_choice_is_compared_before_it_is_kept(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller, run_id = world.caller("laboratory"), _confirmed(world)
    choice = Choice(model="quadratic", excluded=(Exclusion(position=9, reason="bubble"),))
    compared = compare(world.site, caller, run_id, choice)
    assert compared.standing.sheet is not None
    assert compared.proposed.sheet is not None
    old, new = compared.standing.sheet.curve, compared.proposed.sheet.curve
    assert old is not None
    assert new is not None
    assert (old.model, old.highest_mg_per_l, len(old.coefficients)) == ("linear", 10, 2)
    assert (new.model, new.highest_mg_per_l, len(new.coefficients)) == ("quadratic", 7.5, 3)
    assert compared.samples == 24
    assert compared.changes
    sizes = [abs(change.percent) for change in compared.changes if change.percent is not None]
    assert sizes == sorted(sizes, reverse=True)
    gone = {
        change.lab_number
        for change in compared.changes
        if change.after and "over-range" in change.after.flags
    }
    assert "004823" in gone  # above the highest standard that is left
    view = show_run(world.site, caller, run_id)
    assert (view.row.version, view.row.choice, view.row.excluded) == (2, {}, [])  # nothing was kept


def test_a_kept_choice_stays_with_its_reason_and_voids_the_decision(world: World, tmp_path: Path) -> None:
    lay_bench(world, tmp_path)
    caller, run_id = world.caller("laboratory"), _confirmed(world)
    decide(world.site, caller, run_id, 2, "accepted")
    choice = Choice(
        model="linear", weighting="1", zero_standard=True, excluded=(Exclusion(position=9, reason="bubble"),)
    )
    keep_choice(world.site, caller, run_id, 3, choice)
    view = show_run(world.site, caller, run_id)
    assert (view.row.state, view.row.decided_at, view.row.decided_by) == ("confirmed", None, "")
    assert view.row.choice == {"weighting": "1", "zero_standard": True}  # the file says linear itself
    assert view.sheet is not None
    assert view.sheet.curve is not None
    out = [point for point in view.sheet.curve.standards if point.excluded]
    assert [(point.position, point.reason) for point in out] == [(9, "bubble")]
    assert view.sheet.curve.highest_mg_per_l == 7.5
    line = _audit(world)[-1]
    assert (line.verb, line.before["state"], line.after["excluded"]) == (
        "choose",
        "accepted",
        [[9, "bubble"]],
    )
    keep_choice(world.site, caller, run_id, 4, Choice())
    row = show_run(world.site, caller, run_id).row
    assert (row.choice, row.excluded) == ({}, [])


@pytest.mark.parametrize(
    ("excluded", "error", "part"),
    [
        ([(9, " ")], Invalid, "a reason is missing"),
        ([(9, "a"), (9, "b")], Invalid, "a cup is taken out twice"),
        ([(99, "a")], RunError, "there is no cup at position 99"),
        ([(9, "a\u202eb")], Invalid, "invisible character U\\+202E"),
    ],
)
def test_an_impossible_choice_is_refused(
    lite_world: World, excluded: list[tuple[int, str]], error: type[FurrowsliceError], part: str
) -> None:
    caller, run_id = lite_world.caller("laboratory"), _confirmed(lite_world)
    choice = Choice(excluded=tuple(Exclusion(position=at, reason=reason) for at, reason in excluded))
    with pytest.raises(error, match=part):
        compare(lite_world.site, caller, run_id, choice)
    with pytest.raises(error, match=part):
        keep_choice(lite_world.site, caller, run_id, 2, choice)


def test_runs_are_the_laboratory_s_own(world: World) -> None:
    run_id = _confirmed(world)
    other = world.caller("other-laboratory")
    steps: list[Callable[[Any], object]] = [
        lambda who: show_run(world.site, who, run_id),
        lambda who: compare(world.site, who, run_id, Choice()),
        lambda who: confirm_run(world.site, who, run_id, 2),
        lambda who: keep_choice(world.site, who, run_id, 2, Choice()),
        lambda who: decide(world.site, who, run_id, 2, "held", "x"),
        lambda who: discard_run(world.site, who, run_id, 2),
    ]
    for step in steps:
        with pytest.raises(NotFound, match="there is no such run"):
            step(other)
        for person in ("agent", "agronomist", "administrator"):
            with pytest.raises(NotAllowed):
                step(world.caller(person))
    assert list_runs(world.site, other) == ()
    with pytest.raises(NotAllowed):
        upload_run(world.site, world.caller("agent"), run_file())


def test_runs_are_found_by_name_analyte_and_state(world: World) -> None:
    caller = world.caller("laboratory")
    first = upload_run(world.site, caller, run_file("A_1"))
    second = upload_run(world.site, caller, run_file("AB1"))
    confirm_run(world.site, caller, second, 1)
    found = {
        search: [row.run_id for row in list_runs(world.site, caller, search=search)]
        for search in ("a", "A_", "%", "p", "nitrate")
    }
    assert found == {"a": ["AB1", "A_1"], "A_": ["A_1"], "%": [], "p": ["AB1", "A_1"], "nitrate": []}
    assert [row.id for row in list_runs(world.site, caller, state="read")] == [first]
    assert [row.id for row in list_runs(world.site, caller, before=second, most=1)] == [first]
