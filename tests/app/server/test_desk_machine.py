"""Several agronomists at several drafts at once, in any order: no edit is lost, no release unreviewed.

Drawn steps are held against :mod:`tests.app.server.desk_model` on both engines, always the same;
``./run fuzz 500`` draws more.
"""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from service.actions import draftdesk, drafting, reporting, reviewing
from service.actions.advising import advise_on
from service.books import canonical, digest, read, written
from service.callers import Role, operator
from service.entries.checking import check
from service.entries.entry import Entry
from service.entries.writing import entries_of
from service.refusals import Conflict, NotAllowed, NotFound
from service.releases import Content, breaks, content_of
from service.store import accounts, drafts, releases, schema
from tests.app.server.conftest import START, World
from tests.app.server.desk_model import Model, ModelDraft, ModelRelease, Refused, Typed, said
from tests.app.server.draft_steps import REGION, with_cell, with_fact
from tests.app.server.land import advised_land

EXAMPLES = max(8, int(os.environ.get("FUZZ_EXAMPLES", "0")))
LENGTH = 30
FEW = 4  # tables that are typed into: the fewer, the more often two people meet in one
MANY = 50
AGRONOMISTS = ("agronomist", "reviewer", "everywhere")
MOST_DRAFTS = 4  # that are alive at once
NEW_TABLES = (
    schema.table_comment,
    schema.table_upload,
    schema.table_revision,
    schema.report,
    schema.table_draft,
)

who = st.sampled_from(AGRONOMISTS)
GOOD = [("title", "One"), ("title", "Two"), ("remark", "Trials of 2020."), ("bound", "24")]
edits = [*GOOD, ("title", ""), ("bound", "25.5"), ("bound", "7,5"), ("round_to", "one")]


@dataclass(frozen=True)
class Drawn:
    """One step: who does what to which draft; and what else it may need."""

    what: str
    name: str
    other: str = "reviewer"
    number: int = 0  # which of the drafts that are alive
    at: int = MANY
    how: tuple[str, str] = ("title", "One")
    ago: int = 0  # how many revisions the person is behind
    day: int | None = None
    rare: bool = False


STEPS = {
    "begin": 2, "save": 8, "add": 1, "remove": 1, "go_back": 3, "comment": 1, "settle": 1, "submit": 3,
    "approve": 3, "send_back": 1, "publish": 2, "whole_way": 5,
    "second_thoughts": 2, "meet": 2, "discard": 1, "time_passes": 2,
    "issue_a_report": 1, "an_agent_tries": 1,
}  # fmt: skip
drawn_steps = st.builds(
    Drawn,
    what=st.sampled_from([what for what, often in STEPS.items() for _ in range(often)]),
    name=who, other=who, number=st.integers(0, MOST_DRAFTS - 1), at=st.integers(0, MANY),
    how=st.sampled_from(edits), ago=st.sampled_from([0, 0, 0, 0, 1, 2, 5]),
    day=st.sampled_from([None, None, None, 0, 2, -1]), rare=st.sampled_from([False, False, False, True]),
)  # fmt: skip


