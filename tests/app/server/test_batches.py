"""Batches: which visits, in which order, issued once each whatever goes wrong on the way."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from interpretation.errors import FurrowsliceError
from service.actions import batches, privacy, reporting
from service.actions.batches import BatchWish, Choice
from service.callers import Caller, operator
from service.outputs import Outputs
from service.refusals import Conflict, Invalid, NoRoom, NotAllowed, NotFound, Unavailable
from service.store import candidates, jobwork, schema, visits
from service.work import drawing, runner
from service.work.executors import WorkerLost
from service.work.labour import SchedulerLost
from tests.app.server.batches import (
    FAST,
    SMALL,
    Inline,
    add_ready,
    fail_for,
    items,
    rows,
    start,
    states,
    use_plain_pages,
    work,
)
from tests.app.server.conftest import World
from tests.app.server.land import P, add_value, add_visit

# Where the engine makes no difference.
on_sqlite = pytest.mark.parametrize("world", ["sqlite"], indirect=True)


@pytest.fixture
def outputs(world: World, monkeypatch: pytest.MonkeyPatch) -> Outputs:
    return use_plain_pages(world, monkeypatch)


def files(world: World) -> dict[str, bytes]:
    found = (world.site.settings.data / "reports").rglob("*")
    return {path.name: path.read_bytes() for path in found if path.is_file()}


# ------------------------------------------------------------------------------------ which visits


def test_a_preview_says_what_is_left_out_and_why(world: World, outputs: Outputs) -> None:
    agent = world.caller("agent")
    ready, bare, reported, erased = (add_ready(world, n, values=n != 2) for n in (1, 2, 3, 4))
    issue(world, reported.visits[0])
    privacy.erase_grower(world.site, agent, erased.grower)
    found = batches.preview(world.site, agent, Choice(), BatchWish())
    assert [each.visit_id for each in found.chosen] == ready.visits
    assert {each.visit_id: reason for each, reason in found.left_out} == {
        bare.visits[0]: "no-values", reported.visits[0]: "standing", erased.visits[0]: "erased",
    }  # fmt: skip
    assert found.reasons == {"no-values": 1, "standing": 1, "erased": 1}
    again = batches.preview(world.site, agent, Choice(), BatchWish(replaces=True))
    assert [each.visit_id for each in again.chosen] == [*ready.visits, *reported.visits]


def issue(world: World, visit_id: int) -> None:
    reports = pytest.MonkeyPatch()
    reports.setattr(reporting, "drawn", lambda made: made.card.report_id.encode())
    reporting.issue(world.site, world.caller("agent"), visit_id, reporting.Wish())
    reports.undo()


def test_visits_are_found_by_words_county_and_day_or_listed(world: World) -> None:
    first, second = add_ready(world, 1), add_ready(world, 2, county="lower")
    late = add_visit(world, first, date(2026, 5, 9), ("26-77777",))
    add_value(world, first.samples[-1], P, 8.0)
    laboratory = world.caller("laboratory")

    def found(**choice: Any) -> tuple[set[int], tuple[str, ...]]:
        made = batches.preview(world.site, laboratory, Choice(**choice), BatchWish())
        return {each.visit_id for each in made.chosen}, made.unknown

    assert found() == ({first.visits[0], late, *second.visits}, ())
    assert found(search="plot 2") == (set(second.visits), ())
    assert found(county="lower") == (set(second.visits), ())
    assert found(since=date(2026, 5, 9)) == ({late}, ())
    assert found(visits=(late, 99_999)) == ({late}, ("99999",))
    assert found(lab_numbers=("26-00002", "26-77777", "26-4")) == ({late, *second.visits}, ("26-4",))
    with pytest.raises(Invalid, match="no such county of yours"):
        found(county="nowhere")


def test_nobody_sees_or_starts_what_is_not_theirs(world: World) -> None:
    upper, lower = add_ready(world, 1), add_ready(world, 2, county="lower")
    agent, other = world.caller("agent"), world.caller("other-agent")
    made = batches.preview(world.site, agent, Choice(visits=(*upper.visits, *lower.visits)), BatchWish())
    assert ([each.visit_id for each in made.chosen], made.unknown) == (upper.visits, (str(lower.visits[0]),))
    job_id = start(world, person="agent")
    assert batches.one(world.site, world.caller("laboratory"), job_id).counts.total == 1
    for stranger in (other, world.caller("other-laboratory")):
        for door in (batches.one, batches.cancel, batches.try_again):
            with pytest.raises(NotFound, match="there is no such batch"):
                door(world.site, stranger, job_id)
        assert batches.find(world.site, stranger) == ((), False)
    with pytest.raises(NotAllowed):
        batches.preview(world.site, world.caller("agronomist"), Choice(), BatchWish())


@on_sqlite
def test_items_lie_in_the_order_of_the_route(world: World) -> None:
    lands = [add_ready(world, n, county=county) for n, county in ((10, "upper"), (9, "upper"), (1, "lower"))]
    lower, nine, ten = lands[2], lands[1], lands[0]
    start(world)
    assert [row.sampling_id for row in items(world)] == [*lower.visits, *nine.visits, *ten.visits]
    assert [row.number for row in items(world)] == [1, 2, 3]
    assert items(world)[0].route.startswith(" lower/ grower 00000001/")


@pytest.mark.parametrize(
    ("title", "seen", "fault", "said"),
    [
        (" ", None, Invalid, "no title"),
        ("x" * 101, None, Invalid, "no title"),
        ("a\u202eb", None, Invalid, "no title"),
        ("Spring", 3, Conflict, "there are 1 reports to be made now, and not 3"),
    ],
)
def test_a_batch_is_refused(
    lite_world: World, title: str, seen: int | None, fault: type[Exception], said: str
) -> None:
    add_ready(lite_world, 1)
    with pytest.raises(fault, match=said):
        batches.start(
            lite_world.site, lite_world.caller("laboratory"), title, Choice(), BatchWish(), seen=seen
        )
    assert rows(lite_world, schema.job) == []


def test_a_batch_of_nothing_or_of_too_much_is_refused(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(Invalid, match="no visit of these can be reported on"):
        start(lite_world)
    monkeypatch.setattr(batches, "MOST_ITEMS", 1)
    add_ready(lite_world, 1), add_ready(lite_world, 2)
    with pytest.raises(Invalid, match="more than 1 visits are chosen"):
        start(lite_world)


# ------------------------------------------------------------------------------------- worked on


def test_every_visit_gets_one_report_its_file_and_its_mark(world: World, outputs: Outputs) -> None:
    for number in range(1, 6):
        add_ready(world, number, language="es" if number == 2 else "en")
    job_id = start(world)
    hands = Inline()
    assert work(world, job_id, hands, ways=SMALL) == "done"
    assert [len(order.items) for order in hands.orders] == [3, 2]
    assert states(world) == ["done"] * 5
    issued = {row.id: row for row in rows(world, schema.report)}
    assert len(issued) == 5
    documents = {row.sha256: bytes(row.content) for row in rows(world, schema.document)}
    there = files(world)
    assert len(there) == 5
    for row in items(world):
        report = issued[row.report_id]
        assert report.sampling_id == row.sampling_id
        assert row.file_name == f"{row.number:06d}-{report.report_id}.pdf"
        content = there[row.file_name]
        assert hashlib.sha256(content).hexdigest() == row.file_sha256 == report.document_sha256
        assert documents[report.document_sha256] == content
        assert report.issued_by == "Laboratory"
    assert sorted(report.language for report in issued.values()) == ["en", "en", "en", "en", "es"]
    batch = batches.one(world.site, world.caller("laboratory"), job_id)
    assert (batch.job.state, batch.job.runner, batch.counts.done) == ("done", "", 5)
    lines = [row for row in rows(world, schema.audit) if row.verb == "issue"]
    assert [row.door for row in lines] == ["batch"] * 5


def test_what_a_batch_issues_is_what_is_issued_one_by_one(world: World, outputs: Outputs) -> None:
    land = add_ready(world, 1)
    made = reporting.draft(world.site, world.caller("laboratory"), land.visits[0], reporting.Wish())
    work(world, start(world))
    (report,) = rows(world, schema.report)
    assert report.report_id == made.card.report_id
    assert report.advice == made.advice.model_dump(mode="json")
    assert report.inputs == made.inputs.model_dump(mode="json")


@on_sqlite
def test_a_batch_replaces_reports_that_stand_where_that_is_wanted(world: World, outputs: Outputs) -> None:
    land = add_ready(world, 1)
    issue(world, land.visits[0])
    add_value(world, land.samples[0], ("Zn", "Zn", "dtpa", "mg/kg", "air-dry"), 0.4)
    work(world, start(world, BatchWish(replaces=True, paper="letter", language="es", units="us")))
    first, second = rows(world, schema.report)
    assert (second.replaces, second.paper, second.language, second.units) == (first.id, "letter", "es", "us")


def test_a_refused_visit_ends_with_its_reason_and_holds_nobody_up(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    lands = [add_ready(world, number) for number in range(1, 5)]
    job_id = start(world)
    issue(world, lands[1].visits[0])  # meanwhile, by a person
    monkeypatch.setattr(
        drawing, "advised", fail_for(lands[2].visits, FurrowsliceError("no such crop here", fix="mend it"))
    )
    work(world, job_id)
    assert states(world) == ["done", "failed", "failed", "done"]
    _, standing, broken, _ = items(world)
    assert standing.reason.startswith("there is a report of this visit for this crop already")
    assert broken.reason == "no such crop here; mend it"
    assert (standing.attempts, broken.attempts) == (1, 1)
    assert batches.one(world.site, world.caller("laboratory"), job_id).job.state == "done"


@on_sqlite
def test_an_unexpected_fault_is_tried_three_times_and_named_by_its_kind_alone(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    lands = [add_ready(world, number) for number in range(1, 4)]
    monkeypatch.setattr(drawing, "advised", fail_for(lands[1].visits, ValueError("Grower 2 of Mill Lane")))
    work(world, start(world))
    assert states(world) == ["done", "failed", "done"]
    assert items(world)[1].reason == (
        "something unexpected happened while it was drawn: ValueError (3 tries)"
    )
    assert items(world)[1].attempts == 3


@on_sqlite
def test_an_item_over_which_workers_die_fails_alone_after_three_tries(world: World, outputs: Outputs) -> None:
    for number in range(1, 8):
        add_ready(world, number)
    job_id = start(world)
    poison = items(world)[4].id

    def die(order: Any) -> None:
        if poison in [each.id for each in order.items]:
            raise WorkerLost("gone")

    hands = Inline(die)
    work(world, job_id, hands, ways=SMALL)
    assert states(world) == ["done"] * 4 + ["failed"] + ["done"] * 2
    assert items(world)[4].reason == "the process that drew this came to an end over it (3 tries)"
    assert [len(order.items) for order in hands.orders] == [3, 3, 1, 2, 1, 1, 1]
    assert len(rows(world, schema.report)) == 6
    assert rows(world, schema.job)[0].state == "done"


@on_sqlite
def test_a_lost_scheduler_costs_no_item_a_try(world: World, outputs: Outputs) -> None:
    add_ready(world, 1)
    faults = [SchedulerLost("gone")] * 5

    def lose(_: Any) -> None:
        if faults:
            raise faults.pop()

    work(world, start(world), Inline(lose))
    assert [(row.state, row.attempts) for row in items(world)] == [("done", 1)]


def test_nothing_is_issued_that_changed_while_it_was_drawn(world: World, outputs: Outputs) -> None:
    first, _ = add_ready(world, 1), add_ready(world, 2)
    job_id = start(world)

    class Slow(Inline):
        def run(self, function: Any, chunks: Any, /) -> Any:
            for chunk, outcome in super().run(function, chunks):
                if len(self.orders) == 1:
                    add_value(world, first.samples[0], ("Zn", "Zn", "dtpa", "mg/kg", "air-dry"), 0.4)
                    before.update(files(world))
                yield chunk, outcome

    before: dict[str, bytes] = {}
    work(world, job_id, Slow())
    assert [(row.state, row.attempts) for row in items(world)] == [("done", 2), ("done", 1)]
    stale = min(before)
    assert stale not in files(world), "a page that was never issued must not stay"
    assert set(files(world)) == {row.file_name for row in items(world)}
    report = next(row for row in rows(world, schema.report) if row.sampling_id == first.visits[0])
    assert "Zn" in str(report.inputs)


@on_sqlite
def test_a_file_that_is_not_as_it_was_written_is_not_issued(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_ready(world, 1)
    monkeypatch.setattr(outputs, "get", lambda *_: b"%PDF another")
    work(world, start(world))
    assert states(world) == ["failed"]
    assert items(world)[0].reason.startswith("a file in the outputs is not as it was written")
    assert rows(world, schema.report) == []
    assert files(world) == {}


# ------------------------------------------------------------------------------ faults of the place


@on_sqlite
def test_outputs_without_room_fail_the_rest_soon_and_keep_what_was_issued(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(1, 11):
        add_ready(world, number)
    put, full = outputs.put, [False]

    def limited(folder: str, name: str, content: bytes) -> None:
        full[0] = full[0] or name.startswith("000005")
        if full[0]:
            raise NoRoom("reports cannot be written to the outputs: No space left on device", fix="make room")
        put(folder, name, content)

    monkeypatch.setattr(outputs, "put", limited)
    hands = Inline()
    job_id = start(world)
    work(world, job_id, hands, ways=SMALL)
    assert states(world) == ["done"] * 4 + ["failed"] * 6
    assert {row.reason for row in items(world)[4:]} == {
        "reports cannot be written to the outputs: No space left on device; make room"
    }
    assert len(hands.orders) == 2, "the rest is not drawn in vain"
    monkeypatch.setattr(outputs, "put", put)  # somebody makes room
    assert batches.try_again(world.site, world.caller("laboratory"), job_id) == 6
    work(world, job_id)
    assert states(world) == ["done"] * 10
    assert len(rows(world, schema.report)) == 10


@on_sqlite
def test_outputs_that_are_away_for_a_moment_cost_nothing(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(1, 5):
        add_ready(world, number)
    put, faults = outputs.put, [Unavailable("reports cannot be written to the outputs")] * 2

    def flaky(folder: str, name: str, content: bytes) -> None:
        if faults:
            raise faults.pop()
        put(folder, name, content)

    monkeypatch.setattr(outputs, "put", flaky)
    work(world, start(world), ways=SMALL)
    assert states(world) == ["done"] * 4


@on_sqlite
def test_a_busy_database_is_waited_for(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_ready(world, 1)
    real, faults = runner.issue_ready, [Unavailable("the database does not answer")] * 2

    def busy(*given: Any) -> Any:
        if faults:
            raise faults.pop()
        return real(*given)

    monkeypatch.setattr(runner, "issue_ready", busy)
    work(world, start(world))
    assert states(world) == ["done"]
    assert items(world)[0].attempts == 1


@on_sqlite
def test_a_database_that_stays_away_leaves_the_batch_to_be_gone_on_with(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_ready(world, 1)
    job_id = start(world)

    def away(*_: Any) -> Any:
        raise NoRoom("the disk is full, so nothing was stored")

    with monkeypatch.context() as patch:
        patch.setattr(runner, "issue_ready", away)
        with pytest.raises(NoRoom):
            work(world, job_id)
    assert [(row.state, row.attempts) for row in items(world)] == [("waiting", 0)]
    (job,) = rows(world, schema.job)
    assert (job.state, job.runner) == ("waiting", "")
    work(world, job_id)
    assert states(world) == ["done"]


# -------------------------------------------------------------------------------- who works on it


def test_one_process_works_on_a_batch_until_it_is_missed(world: World, outputs: Outputs) -> None:
    add_ready(world, 1)
    job_id = start(world)
    runner.take(world.site, job_id, "elsewhere 1 2 a")
    world.clock.move(seconds=59)
    with pytest.raises(Conflict, match="another process works on this batch"):
        work(world, job_id)
    assert states(world) == ["waiting"]
    world.clock.move(seconds=2)
    assert work(world, job_id) == "done"
    with pytest.raises(Conflict, match="this batch has ended"):
        work(world, job_id)


@on_sqlite
def test_a_process_of_this_machine_that_has_ended_is_missed_at_once(world: World, outputs: Outputs) -> None:
    add_ready(world, 1)
    job_id = start(world)
    mine = runner.new_name()
    place, pid, began, mark = mine.split(" ")
    runner.take(world.site, job_id, f"{place} {pid} {int(began) - 1} {mark}")  # of an earlier one of that id
    assert work(world, job_id) == "done"


def test_who_has_lost_a_batch_issues_nothing_more(world: World, outputs: Outputs) -> None:
    for number in (1, 2):
        add_ready(world, number)
    job_id = start(world)

    def overtaken(_: Any) -> None:
        world.clock.move(seconds=61)
        runner.take(world.site, job_id, "elsewhere 1 2 a")

    assert work(world, job_id, Inline(overtaken)) == "lost"
    assert rows(world, schema.report) == []
    assert states(world) == ["waiting"] * 2
    world.clock.move(seconds=61)
    assert work(world, job_id) == "done"
    assert len(rows(world, schema.report)) == 2


@on_sqlite
def test_a_report_issued_at_the_moment_of_a_fall_is_not_issued_again(world: World, outputs: Outputs) -> None:
    """The worker's answer comes twice: from one who fell after the commit, and from the next try."""
    add_ready(world, 1)
    job_id = start(world)

    class Twice(Inline):
        def run(self, function: Any, chunks: Any, /) -> Any:
            for chunk, outcome in super().run(function, chunks):
                yield chunk, outcome
                yield chunk, outcome

    work(world, job_id, Twice())
    assert len(rows(world, schema.report)) == 1
    assert states(world) == ["done"]
    assert set(files(world)) == {items(world)[0].file_name}


