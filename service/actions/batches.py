"""Reports of many visits, asked for together: which visits, how they are wanted, and what became of each.

What is asked for here is drawn and issued by :mod:`service.work`, wherever that runs; these are the doors.
"""

from __future__ import annotations

import re
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from reports.format import Units
from service.actions.batchstate import Batch, batch_of, with_counts
from service.callers import RIGHTS, Caller, Right, Role, Scope, operator
from service.characters import UNSEEN, search_words
from service.outputs import outputs_at
from service.refusals import Conflict, Invalid, NoRoom, NotAllowed, Unavailable
from service.site import Site
from service.store import accounts, candidates, jobs, jobwork, land
from service.store.candidates import Candidate, Sought
from service.store.database import Look
from service.store.jobs import ItemRow, ItemState, JobRow

PAGE = 50  # on one page of a list
MOST_ITEMS = 20_000
LARGEST_ID = 2**31 - 1  # what the narrower of the two engines takes as a whole number
LeftOut = Literal["unknown", "erased", "no-values", "standing"]
_NUMBER = re.compile(r"\d+")


class Choice(BaseModel):
    """Which visits: those that are listed, or else those that are sought.

    Attributes
    ----------
    visits, lab_numbers
        Visits by their ids, and by the numbers of their samples.
    search, county, since
        Words of the field, its farm or its grower; of one county; sampled on a day or later.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    visits: tuple[int, ...] = Field(default=(), max_length=MOST_ITEMS)
    lab_numbers: tuple[str, ...] = Field(default=(), max_length=MOST_ITEMS)
    search: str = Field(default="", max_length=100)
    county: str = Field(default="", max_length=60)
    since: date | None = None

    @field_validator("visits")
    @classmethod
    def _could_be_ids(cls, visits: tuple[int, ...]) -> tuple[int, ...]:
        if any(not 1 <= each <= LARGEST_ID for each in visits):
            raise ValueError("these are no numbers of visits")
        return visits

    @field_validator("lab_numbers", "search", "county")
    @classmethod
    def _can_be_seen(cls, given: Any) -> Any:
        if any(UNSEEN.search(each) for each in ([given] if isinstance(given, str) else given)):
            raise ValueError("holds a character that cannot be seen; type it again")
        return given

    @property
    def is_list(self) -> bool:
        """Whether visits are listed one by one."""
        return bool(self.visits or self.lab_numbers)


class BatchWish(BaseModel):
    """How the reports of a batch are wanted."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    language: Literal["own", "en", "es"] = Field(default="own", description="own: each grower's")
    units: Units | Literal["own"] = Field(default="own", description="own: each grower's")
    paper: Literal["a4", "letter"] = "a4"
    replaces: bool = Field(
        default=False, description="whether reports that stand are replaced; else their visits are left out"
    )
    deliver: bool = Field(
        default=False, description="whether the delivery of all reports is planned once they are issued"
    )


@dataclass(frozen=True)
class Preview:
    """What a batch would be made of.

    Attributes
    ----------
    chosen
        Visits in the order of their route.
    left_out
        Visits that get no report, each with the reason.
    unknown
        What was listed and is none of the caller's.
    """

    chosen: tuple[Candidate, ...]
    left_out: tuple[tuple[Candidate, LeftOut], ...]
    unknown: tuple[str, ...]

    @property
    def reasons(self) -> dict[LeftOut, int]:
        """How many are left out for each reason."""
        found: Counter[LeftOut] = Counter(reason for _, reason in self.left_out)
        if self.unknown:
            found["unknown"] = len(self.unknown)
        return dict(found)


def check(site: Site, caller: Caller) -> None:
    """Make sure that somebody may ask for batches.

    Raises
    ------
    NotAllowed
        If not.
    """
    with site.database.look(caller, Right.ISSUE_REPORTS):
        pass


def preview(site: Site, caller: Caller, choice: Choice, wish: BatchWish) -> Preview:
    """What a batch would be made of now.

    Raises
    ------
    Invalid
        If more visits are chosen than a batch takes.
    """
    with site.database.look(caller, Right.ISSUE_REPORTS) as look:
        return _preview(look, choice, wish)


