"""What a program sends about drafts of tables, and what it gets."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from interpretation.agronomy.tables import Source
from service.api.common import GivenId, Input, Line, Output, Text, seen
from service.entries.columns import LONGEST_CELL, Kind
from service.impact import MOST_CHOSEN
from service.store.drafts import State
from service.store.drafts import What as Step

MOST_ROWS = 200  # that are taken; how many a table may have in the end is told as a problem of it
MOST_COLUMNS = 60
Name = Annotated[str, Field(max_length=60), AfterValidator(seen)]
CellText = Annotated[str, Field(max_length=LONGEST_CELL), AfterValidator(seen)]
Cells = Annotated[dict[Name, CellText], Field(max_length=MOST_COLUMNS)]
Sheet = Annotated[list[Cells], Field(max_length=MOST_ROWS)]
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
SeenRevision = Annotated[GivenId, Field(description="the draft's revision that was looked at")]


class Begun(Input):
    """A draft to begin."""

    region: Line = Field(description="id of the region")
    why: Text = Field("", description="why the tables change; it can be said later")
    release: GivenId | None = Field(
        None, description="id of a release of the region to go back to; left out: the last one"
    )


class GivenFirstScale(Input):
    """What is asked before anything else is typed: without it no number means anything."""

    analyte: Line
    method: Line
    unit: Line
    basis: Line
    depth_from_cm: Line
    depth_to_cm: Line
    crops: Line = Field(description="ids with semicolons between them, or `any`")
    round_to: Line


class GivenRegion(Input):
    """A region that has no tables yet: copied from another, or begun with a first scale."""

    id: Line = Field(description="small letters, digits and dashes")
    name: Line
    publisher: Line
    valid_for: Annotated[str, Field(max_length=LONGEST_CELL), AfterValidator(seen)]
    why: Text
    copy_of: Line | None = Field(None, description="id of a region that has a release; or give `scale`")
    scale: GivenFirstScale | None = Field(None, description="or give `copy_of`")


class SeenRevisionAlone(Input):
    """The revision that was looked at."""

    revision: SeenRevision


class Reason(Input):
    """Why something is done."""

    reason: Text


class DraftPurpose(Input):
    """Why the tables change."""

    why: Text


class NewEntry(Input):
    """A table to add."""

    kind: Kind
    copy_of: GivenId | None = Field(
        None, description="number of another entry of the draft; then its kind counts"
    )


class GivenEntry(Input):
    """What one table is to say: every cell as it is typed, empty cells left out."""

    revision: SeenRevision
    facts: Cells = Field(description="column -> text; what is said once")
    rows: dict[Name, Sheet] = Field({}, max_length=10, description="sheet -> rows of column -> text")
    reason: Line = Field("", description="kept in the draft's history")


class GoneBack(Input):
    """Where to go back to."""

    revision: SeenRevision
    to: GivenId = Field(description="number of the revision that the draft is to say again")


class GivenComment(Input):
    """What is said about a cell."""

    entry: GivenId = Field(description="number of the entry in the draft")
    place: Line = Field("", description="name of the cell, such as `unit` or `classes.2.from`; empty: all")
    text: Text


class DraftSubmission(Input):
    """A draft to hand over."""

    revision: SeenRevision
    why: Text = Field(description="why the tables change; printed in the history for good")
    effective_on: date | None = Field(
        None, description="first day of use, today or later; left out: the day it is published"
    )


class SeenDigest(Input):
    """The digest of what was shown; if the draft says anything else by now, nothing is done (409)."""

    sha256: Sha256


class ChosenSamples(Input):
    """Which past samples are looked at; what is left out leaves nothing out."""

    years: tuple[Annotated[int, Field(ge=1900, le=2200)], ...] = Field((), max_length=MOST_CHOSEN)
    counties: tuple[Line, ...] = Field((), max_length=MOST_CHOSEN)
    crops: tuple[Line, ...] = Field((), max_length=MOST_CHOSEN)
    as_if_year: int | None = Field(
        None, ge=1900, le=2100,
        description="tables are chosen as if each sample had been taken in this year; null: on its own day",
    )  # fmt: skip


class ListedDraft(Output):
    """One draft, without what is typed in it."""

    id: int
    region: str
    base_release: int | None = Field(description="id of the release it began from; null: the region has none")
    base_number: int | None
    why: str
    effective_on: date | None
    state: State
    started_at: datetime
    started_by: str
    submitted_at: datetime | None
    submitted_by: str
    submitted_sha256: str
    approved_at: datetime | None
    approved_by: str
    returned_because: str = Field(description="who sent it back last, and what is to be changed")
    release: int | None = Field(description="id of the release it became")


class TypedProblem(Output):
    """What is wrong, or odd, with a cell."""

    cell: str = Field(description="such as `unit` or `classes.2.from`, rows from 0; empty: all of it")
    message: str
    expected: str
    fix: str
    severity: Literal["error", "warning"] = Field(description="an error keeps the draft from being released")


class ListedEntry(Output):
    """One table of a draft."""

    number: int = Field(description="names it inside its draft, whatever id is typed")
    kind: Kind
    id: str
    title: str
    errors: int
    warnings: int


class OneDraft(ListedDraft):
    """A draft, its tables, and what is wrong with the whole."""

    revision: int
    undo_to: int | None = Field(description="give it as `to` to go one step back; null: at the beginning")
    redo_to: int | None = Field(description="give it as `to` to do again what was undone last")
    stale: bool = Field(description="another release was published since: it can no longer be submitted")
    errors: int
    warnings: int
    problems: list[TypedProblem] = Field(description="of the draft as a whole")
    entries: list[ListedEntry]


class OneEntry(Output):
    """What is typed in one table, and what is wrong or odd with it."""

    number: int
    kind: Kind
    revision: int = Field(description="of the draft: give it with what is to be stored")
    facts: dict[str, str]
    rows: dict[str, list[dict[str, str]]]
    problems: list[TypedProblem]


class AddedEntry(Output):
    """A table that was added."""

    number: int


class SavedDraft(Output):
    """The revision that was made, and what is wrong or odd with what was stored."""

    revision: int
    problems: list[TypedProblem]


class DraftRevision(Output):
    """One change of a draft."""

    number: int
    as_of: int = Field(description="the revision whose texts it has: its own, or one that was gone back to")
    what: Step
    about: str
    at: datetime
    by: str
    reason: str


class OneComment(Output):
    """What somebody said about a cell."""

    id: int
    entry: int
    place: str
    text: str
    at: datetime
    by: str
    settled_at: datetime | None
    settled_by: str


class CellDifference(Output):
    """One cell before and after."""

    sheet: str = Field(description="empty: it is said once")
    row: str = Field(description="what the row is known by")
    column: str = Field(description="`order`: the row moved among its neighbours")
    before: str
    after: str


class RecordDifference(Output):
    """One table, or another record, that differs."""

    kind: str
    id: str
    title: str
    what: Literal["added", "removed", "changed"]
    cells: list[CellDifference]


class CitedTable(Output):
    """A table that is added or changes, and the sources it rests on."""

    kind: Kind
    id: str
    title: str
    standing: str
    sources: list[Source]
    unknown: list[str] = Field(description="ids that no source has")


class SubmittedDraft(Output):
    """What was handed over: an approval names this digest."""

    sha256: str


class UnderReview(Output):
    """A draft, what it would change, and the digest that an approval names."""

    sha256: str = Field(description="of all that is shown here; empty while nothing was submitted")
    as_submitted: bool = Field(description="whether that is what was submitted")
    is_author: bool = Field(description="who wrote or submitted any of it cannot approve it")
    written_by: list[str]
    overtaken_by: int | None = Field(description="id of a release that was published since")
    draft: OneDraft
    changes: list[RecordDifference]
    cited: list[CitedTable]
