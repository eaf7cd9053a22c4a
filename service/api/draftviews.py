"""Drafts of tables as a program is shown them, and an entry as it was sent."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from service.actions.draftdesk import Desk
from service.actions.releasehistory import SharedChange
from service.actions.reviewdesk import Laid
from service.actions.undoing import step_back, step_forward
from service.api.draftmodels import (
    CellDifference,
    CitedTable,
    GivenEntry,
    ListedDraft,
    ListedEntry,
    OneComment,
    OneDraft,
    OneEntry,
    RecordDifference,
    TypedProblem,
    UnderReview,
)
from service.entries import entry as cells
from service.entries.columns import FACTS, ROWS, Kind
from service.entries.comparing import RecordChange
from service.entries.entry import CellProblem
from service.refusals import Invalid
from service.store.drafts import DraftRow
from service.store.tablecomments import CommentRow


def listed_draft(row: DraftRow) -> ListedDraft:
    """A draft as a list shows it."""
    facts = row.model_dump(exclude={"submitted_by_id", "last_entry"})
    renamed = {"region": "book", "base_release": "base_id", "release": "release_id"}
    ids = {name: facts.pop(old) for name, old in renamed.items()}
    return ListedDraft(**facts, **ids)


def shown_draft(found: Desk) -> OneDraft:
    """A draft with its tables and problems."""
    return OneDraft(
        **listed_draft(found.draft).model_dump(), revision=found.revision, stale=found.stale,
        undo_to=step_back(found.revisions), redo_to=step_forward(found.revisions),
        errors=found.checked.errors(), warnings=found.checked.warnings(), problems=problems_of(found, 0),
        entries=[_listed(found, each) for each in found.entries],
    )  # fmt: skip


def shown_entry(found: Desk, one: cells.Entry) -> OneEntry:
    """A table of a draft, cell by cell."""
    return OneEntry(
        number=one.number, kind=one.kind, revision=found.revision, facts=one.facts,
        rows={sheet: list(rows) for sheet, rows in one.rows.items()}, problems=problems_of(found, one.number),
    )  # fmt: skip


def problems_of(found: Desk, number: int) -> list[TypedProblem]:
    """What is wrong with an entry of a draft; 0 stands for the draft as a whole."""
    return [_problem(each) for each in found.checked.problems.get(number, ())]


def shown_comment(row: CommentRow) -> OneComment:
    """A comment."""
    return OneComment(**row.model_dump())


def difference(change: RecordChange | SharedChange) -> RecordDifference:
    """A table before and after."""
    return RecordDifference(
        kind=change.kind, id=change.id, title=change.title, what=change.what,
        cells=[CellDifference(**vars(each)) for each in change.cells],
    )  # fmt: skip


def under_review(laid: Laid) -> UnderReview:
    """A draft as it lies before who approves it."""
    return UnderReview(
        sha256=laid.sha256, as_submitted=laid.as_submitted, is_author=laid.is_author,
        written_by=list(laid.written_by), overtaken_by=laid.overtaken_by.id if laid.overtaken_by else None,
        draft=shown_draft(laid.desk), changes=[difference(each) for each in laid.changes],
        cited=[
            CitedTable(
                kind=each.kind, id=each.id, title=each.title, standing=each.standing,
                sources=list(each.sources), unknown=list(each.unknown),
            )
            for each in laid.cited
        ],
    )  # fmt: skip


def typed_entry(given: GivenEntry, kind: Kind, number: int) -> cells.Entry:
    """Make an entry of what a program sent.

    Raises
    ------
    Invalid
        If it names a column or a sheet that this kind of table does not have: it would be lost in silence.
    """
    wrong = dict(_unknown("facts", given.facts, [column.name for column in FACTS[kind]]))
    wrong |= _unknown("rows", given.rows, ROWS[kind])
    for sheet in given.rows.keys() & ROWS[kind].keys():
        names = [column.name for column in ROWS[kind][sheet]]
        for place, row in enumerate(given.rows[sheet]):
            wrong |= _unknown(f"rows/{sheet}/{place}", row, names)
    if wrong:
        raise Invalid(
            f"there are names that no table of the kind {kind} has", where=f"entry {number}",
            expected="the columns and sheets that are named beside each",
            fix="correct or leave out what is named",
            fields=dict(list(wrong.items())[:50]),
        )  # fmt: skip
    return cells.entry(kind, given.facts, given.rows, number)


def _unknown(where: str, given: Iterable[str], known: Iterable[str]) -> Mapping[str, str]:
    there = ", ".join(known) or "none"
    return {
        f"{where}/{name.replace('~', '~0').replace('/', '~1')}": f"is not known here; there is {there}"
        for name in given
        if name not in known
    }


def _listed(found: Desk, one: cells.Entry) -> ListedEntry:
    severities = [each.severity for each in found.checked.problems.get(one.number, ())]
    return ListedEntry(
        number=one.number, kind=one.kind, id=one.id,
        title=one.facts.get("title") or one.facts.get("name", ""),
        errors=severities.count("error"), warnings=severities.count("warning"),
    )  # fmt: skip


def _problem(found: CellProblem) -> TypedProblem:
    return TypedProblem(
        cell=found.cell.name, message=found.message, expected=found.expected, fix=found.fix,
        severity=found.severity,
    )  # fmt: skip