@on_sqlite
def test_what_was_begun_again_and_again_without_a_word_is_given_up(world: World, outputs: Outputs) -> None:
    for number in (1, 2):
        add_ready(world, number)
    job_id = start(world)
    with world.site.database.housekeeping(operator()) as look:
        first = schema.job_item.c.number == 1
        look.connection.execute(schema.job_item.update().where(first).values(attempts=runner.MOST_BEGUN))
    work(world, job_id)
    assert states(world) == ["failed", "done"]
    assert items(world)[0].reason.endswith("it was begun 6 times")


def test_cancelling_keeps_what_was_issued_and_begins_nothing_more(world: World, outputs: Outputs) -> None:
    for number in range(1, 10):
        add_ready(world, number)
    job_id = start(world)
    laboratory = world.caller("laboratory")

    def cancel(order: Any) -> None:
        if order.items[0].number > 3:
            batches.cancel(world.site, laboratory, job_id)

    assert work(world, job_id, Inline(cancel), ways=SMALL) == "lost"
    assert states(world) == ["done"] * 3 + ["cancelled"] * 6
    assert len(rows(world, schema.report)) == 3
    assert len(files(world)) == 3, "what was drawn and not issued does not stay"
    with pytest.raises(Conflict, match="this batch has ended already"):
        batches.cancel(world.site, laboratory, job_id)
    with pytest.raises(Conflict, match="nothing to try again"):
        batches.try_again(world.site, laboratory, job_id)