def start(
    site: Site, caller: Caller, title: str, choice: Choice, wish: BatchWish, seen: int | None = None
) -> int:
    """Ask for the reports of many visits; returns the batch's id.

    Parameters
    ----------
    seen
        How many reports the person was told there would be; None: whatever there are now.

    Raises
    ------
    Invalid
        If there is no title, no visit, or more visits than a batch takes.
    Conflict
        If there are not as many reports to be made as was seen.
    NotAllowed
        If they are to be delivered, and the caller may not do that.
    """
    title = _title(title)
    if wish.deliver and not caller.may(Right.DELIVER_REPORTS):
        raise NotAllowed(
            "you may issue these reports, but not deliver them", where="deliver",
            expected="the right to deliver reports", fix="start the batch without delivery",
        )  # fmt: skip
    with site.database.change(caller, Right.ISSUE_REPORTS) as change:
        found = _preview(change, choice, wish)
        if not found.chosen:
            raise Invalid(
                "no visit of these can be reported on", where="visits",
                expected="at least one visit with values and without a report for its crop",
                fix="look at what is left out and why, or choose others",
            )  # fmt: skip
        if seen is not None and seen != len(found.chosen):
            raise Conflict(
                f"there are {len(found.chosen)} reports to be made now, and not {seen}", where="visits",
                expected="as many as you were shown", fix="look at the list again, then start",
            )  # fmt: skip
        job_id = jobs.add(
            change, title=title, wish=wish.model_dump(mode="json"), day=change.now.date(),
            items=[(each.visit_id, route_of(each)) for each in found.chosen],
        )  # fmt: skip
        change.note("start", "batch", job_id, after={"reports": len(found.chosen)} | wish.model_dump())
    return job_id


def find(site: Site, caller: Caller, page: int = 1) -> tuple[tuple[Batch, ...], bool]:
    """One page of the caller's batches, newest first, and whether there are more behind it."""
    with site.database.look(caller, Right.ISSUE_REPORTS) as look:
        found = jobs.find(look, skip=(page - 1) * PAGE, most=PAGE + 1)
        return with_counts(look, found[:PAGE]), len(found) > PAGE


def after(site: Site, caller: Caller, last: int, most: int) -> tuple[Batch, ...]:
    """The caller's batches in the order in which they were asked for, from behind one on."""
    with site.database.look(caller, Right.ISSUE_REPORTS) as look:
        return with_counts(look, jobs.after(look, last, most))


def one(site: Site, caller: Caller, job_id: int) -> Batch:
    """One batch, with its pace where it is worked on."""
    with site.database.look(caller, Right.ISSUE_REPORTS) as look:
        return batch_of(look, jobs.the_job(look, job_id))


def items(
    site: Site, caller: Caller, job_id: int, state: ItemState | None, last: int, most: int
) -> tuple[ItemRow, ...]:
    """Visits of a batch by rising number, from behind one on."""
    with site.database.look(caller, Right.ISSUE_REPORTS) as look:
        return jobs.items_of(look, jobs.the_job(look, job_id).id, state, after=last, most=most)


def cancel(site: Site, caller: Caller, job_id: int) -> None:
    """Cancel a batch: what was not begun is not made, what was issued stays.

    Raises
    ------
    Conflict
        If it has ended already.
    """
    with site.database.change(caller, Right.ISSUE_REPORTS) as change:
        job = jobs.the_job(change, job_id)
        if not job.is_open:
            raise Conflict(
                "this batch has ended already", where=f"batch {job_id}",
                expected="a batch that waits or is worked on", fix="nothing is left to cancel",
            )  # fmt: skip
        number = jobs.cancel(change, job_id)
        kept = jobwork.files_of(change, job_id)
        change.note("cancel", "batch", job_id, after={"cancelled": number})
    # A process that was killed has left files of what it never issued, and nobody works on this batch again.
    with suppress(Unavailable, NoRoom):
        outputs_at(site.settings.outputs_url).sweep(job.folder, kept)


def try_again(site: Site, caller: Caller, job_id: int) -> int:
    """Let what failed be tried again; returns how many visits that are.

    Raises
    ------
    Conflict
        If the batch was cancelled, or nothing failed.
    """
    with site.database.change(caller, Right.ISSUE_REPORTS) as change:
        job = jobs.the_job(change, job_id)
        number = 0 if job.state == "cancelled" else jobs.try_again(change, job_id)
        if not number:
            raise Conflict(
                "there is nothing to try again", where=f"batch {job_id}",
                expected="a batch that was not cancelled, with visits that failed",
                fix="start a new batch for visits that have no report yet",
            )  # fmt: skip
        change.note("try again", "batch", job_id, after={"again": number})
    return number


