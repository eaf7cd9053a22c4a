"""Agronomists who really act at the same moment: every edit that was accepted is there, one of two wins."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from threading import Barrier
from typing import Any

import pytest
import sqlalchemy as sa

from service.actions import drafting, reviewing
from service.actions.draftdesk import desk
from service.callers import Caller, Role, operator
from service.entries.entry import Entry
from service.refusals import Conflict, NotFound, Refusal
from service.releases import breaks, content_of
from service.store import accounts, drafts, releases, schema
from tests.app.server.conftest import World
from tests.app.server.draft_steps import REGION, begun, changed, saved, submitted, with_fact

PEOPLE = ("agronomist", "reviewer", "third", "fourth")
ROUNDS = 5


@dataclass
class Crowd:
    """Four agronomists of one region, each in a thread of their own."""

    world: World
    callers: Sequence[Caller]
    pool: ThreadPoolExecutor

    def at_once(self, *tasks: Callable[[], Any]) -> list[Any]:
        """Carry out tasks at the same moment; each result, or what a task was refused with."""
        barrier = Barrier(len(tasks))

        def begin(task: Callable[[], Any]) -> Any:
            barrier.wait(10)
            try:
                return task()
            except (Conflict, NotFound) as refused:
                return refused

        return [going.result(60) for going in [self.pool.submit(begin, task) for task in tasks]]


def won(answers: Sequence[Any]) -> list[Any]:
    return [each for each in answers if not isinstance(each, Refusal)]


@pytest.fixture
def crowd(world: World) -> Any:
    with world.site.database.housekeeping(operator()) as look:
        for name in PEOPLE[2:]:
            world.people[name] = accounts.add(
                look, email=f"{name}@soil.example", name=name.title(), role=Role.AGRONOMIST,
                laboratory_id=None, region=REGION,
            )  # fmt: skip
    with ThreadPoolExecutor(len(PEOPLE)) as pool:
        yield Crowd(world, [world.caller(name) for name in PEOPLE], pool)


def history(world: World, draft: int) -> list[tuple[Entry, ...]]:
    """What was typed at each revision, first to last; no number is missing."""
    with world.site.database.look(operator(), None) as look:
        rows = drafts.revisions(look, draft)[::-1]
        assert [row.number for row in rows] == list(range(1, len(rows) + 1))
        return [drafts.entries(look, draft, row.number) for row in rows]


def test_every_accepted_edit_is_there_and_one_of_those_who_saw_the_same_wins(crowd: Crowd) -> None:
    world, site = crowd.world, crowd.world.site
    draft = begun(world)
    accepted: dict[int, Entry] = {}
    for turn in range(2 * ROUNDS):
        found = desk(site, crowd.callers[0], draft)
        same = turn % 2 == 0
        typed = [
            with_fact(found.entries[1 if same else 1 + who], title=f"{turn} by {who}")
            for who in range(len(PEOPLE))
        ]
        answers = crowd.at_once(
            *(
                partial(drafting.save, site, who, draft, found.revision, each)
                for who, each in zip(crowd.callers, typed, strict=True)
            )
        )
        assert len(won(answers)) == (1 if same else len(PEOPLE)), answers
        for answer, each in zip(answers, typed, strict=True):
            if isinstance(answer, int):
                assert answer not in accepted
                accepted[answer] = each
            else:
                assert "somebody else has changed this table" in answer.what
    stood = history(world, draft)
    assert sorted(accepted) == list(range(2, len(stood) + 1))
    for number, typed_then in accepted.items():  # each revision is the one before, and the one edit
        before, after = stood[number - 2], stood[number - 1]
        assert after == tuple(typed_then if each.number == typed_then.number else each for each in before)
        assert before != after


def test_edits_undone_added_and_removed_at_the_same_moment(crowd: Crowd) -> None:
    """Whatever the order was: each revision is one that the step which made it explains."""
    world, site, callers = crowd.world, crowd.world.site, crowd.callers
    draft = begun(world)
    saved(world, draft, with_fact(desk(site, callers[0], draft).entries[1], title="First"))
    for turn in range(ROUNDS):
        found = desk(site, callers[0], draft)
        seen, one, other = found.revision, found.entries[2], found.entries[-1]
        mine = with_fact(one, title=f"Turn {turn}")
        answers = crowd.at_once(
            partial(drafting.save, site, callers[0], draft, seen, mine),
            partial(drafting.go_back, site, callers[1], draft, seen, seen - 1),
            partial(drafting.add, site, callers[2], draft, "scales"),
            partial(drafting.remove, site, callers[3], draft, seen, other.number),
        )
        assert not isinstance(answers[2], Refusal)  # an empty table is in nobody's way
        stood = history(world, draft)
        if isinstance(answers[1], Conflict):
            assert "so nothing was undone" in answers[1].what
        else:  # nobody had stored anything before
            assert answers[1] == seen + 1
            assert stood[seen] == stood[seen - 2]
        if isinstance(answers[0], int):
            assert mine in stood[answers[0] - 1]
        if isinstance(answers[3], int):
            assert other.number not in {each.number for each in stood[answers[3] - 1]}
        assert answers[2] in {each.number for each in stood[-1]}
        assert len(stood) == seen + len(won(answers))


def test_a_draft_is_submitted_once_and_not_while_somebody_types(crowd: Crowd) -> None:
    site, callers = crowd.world.site, crowd.callers
    for _ in range(ROUNDS):
        draft = changed(crowd.world)
        found = desk(site, callers[0], draft)
        typed = with_fact(found.entries[1], remark="Late.")
        answers = crowd.at_once(
            *(partial(reviewing.submit, site, who, draft, found.revision, "Trials.") for who in callers[:3]),
            partial(drafting.save, site, callers[3], draft, found.revision, typed),
        )
        assert len(won(answers)) == 1, answers
        state = desk(site, callers[0], draft).draft
        if isinstance(answers[3], Conflict):
            assert (state.state, state.submitted_sha256) == ("submitted", won(answers)[0])
            assert typed not in history(crowd.world, draft)[-1]
        else:
            assert (state.state, state.submitted_sha256) == ("open", "")
            assert typed in history(crowd.world, draft)[-1]


def test_a_draft_is_approved_once_and_published_or_sent_back(crowd: Crowd) -> None:
    world, site, callers = crowd.world, crowd.world.site, crowd.callers
    with world.site.database.look(operator(), None) as look:
        (first,) = releases.of_book(look, REGION)
    for turn in range(ROUNDS):
        draft = begun(world)
        entry = desk(site, callers[0], draft).entries[1]
        saved(world, draft, with_fact(entry, remark=f"Turn {turn}."))
        _, sha256 = submitted(world, draft)
        answers = crowd.at_once(
            *(partial(reviewing.approve, site, who, draft, sha256) for who in callers[1:])
        )
        assert len(won(answers)) == 1, answers
        approver = callers[1 + next(i for i, each in enumerate(answers) if each is None)]
        answers = crowd.at_once(
            *(partial(reviewing.publish, site, who, draft, sha256) for who in callers[:3]),
            partial(reviewing.send_back, site, callers[3], draft, "Wait."),
        )
        assert len(won(answers)) == 1, answers
        state = desk(site, callers[0], draft).draft
        with world.site.database.look(operator(), None) as look:
            last = releases.latest(look)[REGION]
            assert breaks(releases.chain(look, REGION)) == ()
            content = content_of(releases.contents(look, [last.sha256])[last.sha256])
        if isinstance(answers[3], Conflict):
            assert (state.state, state.release_id) == ("published", last.id)
            assert content.approved_by == approver.name
            assert content.approved_by not in content.written_by
            assert content.why == "New trials."
        else:
            assert (state.state, state.approved_by) == ("open", "")
            assert last.id == first.id
        first = last


def test_of_drafts_that_are_published_at_the_same_moment_one_becomes_a_release(crowd: Crowd) -> None:
    world, site, callers = crowd.world, crowd.world.site, crowd.callers
    for turn in range(ROUNDS):
        ready = []
        for number in range(3):
            draft = begun(world)
            entry = desk(site, callers[0], draft).entries[1]
            saved(world, draft, with_fact(entry, remark=f"Turn {turn}, draft {number}."))
            _, sha256 = submitted(world, draft)
            reviewing.approve(site, callers[1], draft, sha256)
            ready.append((draft, sha256))
        answers = crowd.at_once(*(partial(reviewing.publish, site, callers[0], *each) for each in ready))
        assert len(won(answers)) == 1, answers
        for refused in answers:
            if isinstance(refused, Conflict):
                assert "another release of this region was published" in refused.what
    with world.site.database.look(operator(), None) as look:
        links = releases.chain(look, REGION)
        assert breaks(links) == ()
        assert len(links) == 1 + ROUNDS
        published = sa.select(sa.func.count()).where(schema.table_draft.c.state == "published")
        assert look.connection.scalar(published) == ROUNDS