def test_a_batch_is_issued_in_the_name_of_who_asked_as_their_account_is_now(
    world: World, outputs: Outputs
) -> None:
    add_ready(world, 1), add_ready(world, 2)
    first = start(world, person="agent")
    assert work(world, first) == "done"
    assert {row.issued_by for row in rows(world, schema.report)} == {"Agent"}
    add_ready(world, 3)
    second = start(world, person="agent")
    with world.site.database.housekeeping(operator()) as look:
        mine = schema.account.c.id == world.people["agent"]
        look.connection.execute(schema.account.update().where(mine).values(disabled_at=look.now))
    assert work(world, second) == "done"
    assert items(world)[-1].state == "failed"
    assert items(world)[-1].reason.startswith("the account that asked for this batch may no longer issue")


def test_a_visit_that_left_the_agents_counties_is_not_reported(world: World, outputs: Outputs) -> None:
    add_ready(world, 1)
    moved = add_ready(world, 2)
    job_id = start(world, person="agent")
    with world.site.database.housekeeping(operator()) as look:
        field = schema.field.c.id == moved.field
        look.connection.execute(schema.field.update().where(field).values(county_id="lower"))
    work(world, job_id)
    assert states(world) == ["done", "failed"]
    assert items(world)[1].reason.startswith("there is no such visit")