def caller_of(look: Look, job: JobRow) -> Caller:
    """Whose name a job's reports are issued in: of whoever asked, as far as their account goes today.

    Raises
    ------
    NotAllowed
        If the account was closed, or no longer issues reports of this laboratory.
    """
    if job.asked_by_id is None:
        return operator(job.laboratory_id)
    found = accounts.by_id(look, job.asked_by_id)
    may = found is not None and found.disabled_at is None and found.laboratory_id == job.laboratory_id
    if not may or Right.ISSUE_REPORTS not in RIGHTS[found.role]:  # type: ignore[union-attr]
        raise NotAllowed(
            "the account that asked for this batch may no longer issue reports", where=job.asked_by,
            expected="an account that is open and whose role issues reports of this laboratory",
            fix="start a new batch from another account, or have the administrator open this one again",
        )  # fmt: skip
    assert found is not None
    counties = frozenset(found.counties) if found.role is Role.AGENT else None
    scope = Scope(found.laboratory_id, counties, found.region)
    request = f"batch {job.id}"
    return Caller(
        found.id, found.name, found.role, scope, "batch", RIGHTS[found.role], found.language, request
    )


def route_of(visit: Candidate) -> str:
    """The text by which what is handed out is sorted: county, grower and address, farm, field.

    Numbers in it sort as numbers, and capitals and accents do not matter.

    Examples
    --------
    >>> from dataclasses import replace
    >>> visit = Candidate(1, 1, "TC-1", "Plot 9", "Home", 1, "Ñ. Ríos", "Mill 7", "Upper", date(2026, 4, 2),
    ...     False, True, None)
    >>> route_of(visit)
    ' upper/ n rios mill 00000007/ home/ plot 00000009 tc 00000001'
    >>> route_of(visit) < route_of(replace(visit, field_name="Plot 10"))
    True
    """
    levels = (
        (visit.county_name or "",), (visit.grower_name, visit.grower_address), (visit.farm_name,),
        (visit.field_name, visit.field_code),
    )  # fmt: skip
    folded = "/".join(search_words(*texts) for texts in levels)
    return _NUMBER.sub(lambda found: found[0].zfill(8), folded)


def _preview(look: Look, choice: Choice, wish: BatchWish) -> Preview:
    found, unknown = _found(look, choice)
    if len(found) > MOST_ITEMS:
        raise Invalid(
            f"more than {MOST_ITEMS:,} visits are chosen", where="visits",
            expected=f"at most {MOST_ITEMS:,} in one batch",
            fix="choose one county, or those sampled since a later day", fields={"since": "choose fewer"},
        )  # fmt: skip
    chosen, left_out = [], []
    for each in found:
        reason = _left_out(each, wish)
        if reason is None:
            chosen.append(each)
        else:
            left_out.append((each, reason))
    chosen.sort(key=lambda each: (route_of(each), each.sampled_on, each.visit_id))
    return Preview(tuple(chosen), tuple(left_out), tuple(unknown))


def _found(look: Look, choice: Choice) -> tuple[list[Candidate], list[str]]:
    if not choice.is_list:
        if choice.county and choice.county not in {each for each, _, _ in land.counties(look)}:
            raise Invalid(
                "there is no such county of yours", where="county", expected="one of your counties",
                fix="choose one from the list", fields={"county": "choose one from the list"},
            )  # fmt: skip
        wanted = Sought(choice.search, choice.county or None, choice.since)
        return candidates.sought(look, wanted, MOST_ITEMS + 1), []
    of_samples = candidates.of_samples(look, choice.lab_numbers)
    ids = list(dict.fromkeys([*choice.visits, *of_samples.values()]))
    found = candidates.listed(look, ids)
    known = {each.visit_id for each in found}
    unknown = [str(each) for each in choice.visits if each not in known]
    return found, unknown + [each for each in choice.lab_numbers if each not in of_samples]


def _left_out(visit: Candidate, wish: BatchWish) -> LeftOut | None:
    if visit.is_erased:
        return "erased"
    if not visit.has_values:
        return "no-values"
    return "standing" if visit.standing and not wish.replaces else None


def _title(title: str) -> str:
    title = title.strip()
    if not title or len(title) > 100 or UNSEEN.search(title) or "\n" in title:
        raise Invalid(
            "the batch has no title that can be read", where="title",
            expected="one line of at most 100 characters, such as Spring samples, Upper county",
            fix="type a title", fields={"title": "one line of at most 100 characters"},
        )  # fmt: skip
    return title
