"""What drafts and releases of one region should be, worked out without a database."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date

from interpretation.errors import FurrowsliceError
from service.entries.comparing import compare
from service.entries.entry import Entry
from service.refusals import Conflict, Invalid, NotAllowed, NotFound

Refused = type[FurrowsliceError] | None
Typed = tuple[Entry, ...]


@dataclass
class ModelRelease:
    """One release of the region."""

    id: int
    number: int
    effective_on: date
    entries: Typed  # as a draft that begins from it has them


@dataclass
class ModelDraft:
    """One draft: every revision that was accepted, and what has become of it."""

    id: int
    base: ModelRelease
    revisions: list[Typed]
    authors: set[str]
    state: str = "open"
    why: str = ""
    effective_on: date | None = None
    sha256: str = ""
    approved_by: str = ""
    old_sha256: list[str] = field(default_factory=list)  # of what was submitted and sent back
    comments: dict[int, bool] = field(default_factory=dict)  # id -> whether it is settled

    @property
    def now(self) -> Typed:
        """What is typed."""
        return self.revisions[-1]

    @property
    def revision(self) -> int:
        """Number of the last revision."""
        return len(self.revisions)

    @property
    def ended(self) -> bool:
        """Whether nothing can become of it any more."""
        return self.state in ("published", "discarded")

    def at(self, revision: int, number: int) -> Entry | None:
        """An entry at a revision."""
        return next((each for each in self.revisions[revision - 1] if each.number == number), None)

    def changed(self, who: str, typed: Typed) -> None:
        """Take a change that was accepted."""
        self.revisions.append(typed)
        self.authors.add(who)


@dataclass
class Model:
    """The region.

    Attributes
    ----------
    errors
        How many errors entries have; the checker's own word, asked without a draft.
    """

    errors: Callable[[Typed], int]
    releases: list[ModelRelease]
    drafts: list[ModelDraft] = field(default_factory=list)
    past: dict[date, int] = field(default_factory=dict)  # what was in force on days that have passed

    def alive(self) -> list[ModelDraft]:
        """Drafts of which something can become."""
        return [each for each in self.drafts if not each.ended]

    def in_force(self, on: date) -> int | None:
        """Number of the release of a day."""
        begun = [each.number for each in self.releases if each.effective_on <= on]
        return max(begun, default=None)

    def is_stale(self, draft: ModelDraft) -> bool:
        """Whether another release was published since."""
        return draft.base is not self.releases[-1]

    def of_save(self, draft: ModelDraft, seen: int, number: int) -> Refused:
        """What a save, or a removal, of one entry is answered with."""
        if draft.state != "open":
            return Conflict
        now, before = draft.at(draft.revision, number), draft.at(seen, number)
        if now is None or before is None:
            return NotFound
        return None if now == before else Conflict

    def of_going_back(self, draft: ModelDraft, seen: int) -> Refused:
        """What going back is answered with."""
        return None if draft.state == "open" and seen == draft.revision else Conflict

    def of_submission(self, draft: ModelDraft, seen: int, on: date | None, today: date) -> Refused:
        """What submitting is answered with."""
        if draft.state != "open" or seen != draft.revision:
            return Conflict
        return self._unfit(draft, on, today)

    def of_approval(self, draft: ModelDraft, who: str, sha256: str) -> Refused:
        """What an approval is answered with."""
        if draft.state != "submitted":
            return Conflict
        if who in draft.authors:
            return NotAllowed
        return Conflict if sha256 != draft.sha256 or self.is_stale(draft) else None

    def of_publication(self, draft: ModelDraft, sha256: str, today: date) -> Refused:
        """What publishing is answered with."""
        if draft.state != "approved" or sha256 != draft.sha256:
            return Conflict
        return self._unfit(draft, draft.effective_on, today)

    def _unfit(self, draft: ModelDraft, on: date | None, today: date) -> Refused:
        if self.is_stale(draft):
            return Conflict
        if self.errors(draft.now) or not compare(draft.base.entries, draft.now):
            return Invalid
        return Invalid if on is not None and on < today else None


def said(entries: Sequence[Entry]) -> list[object]:
    """What entries say, whatever their numbers and their order."""
    return sorted((each.said() for each in entries), key=str)
