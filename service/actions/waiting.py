"""What waits for a person: runs, cups without a sample, visits without a report, drafts of tables."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.actions.reviewing import is_an_author
from service.callers import Caller, Right
from service.site import Site
from service.store import drafts, waiting
from service.store.database import Look
from service.store.drafts import DraftRow
from service.store.waiting import WaitingVisit

MOST = 20  # visits, or drafts, that are shown
# What a draft may wait for, the most pressing for the caller first.
STEPS = ("review", "publish", "returned", "open", "other-review")


@dataclass(frozen=True)
class WaitingDraft:
    """A draft of tables that has not ended, and what it waits for: one of ``STEPS``."""

    draft: DraftRow
    step: str


@dataclass(frozen=True)
class Waiting:
    """What waits; only what the person's role works on is asked for."""

    runs: dict[str, int] = field(default_factory=dict)  # by state
    cups: int = 0
    visits: list[WaitingVisit] = field(default_factory=list)
    more_visits: bool = False
    drafts: tuple[WaitingDraft, ...] = ()


def waiting_for(site: Site, caller: Caller) -> Waiting:
    """Look up what waits for the caller."""
    with site.database.look(caller, None) as look:
        reads_runs = caller.may(Right.READ_RUNS)
        reports = caller.may(Right.ISSUE_REPORTS)
        visits = waiting.visits(look, MOST + 1) if reports else []
        alive = drafts.find(look, most=MOST) if caller.may(Right.EDIT_TABLES) else ()
        lined = (WaitingDraft(each, _step(look, each, caller)) for each in alive)
        return Waiting(
            runs=waiting.runs_by_state(look) if reads_runs else {},
            cups=waiting.cups(look) if reads_runs else 0,
            visits=visits[:MOST], more_visits=len(visits) > MOST,
            drafts=tuple(sorted(lined, key=lambda each: STEPS.index(each.step))),
        )  # fmt: skip


def _step(look: Look, draft: DraftRow, caller: Caller) -> str:
    if draft.state == "submitted":
        return "other-review" if is_an_author(look, draft, caller) else "review"
    if draft.state == "approved":
        return "publish"
    return "returned" if draft.returned_because else "open"
