"""Publishing while the power fails, and while somebody else publishes: one release whole, or none."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
import sqlalchemy as sa

from service.actions import reviewing
from service.actions.draftdesk import desk
from service.actions.seeding import seed
from service.callers import operator
from service.refusals import Conflict
from service.releases import breaks
from service.store import releases, schema
from service.store.database import Change
from tests.app.server.conftest import World
from tests.app.server.draft_steps import REGION, begun, changed, named, saved, submitted, with_fact
from tests.app.server.live import environment

# A process that publishes, and is killed by the system as soon as one of its writes is done.
CHILD = """
import os, signal, sys
from datetime import UTC, datetime
import sqlalchemy as sa
from interpretation.agronomy.tables import TableSet
from service.actions import reviewing
from service.callers import RIGHTS, Caller, Role, Scope
from service.settings import Settings
from service.site import Site
from service.store import drafts, releases, schema
from service.store.database import Change, Database, make_engine

url, draft, sha256, holder, name = sys.argv[1:]
where = {"releases": releases, "drafts": drafts, "change": Change}[holder]
whole = getattr(where, name)

def and_die(change, *given, **more):
    whole(change, *given, **more)
    counted = sa.select(sa.func.count()).select_from(schema.table_release)
    print(change.connection.scalar(counted.where(schema.table_release.c.book == "marrowdale")), flush=True)
    os.kill(os.getpid(), signal.SIGKILL)

setattr(where, name, and_die)
site = Site(Settings(), Database(make_engine(url), lambda: datetime(2026, 4, 20, 9, tzinfo=UTC)), TableSet())
caller = Caller(
    1, "Agronomist", Role.AGRONOMIST, Scope(region="marrowdale"), "page", RIGHTS[Role.AGRONOMIST]
)
reviewing.publish(site, caller, int(draft), sha256)
print("published")
"""
POINTS = (("releases", "add"), ("drafts", "alter"), ("change", "note"))


def approved(world: World, draft: int | None = None) -> tuple[int, str]:
    """A draft that the reviewer has approved, and its digest."""
    draft, sha256 = submitted(world, draft)
    reviewing.approve(world.site, world.caller("reviewer"), draft, sha256)
    return draft, sha256


def published(world: World) -> list[int]:
    """Numbers of the region's releases; its chain must be whole."""
    with world.site.database.look(operator(), None) as look:
        chain = releases.chain(look, REGION)
    assert breaks(chain) == ()
    return [link.number for link in chain]


def lines(world: World) -> int:
    with world.site.database.look(operator(), None) as look:
        found = sa.select(sa.func.count()).where(schema.audit.c.verb == "publish")
        counted: int = look.connection.execute(found).scalar_one()
    return counted


def cut(world: World, draft: int, sha256: str, point: tuple[str, str]) -> None:
    """Publish in a process that is killed at a point: the release is written, and not committed."""
    child = subprocess.run(
        [sys.executable, "-c", CHILD, world.site.settings.url, str(draft), sha256, *point], env=environment(),
        capture_output=True, text=True,
    )  # fmt: skip
    assert (child.returncode, child.stdout) == (-signal.SIGKILL, "2\n"), child.stderr


@pytest.mark.parametrize("point", POINTS, ids=lambda point: ".".join(point))
def test_a_power_cut_leaves_nothing_half_published(world: World, point: tuple[str, str]) -> None:
    draft, sha256 = approved(world)
    cut(world, draft, sha256, point)
    assert (published(world), lines(world)) == ([1], 0)
    found = desk(world.site, world.caller("agronomist"), draft)
    assert (found.draft.state, found.draft.release_id, found.stale) == ("approved", None, False)
    assert world.site.in_force().releases[REGION].number == 1
    assert seed(world.site).added == ()  # nor does the next start take anything over anew

    added = reviewing.publish(world.site, world.caller("agronomist"), draft, sha256)
    assert (published(world), lines(world)) == ([1, 2], 1)
    found = desk(world.site, world.caller("agronomist"), draft)
    assert (found.draft.state, found.draft.release_id) == ("published", added)


def test_of_two_who_publish_at_once_one_does_and_the_other_is_told(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = approved(world, changed(world))
    other = begun(world)
    saved(world, other, with_fact(named(world, other), title="Another title"))
    second = approved(world, other)
    together = threading.Barrier(2)
    in_turn = releases.in_turn

    def at_once(change: Change, book: str) -> None:
        if change.connection.dialect.name == "postgresql":
            together.wait(20)  # both are inside; SQLite lets one in at a time
        in_turn(change, book)

    monkeypatch.setattr(releases, "in_turn", at_once)

    def publish(draft: tuple[int, str]) -> str:
        try:
            reviewing.publish(world.site, world.caller("agronomist"), *draft)
        except Conflict as refused:
            return str(refused)
        return "published"

    with ThreadPoolExecutor(2) as pool:
        said = sorted(pool.map(publish, (first, second)), key=len)
    assert said[0] == "published"
    assert "another release of this region was published since this draft was begun" in said[1]
    assert "begin a new draft and make the change there" in said[1]
    assert (published(world), lines(world)) == ([1, 2], 1)
    states = [desk(world.site, world.caller("agronomist"), each).draft.state for each, _ in (first, second)]
    assert sorted(states) == ["approved", "published"]


def test_of_two_who_publish_one_draft_at_once_one_does(world: World) -> None:
    draft, sha256 = approved(world)
    said = []

    def publish(person: str) -> None:
        try:
            reviewing.publish(world.site, world.caller(person), draft, sha256)
        except Conflict as refused:
            said.append(str(refused))

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(publish, ("agronomist", "reviewer")))
    assert len(said) == 1
    assert "this draft is published, so nothing was done" in said[0]
    assert published(world) == [1, 2]