@on_sqlite
def test_the_command_line_starts_a_batch_of_one_laboratory(world: World, outputs: Outputs) -> None:
    add_ready(world, 1)
    caller: Caller = operator(world.laboratories["a"])
    job_id = batches.start(world.site, caller, "All", Choice(), BatchWish())
    assert work(world, job_id) == "done"
    assert [row.issued_by for row in rows(world, schema.report)] == ["command line"]


def test_pace_and_time_left_are_those_of_the_last_minutes(world: World, outputs: Outputs) -> None:
    for number in range(1, 8):
        add_ready(world, number)
    job_id = start(world)
    seen = []

    def told(batch: batches.Batch) -> None:
        world.clock.move(seconds=10)
        found = batches.one(world.site, world.caller("laboratory"), job_id)
        seen.append((found.counts.done, found.per_minute, found.seconds_left))

    work(world, job_id, ways=SMALL, told=told)
    assert seen[0] == (3, None, None)
    assert seen[1] == (6, 9.0, pytest.approx(20 / 3))


@on_sqlite
def test_the_names_of_files_hold_nothing_that_was_typed(world: World, outputs: Outputs) -> None:
    add_ready(world, 1)
    with world.site.database.housekeeping(operator()) as look:
        for table in (schema.grower, schema.farm, schema.field):
            look.connection.execute(table.update().values(name="../../etc/passwd\\x"))
    batches.start(world.site, world.caller("laboratory"), "../title", Choice(), BatchWish())
    work(world, 1)
    (path,) = Path(world.site.settings.data).rglob("*.pdf")
    assert path.parent.parent == world.site.settings.data / "reports"
    assert path.parent.name == "batch-000001-20260420090000"