class Desk(RuleBasedStateMachine):
    """Steps of people; each is answered as the model says."""

    def __init__(self, world: World, visit: int, answers: Counter[tuple[str, str]]) -> None:
        super().__init__()
        self.answers = answers
        self.world, self.site, self.visit = world, world.site, visit
        world.clock.at = START
        self.callers = {name: world.caller(name) for name in (*AGRONOMISTS, "agent")}
        with self.site.database.housekeeping(operator()) as look:  # as at the beginning of every example
            for table in NEW_TABLES:
                look.connection.execute(table.delete())
            release = schema.table_release
            look.connection.execute(release.delete().where(release.c.number > 1))
        with self.site.database.look(operator(), None) as look:
            (row,) = releases.of_book(look, REGION)
            typed = draftdesk.entries_of_release(self.site, look, row.id)
            around = draftdesk.around(self.site, look, REGION)

        @cache
        def errors(text: str) -> int:
            told = [Entry.model_validate_json(each) for each in text.splitlines()]
            return check(told, REGION, around).errors()

        first = ModelRelease(row.id, 1, row.effective_on, typed)
        self.model = Model(lambda typed: errors("\n".join(each.model_dump_json() for each in typed)), [first])
        self.reports: list[tuple[int, dict[str, Any], bytes]] = []

    @property
    def today(self) -> date:
        return self.world.clock.at.date()

    def draft(self, number: int) -> ModelDraft:
        """One of the drafts that are alive, or the last that has ended."""
        alive = self.model.alive()
        return alive[number] if number < len(alive) else self.model.drafts[-1]

    def told(self, refused: Refused, action: Any, *given: Any) -> Any:
        """Carry out an action, which is answered with what it makes or refused as expected."""
        self.answers[action.__name__, refused.__name__ if refused else "done"] += 1
        if refused is None:
            return action(self.site, *given)
        with pytest.raises(refused) as caught:
            action(self.site, *given)
        assert caught.value.what
        assert caught.value.fix
        return None

    @initialize(names=st.lists(who, min_size=2, max_size=3))
    def some_begin(self, names: list[str]) -> None:
        for name in names:
            self.begin(Drawn("begin", name))
        self.issue_a_report(Drawn("issue_a_report", "agent"))

    @rule(drawn=drawn_steps)
    def somebody_does_something(self, drawn: Drawn) -> None:
        getattr(self, drawn.what)(drawn)

    # What people do

    def begin(self, d: Drawn) -> None:
        if len(self.model.alive()) == MOST_DRAFTS:
            return
        known = self.model.releases
        release = known[d.at] if d.at < len(known) else None  # to go back to, or the last
        added = drafting.begin(
            self.site, self.callers[d.name], REGION, "To try.", release.id if release else None
        )
        typed = (release or known[-1]).entries
        self.model.drafts.append(ModelDraft(added, known[-1], [typed], {d.name}, why="To try."))

    def save(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        seen = max(1, draft.revision - d.ago)
        shown = draft.revisions[seen - 1]
        if not shown:
            return
        typed = edited(shown[d.at % min(len(shown), FEW)], d.how)
        refused = self.model.of_save(draft, seen, typed.number)
        made = self.told(refused, drafting.save, self.callers[d.name], draft.id, seen, typed)
        if made is not None:
            assert made == draft.revision + 1
            draft.changed(d.name, replaced(draft.now, typed))

    def add(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        like = draft.now[d.at % len(draft.now)] if d.rare and draft.now else None
        refused = None if draft.state == "open" else Conflict
        copied = like.number if like else None
        made = self.told(refused, drafting.add, self.callers[d.name], draft.id, "rates", copied)
        if made is not None:
            assert made not in {each.number for typed in draft.revisions for each in typed}
            new = Entry(number=made, kind="rates")
            if like is not None:
                new = with_fact(like, id=f"{like.id}-copy").model_copy(update={"number": made})
            draft.changed(d.name, (*draft.now, new))

    def remove(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        seen = max(1, draft.revision - d.ago)
        shown = draft.revisions[seen - 1]
        if not shown:
            return
        gone = shown[-1 - d.at % min(len(shown), FEW)].number
        refused = self.model.of_save(draft, seen, gone)
        made = self.told(refused, drafting.remove, self.callers[d.name], draft.id, seen, gone)
        if made is not None:
            draft.changed(d.name, tuple(each for each in draft.now if each.number != gone))

    def go_back(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        seen, to = max(1, draft.revision - d.ago), 1 + d.at % draft.revision
        refused = self.model.of_going_back(draft, seen)
        if self.told(refused, drafting.go_back, self.callers[d.name], draft.id, seen, to) is not None:
            draft.changed(d.name, draft.revisions[to - 1])

    def comment(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        if draft.now:
            about = draft.now[d.at % len(draft.now)].number
            made = self.told(None, drafting.comment, self.callers[d.name], draft.id, about, "id", "Why?")
            draft.comments[made] = False

    def settle(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        if draft.comments:
            chosen = sorted(draft.comments)[d.at % len(draft.comments)]
            refused = NotFound if draft.comments[chosen] else None
            self.told(refused, drafting.settle, self.callers[d.name], draft.id, chosen)
            draft.comments[chosen] = True

    def submit(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        seen = max(1, draft.revision - d.ago)
        on = None if d.day is None else self.today + timedelta(days=d.day)
        refused = self.model.of_submission(draft, seen, on, self.today)
        why = f"Because of {len(draft.old_sha256)}."
        sha256 = self.told(refused, reviewing.submit, self.callers[d.name], draft.id, seen, why, on)
        if sha256 is not None:
            draft.state, draft.sha256, draft.why, draft.effective_on = "submitted", sha256, why, on
            draft.authors.add(d.name)

    def approve(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        sha256 = seen_digest(draft, d.rare)
        refused = self.model.of_approval(draft, d.name, sha256)
        self.told(refused, reviewing.approve, self.callers[d.name], draft.id, sha256)
        if refused is None:
            draft.state, draft.approved_by = "approved", d.name

    def send_back(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        refused = None if draft.state in ("submitted", "approved") else Conflict
        self.told(refused, reviewing.send_back, self.callers[d.name], draft.id, "Say more.")
        if refused is None:
            draft.old_sha256.append(draft.sha256)
            draft.state, draft.sha256, draft.approved_by = "open", "", ""

    def publish(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        sha256 = seen_digest(draft, d.rare)
        refused = self.model.of_publication(draft, sha256, self.today)
        added = self.told(refused, reviewing.publish, self.callers[d.name], draft.id, sha256)
        if added is not None:
            self.published(draft, d.name, added)

    def whole_way(self, d: Drawn) -> None:
        """The steps as they are meant to follow each other; drawn alone they seldom would."""
        d = replace(d, ago=0, rare=False, how=GOOD[d.at % len(GOOD)])
        if d.name == d.other or self.draft(d.number).authors == set(AGRONOMISTS):
            self.discard(d)  # there is nobody left to approve it
            return self.begin(d)
        draft = self.draft(d.number)
        if draft.state == "open":
            if self.model.errors(draft.now):
                self.go_back(replace(d, at=0))
            self.save(d)
            self.submit(d)
        self.approve(replace(d, name=d.other))
        return self.publish(d)

    def second_thoughts(self, d: Drawn) -> None:
        """Submitted, sent back, changed, submitted: what was shown at first is approved no more."""
        d = replace(d, ago=0, rare=False, day=None, how=GOOD[d.at % len(GOOD)])
        other = replace(d, name=d.other)
        self.send_back(other)
        self.save(d)
        self.submit(d)
        self.send_back(other)
        self.save(replace(d, how=GOOD[(d.at + 1) % len(GOOD)]))
        self.submit(d)
        self.approve(replace(other, rare=True))
        self.approve(other)
        self.publish(replace(d, rare=True))

    def meet(self, d: Drawn) -> None:
        """Two people who have seen the same type into one table."""
        self.save(replace(d, ago=0))
        self.save(replace(d, name=d.other, ago=1, how=edits[(d.at + 3) % len(edits)]))

    def discard(self, d: Drawn) -> None:
        draft = self.draft(d.number)
        refused = Conflict if draft.ended else None
        self.told(refused, drafting.discard, self.callers[d.name], draft.id, "Not needed.")
        draft.state = "discarded" if refused is None else draft.state

    def time_passes(self, d: Drawn) -> None:
        hours = (1, 5, 24, 80)[d.at % 4]
        until = (self.world.clock.at + timedelta(hours=hours)).date()
        day = self.today
        while day < until:
            number = self.model.in_force(day)
            assert number is not None
            self.model.past[day] = number
            day += timedelta(days=1)
        self.world.clock.move(hours=hours)

    def issue_a_report(self, _: Drawn) -> None:
        if len(self.reports) == 2:
            return
        caller, replaced = self.callers["agent"], ""
        if self.reports:
            replaced = reporting.one(self.site, caller, self.reports[-1][0]).report_id
        row = reporting.issue(self.site, caller, self.visit, reporting.Wish(replaces=replaced))
        content = reporting.document(self.site, caller, row.id)[1]
        self.reports.append((row.id, reporting.advice(self.site, caller, row.id), content))

    def an_agent_tries(self, d: Drawn) -> None:
        draft, agent = self.draft(d.number), self.callers["agent"]
        sha256 = seen_digest(draft, False)
        first = draft.revisions[0][0]
        tries: list[tuple[Any, ...]] = [
            (drafting.begin, REGION), (drafting.save, draft.id, draft.revision, first),
            (drafting.remove, draft.id, draft.revision, first.number), (drafting.add, draft.id, "rates"),
            (drafting.go_back, draft.id, draft.revision, 1), (drafting.discard, draft.id),
            (drafting.comment, draft.id, first.number, "", "Mine."),
            (reviewing.submit, draft.id, draft.revision, "Mine."), (reviewing.approve, draft.id, sha256),
            (reviewing.send_back, draft.id, "Mine."), (reviewing.publish, draft.id, sha256),
            (draftdesk.desk, draft.id),
        ]  # fmt: skip
        action, *given = tries[d.at % len(tries)]
        self.told(NotAllowed, action, agent, *given)

    # What must hold after each

    @invariant()
    def no_edit_is_lost(self) -> None:
        with self.site.database.look(operator(), None) as look:
            for draft in self.model.drafts:
                assert drafts.entries(look, draft.id) == draft.now
                found = drafts.the_draft(look, draft.id)
                assert (found.state, found.submitted_sha256, found.base_id) == (
                    draft.state, draft.sha256, draft.base.id
                )  # fmt: skip
                assert drafts.revisions(look, draft.id)[0].number == draft.revision

    @invariant()
    def the_chain_is_whole_and_says_what_is_in_force(self) -> None:
        with self.site.database.look(operator(), None) as look:
            links = releases.chain(look, REGION)
            assert breaks(links) == ()
            assert [link.number for link in links] == [each.number for each in self.model.releases]
            days = {self.today: self.model.in_force(self.today)} | self.model.past
            days |= {self.today + timedelta(days=2): self.model.in_force(self.today + timedelta(days=2))}
            for day, number in days.items():
                used = {row.book: row.number for row in releases.in_force(look, day)}
                assert used.get(REGION) == number, day

    def published(self, draft: ModelDraft, name: str, added: int) -> None:
        """A release says what was approved, and that somebody else than its writers did."""
        with self.site.database.look(operator(), None) as look:
            row = releases.the_release(look, added)
            content = content_of(releases.contents(look, [row.sha256])[row.sha256])
            for number in range(1, draft.revision + 1):  # none of what was typed on the way is gone
                assert drafts.entries(look, draft.id, number) == draft.revisions[number - 1]
        assert draft.approved_by not in draft.authors
        names = {each: self.callers[each].name for each in AGRONOMISTS}
        assert content.approved_by == names[draft.approved_by]
        assert set(content.written_by) == {names[each] for each in draft.authors}
        assert content.published_by == names[name]
        assert approved_digest(draft, content) == draft.sha256
        typed = entries_of(read(REGION, content.records), REGION)
        assert said(typed) == said(draft.now)
        assert content.effective_on == (draft.effective_on or self.today)
        draft.state = "published"
        self.model.releases.append(ModelRelease(added, row.number, content.effective_on, typed))
        self.reports_are_as_they_were()

    def reports_are_as_they_were(self) -> None:
        """A report is the same bytes, and is worked out again from the releases that it keeps."""
        caller = self.callers["agent"]
        for number, advice, document in self.reports:
            assert reporting.document(self.site, caller, number)[1] == document
            assert reporting.advice(self.site, caller, number) == advice
            with self.site.database.look(caller, None) as look:
                kept = look.connection.execute(
                    sa.select(schema.report.c.region_release_id, schema.report.c.shared_release_id).where(
                        schema.report.c.id == number
                    )
                ).one()
                rows = tuple(releases.the_release(look, each) for each in kept)
                again = advise_on(look, self.site.of_releases(look, rows), self.visit).advice
            assert again is not None
            assert again.model_dump(mode="json") == advice

    def teardown(self) -> None:
        self.reports_are_as_they_were()


def edited(entry: Entry, how: tuple[str, str]) -> Entry:
    """An entry as somebody types it otherwise; what is not typed is not there."""
    column, text = how
    if column == "bound" and entry.kind == "scales" and len(entry.rows["classes"]) > 3:
        return with_cell(entry, "classes", 3, "from", text)
    if column == "bound" or (column == "round_to" and entry.kind in ("regions", "sources")):
        column, text = "remark", "Looked at."
    if column == "title" and entry.kind == "regions":
        column = "publisher"
    changed = with_fact(entry, **{column: text})
    return changed.model_copy(update={"facts": {name: each for name, each in changed.facts.items() if each}})


def seen_digest(draft: ModelDraft, old: bool) -> str:
    """The digest that somebody was shown, just now or before it was sent back."""
    return draft.old_sha256[-1] if old and draft.old_sha256 else draft.sha256 or digest("nothing")


def replaced(entries: Typed, typed: Entry) -> Typed:
    return tuple(typed if each.number == typed.number else each for each in entries)


def approved_digest(draft: ModelDraft, content: Content) -> str:
    """The digest that was approved, worked out from what was published."""
    on = draft.effective_on.isoformat() if draft.effective_on else None
    said_of = {"book": REGION, "base": draft.base.id, "why": content.why, "effective_on": on}
    return digest(canonical(said_of | {"records": written(REGION, read(REGION, content.records))}))


@pytest.fixture
def visit(world: World, monkeypatch: pytest.MonkeyPatch) -> int:
    """A visit to report on, and an agronomist of every region; drawing a report says what would be drawn."""
    monkeypatch.setattr(
        reporting, "pdf", lambda page, paper: f"%PDF {paper} {page.language} {page.attachment}".encode()
    )
    with world.site.database.housekeeping(operator()) as look:
        world.people["everywhere"] = accounts.add(
            look, email="everywhere@soil.example", name="Everywhere", role=Role.AGRONOMIST, laboratory_id=None
        )
    return advised_land(world).visits[0]


def test_nothing_is_lost_and_nothing_is_published_alone(world: World, visit: int) -> None:
    answers: Counter[tuple[str, str]] = Counter()
    run_state_machine_as_test(
        lambda: Desk(world, visit, answers),
        settings=settings(
            max_examples=EXAMPLES, stateful_step_count=LENGTH, derandomize=True, database=None, deadline=None,
            suppress_health_check=list(HealthCheck),
            phases=[Phase.generate],  # to shorten what failed takes minutes, and thirty steps can be read
        ),
    )  # fmt: skip
    # Otherwise nothing was shown: each step was carried out, and each refusal was met.
    done = {what for what, answer in answers if answer == "done"}
    assert done >= {"save", "remove", "go_back", "submit", "send_back", "approve", "publish", "discard"}
    refused = {what for what, answer in answers if answer == "Conflict"}
    assert refused >= {"save", "go_back", "submit", "approve", "publish"}
    assert answers["submit", "Invalid"]
    assert answers["approve", "NotAllowed"]
    assert answers["publish", "done"] >= EXAMPLES // 2
