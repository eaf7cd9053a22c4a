"""A grower who is erased is gone from batches too: files, routes, reasons, what still waits."""

from __future__ import annotations

from typing import Any

import pytest

from service.actions import batches, batchfiles, privacy
from service.actions.batches import BatchWish, Choice
from service.outputs import Outputs
from service.refusals import Conflict, Unavailable
from service.store import schema
from tests.app.server.batches import Inline, add_ready, items, rows, states, use_plain_pages, work
from tests.app.server.conftest import World


@pytest.fixture
def outputs(world: World, monkeypatch: pytest.MonkeyPatch) -> Outputs:
    return use_plain_pages(world, monkeypatch)


def files(world: World) -> set[str]:
    return {path.name for path in (world.site.settings.data / "reports").rglob("*.pdf")}


def start(world: World, title: str = "Spring") -> int:
    return batches.start(world.site, world.caller("laboratory"), title, Choice(), BatchWish())


def test_files_routes_and_titles_of_an_erased_grower_go(world: World, outputs: Outputs) -> None:
    gone, _ = add_ready(world, 1), add_ready(world, 2)
    job_id = start(world, "Only for Grower 1")
    work(world, job_id)
    (of_gone,) = (row for row in items(world) if row.sampling_id == gone.visits[0])
    agent = world.caller("agent")
    told = privacy.export_grower(world.site, agent, gone.grower)
    assert [row["file_name"] for row in told["batch_items"]] == [of_gone.file_name]
    privacy.erase_grower(world.site, agent, gone.grower)
    left, other = items(world)
    assert (left.state, left.route, left.file_name, left.file_sha256, left.reason) == ("done", "", "", "", "")
    assert left.report_id == of_gone.report_id
    assert files(world) == {other.file_name}
    assert rows(world, schema.job)[0].title == "Only for erased"
    archive = batchfiles.archive(world.site, world.caller("laboratory"), job_id)
    whole = b"".join(archive.pieces)
    assert other.file_name.encode() in whole
    assert of_gone.file_name.encode() not in whole


class Killed(Inline):
    """Ends when the pages of a chunk are drawn and none is issued."""

    def run(self, function: Any, chunks: Any, /) -> Any:
        for _ in super().run(function, chunks):
            raise KeyboardInterrupt
        yield  # pragma: no cover - what makes it a generator


def test_cancelling_removes_what_a_killed_runner_drew_and_never_issued(
    world: World, outputs: Outputs
) -> None:
    add_ready(world, 1)
    work(world, start(world), Inline())
    issued = files(world)
    add_ready(world, 2)
    job_id = start(world)
    with pytest.raises(KeyboardInterrupt):
        work(world, job_id, Killed())
    assert len(files(world)) == 2
    batches.cancel(world.site, world.caller("laboratory"), job_id)
    assert files(world) == issued


def test_what_a_killed_runner_drew_of_an_erased_grower_goes(world: World, outputs: Outputs) -> None:
    gone, _ = add_ready(world, 1), add_ready(world, 2)
    job_id = start(world)
    with pytest.raises(KeyboardInterrupt):
        work(world, job_id, Killed())
    assert len(files(world)) == 2
    privacy.erase_grower(world.site, world.caller("agent"), gone.grower)
    (of_other,) = (row.number for row in items(world) if row.sampling_id != gone.visits[0])
    assert [int(name[:6]) for name in files(world)] == [of_other]


def test_what_waits_for_an_erased_grower_is_not_made(world: World, outputs: Outputs) -> None:
    gone, _ = add_ready(world, 1), add_ready(world, 2)
    job_id = start(world)

    class Meanwhile(Inline):
        """The grower is erased when the page is drawn and not yet issued."""

        def run(self, function: Any, chunks: Any, /) -> Any:
            for chunk, outcome in super().run(function, chunks):
                assert len(files(world)) == 2
                privacy.erase_grower(world.site, world.caller("agent"), gone.grower)
                yield chunk, outcome

    assert work(world, job_id, Meanwhile()) == "done"
    assert states(world) == ["cancelled", "done"]
    assert [row.sampling_id for row in rows(world, schema.report)] == [items(world)[1].sampling_id]
    assert files(world) == {items(world)[1].file_name}


def test_nothing_is_erased_while_files_cannot_be_removed(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    land = add_ready(world, 1)
    work(world, start(world))

    def stays(*_: Any) -> None:
        raise Unavailable("reports cannot be removed from the outputs: Read-only file system")

    with monkeypatch.context() as patch:
        patch.setattr(outputs, "remove", stays)
        with pytest.raises(Unavailable, match="cannot be removed"):
            privacy.erase_grower(world.site, world.caller("agent"), land.grower)
    assert rows(world, schema.grower)[0].name == "Grower 1"
    assert items(world)[0].file_name in files(world)
    privacy.erase_grower(world.site, world.caller("agent"), land.grower)
    assert files(world) == set()


def test_a_report_issued_while_its_grower_is_erased_is_noticed(
    world: World, outputs: Outputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    land = add_ready(world, 1)
    job_id = start(world)
    with monkeypatch.context() as patch:
        patch.setattr(privacy, "_remove", lambda *_: work(world, job_id))
        with pytest.raises(Conflict, match="issued at this very moment"):
            privacy.erase_grower(world.site, world.caller("agent"), land.grower)
    assert rows(world, schema.grower)[0].name == "Grower 1"
    privacy.erase_grower(world.site, world.caller("agent"), land.grower)
    assert files(world) == set()