@on_sqlite
def test_nothing_waits_for_ever(world: World, outputs: Outputs) -> None:
    """Every number of earlier tries belongs to one size of chunk: none is left out, none is there twice."""
    for sizes in (runner.SIZES, SMALL.sizes, FAST.sizes):
        tries = [number for fewest, most, _ in sizes for number in range(fewest, most + 1)]
        assert tries == list(range(runner.MOST_BEGUN))
    assert jobwork.AT_ONCE <= 1000


@on_sqlite
def test_visits_of_a_chunk_are_found_by_their_ids_however_many_fields_there_are(world: World) -> None:
    asked: list[tuple[str, Any]] = []
    engine, caller = world.site.database.engine, world.caller("laboratory")

    def note(_connection: Any, _cursor: Any, statement: str, given: Any, *_: Any) -> None:
        if statement.startswith("SELECT"):
            asked.append((statement, given))

    sa.event.listen(engine, "before_cursor_execute", note)
    with world.site.database.look(caller, None) as look:
        visits.visits_of(look, range(1, 31))
        candidates.listed(look, range(1, 501))
        sa.event.remove(engine, "before_cursor_execute", note)
        for statement, given in asked:
            plan = look.connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", given)
            told = "\n".join(row[3] for row in plan)
            assert "SEARCH sampling USING INTEGER PRIMARY KEY" in told, told
            assert "SEARCH field USING INTEGER PRIMARY KEY" in told, told
    assert len(asked) == 2
