"""The reports of a batch as they are wanted, visit by visit, and issued once they are drawn."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field

from pydantic import ValidationError

from interpretation.errors import FurrowsliceError
from interpretation.results import FieldAdvice
from service.actions.batches import BatchWish
from service.actions.reporting import Asked, Draft, Wish, asked_for, issued_in
from service.callers import Caller, Right
from service.site import Site
from service.store import jobwork, reports, visits
from service.store.database import Change, Look
from service.store.jobs import JobRow


@dataclass(frozen=True)
class Ready:
    """A report that was drawn, with its bytes as they were read back."""

    item_id: int
    report_id: str  # as printed
    sha256: str
    file_name: str
    content: bytes = field(repr=False)
    advice: bytes = field(repr=False)


@dataclass
class Settled:
    """What became of reports that were drawn.

    Attributes
    ----------
    issued, refused, stale
        Items that were issued; that cannot be, with the reason; whose report would be another one by now.
    """

    issued: list[int] = field(default_factory=list)
    refused: dict[int, str] = field(default_factory=dict)
    stale: list[int] = field(default_factory=list)

    def add(self, other: Settled) -> None:
        """Add what became of others."""
        self.issued += other.issued
        self.refused |= other.refused
        self.stale += other.stale


class _NothingIssued(Exception):  # noqa: N818 - leaves the change, which would hold nothing
    pass


def wishes_of(look: Look, wish: BatchWish, visit_ids: Sequence[int]) -> dict[int, Wish]:
    """How the report of each visit is wanted: as its grower has it where the batch does not say otherwise.

    A visit that is not the caller's has a wish too, so that it is said of it that it is not there.
    """
    found = visits.visits_of(look, visit_ids)
    standing = reports.of_visits(look, visit_ids) if wish.replaces else {}
    wishes = {}
    for visit_id in visit_ids:
        visit = found.get(visit_id)
        if visit is None:
            wishes[visit_id] = Wish()
            continue
        same = [
            each.report_id
            for each in standing.get(visit_id, ())
            if each.replaced_by is None and each.crop == visit.plan.crop
        ]
        own = {
            "language": visit.grower_language if wish.language == "own" else wish.language,
            "units": visit.grower_units if wish.units == "own" else wish.units,
            "paper": wish.paper, "replaces": same[-1] if same else "",
        }  # fmt: skip
        try:
            wishes[visit_id] = Wish.model_validate(own)
        except ValidationError:  # a language or units that reports no longer come in
            wishes[visit_id] = Wish(paper=wish.paper, replaces=own["replaces"])
    return wishes


def reason_of(error: FurrowsliceError | None) -> str:
    """Why there is no report, as it is kept beside the item."""
    if error is None:
        return "there is no such visit"
    return "; ".join(part for part in (error.what, error.fix) if part)


def issue_ready(site: Site, caller: Caller, job: JobRow, runner: str, drawn: Sequence[Ready]) -> Settled:
    """Issue what was drawn, in one change: each report, its document and the mark on its item.

    Raises
    ------
    LeaseLost
        If the job is no longer the runner's; nothing was issued then.
    """
    settled = Settled()
    try:
        with site.database.change(caller, Right.ISSUE_REPORTS) as change:
            reports.in_turn(change)  # before it is read whether a report stands already
            jobwork.hold(change, job.id, runner)
            _issue(site, change, job, drawn, settled)
            if not settled.issued:
                raise _NothingIssued
    except _NothingIssued:
        pass
    return settled


def _issue(site: Site, change: Change, job: JobRow, drawn: Sequence[Ready], settled: Settled) -> None:
    waiting = jobwork.waiting(change, [each.item_id for each in drawn])
    visit_ids = [each.visit_id for each in waiting.values()]
    wishes = wishes_of(change, BatchWish.model_validate(job.wish), visit_ids)
    asked = asked_for(site, change, wishes, job.day)
    for each in drawn:
        if each.item_id not in waiting:
            continue  # done before, or cancelled meanwhile
        found = asked[waiting[each.item_id].visit_id]
        if isinstance(found, FurrowsliceError):
            settled.refused[each.item_id] = reason_of(found)
        elif found.inputs.card.report_id != each.report_id:
            settled.stale.append(each.item_id)
        else:
            added = issued_in(change, _draft(found, each), each.content)
            jobwork.done(change, each.item_id, added, each.file_name, each.sha256)
            settled.issued.append(each.item_id)


def _draft(asked: Asked, ready: Ready) -> Draft:
    return Draft(**vars(asked), advice=FieldAdvice.model_validate_json(zlib.decompress(ready.advice)))
