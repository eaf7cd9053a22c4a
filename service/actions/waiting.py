"""What waits for a person: runs to judge, cups without a sample, visits without a report."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.callers import Caller, Right
from service.site import Site
from service.store import waiting
from service.store.waiting import WaitingVisit

MOST = 20  # visits that are shown


@dataclass(frozen=True)
class Waiting:
    """What waits; only what the person's role works on is asked for."""

    runs: dict[str, int] = field(default_factory=dict)  # by state
    cups: int = 0
    visits: list[WaitingVisit] = field(default_factory=list)
    more_visits: bool = False


def waiting_for(site: Site, caller: Caller) -> Waiting:
    """Look up what waits for the caller."""
    with site.database.look(caller, None) as look:
        reads_runs = caller.may(Right.READ_RUNS)
        reports = caller.may(Right.ISSUE_REPORTS)
        visits = waiting.visits(look, MOST + 1) if reports else []
        return Waiting(
            runs=waiting.runs_by_state(look) if reads_runs else {},
            cups=waiting.cups(look) if reads_runs else 0,
            visits=visits[:MOST], more_visits=len(visits) > MOST,
        )  # fmt: skip
