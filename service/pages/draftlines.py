"""A draft in lines to be read: its tables kind by kind, its changes, its comments."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.actions.draftdesk import Desk
from service.entries.columns import KINDS, ROWS, Kind
from service.entries.comparing import compare
from service.entries.entry import Entry
from service.pages.cellwords import column_name, one_name, sheet_name
from service.store.drafts import RevisionRow
from service.web.templates import Words


@dataclass(frozen=True)
class TableLine:
    """One table of a draft, in a line.

    Attributes
    ----------
    subject
        What it is about: soil test or nutrient.
    differs
        ``added``, ``changed``, or "" where it says what the last release said.
    """

    entry: Entry
    title: str
    subject: str
    method: str
    crops: str
    errors: int
    warnings: int
    differs: str


@dataclass(frozen=True)
class Group:
    """The tables of one kind."""

    kind: str
    name: str
    lines: tuple[TableLine, ...]
    removed: tuple[str, ...]  # titles of those that the last release had


def groups_of(w: Words, desk: Desk) -> tuple[Group, ...]:
    """The tables of a draft kind by kind; of a kind that has none, nothing."""
    changes = {(each.kind, each.id): each for each in compare(desk.base, desk.entries)} if desk.base else {}
    groups = []
    for kind in KINDS:
        lines = tuple(
            _line(w, desk, each, changes.get((kind, each.id))) for each in desk.entries if each.kind == kind
        )
        gone = tuple(
            each.title or each.id for each in changes.values() if each.kind == kind and each.what == "removed"
        )
        if lines or gone:
            groups.append(Group(kind, sheet_name(w, kind), lines, gone))
    return tuple(groups)


def in_hand(groups: tuple[Group, ...], desk: Desk) -> tuple[TableLine, ...]:
    """What a person is at: tables that are wrong, then those to be looked at, then those that differ.

    Nothing where that is every table: then the list of all says it as well.
    """
    lines = [line for group in groups for line in group.lines]
    found = [each for each in lines if each.errors or each.warnings or (desk.base and each.differs)]
    if len(found) == len(lines):
        return ()
    return tuple(sorted(found, key=lambda each: (not each.errors, not each.warnings)))


def region_name(desk: Desk) -> str:
    """What a draft's region is called, as far as that is typed."""
    typed = next((each.facts.get("name") for each in desk.entries if each.kind == "regions"), None)
    return typed or desk.draft.book


def title_of(w: Words, entry: Entry) -> str:
    """What a table is called, as far as anything is typed."""
    facts = entry.facts
    return (
        facts.get("title")
        or facts.get("name")
        or entry.id
        or w("drafts.untitled", what=one_name(w, entry.kind))
    )


def crops_of(w: Words, facts: Mapping[str, str]) -> str:
    """Names of the crops as they are typed."""
    typed = facts.get("crops", "")
    if typed == "any":
        return w("tables.any-crop")
    return w.format.join(
        [w.wording.name("crops", each) for part in typed.split(";") if (each := part.strip())]
    )


def _line(w: Words, desk: Desk, entry: Entry, change: Any) -> TableLine:
    facts, problems = entry.facts, desk.checked.problems.get(entry.number, ())
    method = facts.get("method") or facts.get("from_method", "")
    if entry.kind == "rates":
        subject = w.wording.name("nutrients", facts["nutrient"]) if "nutrient" in facts else ""
    else:
        subject = w.wording.name("analytes", facts["analyte"]) if "analyte" in facts else ""
    errors = sum(each.severity == "error" for each in problems)
    return TableLine(
        entry, title_of(w, entry), subject or facts.get("publisher", ""),
        w.wording.name("methods", method) if method else "", crops_of(w, facts), errors,
        len(problems) - errors, change.what if change else "",
    )  # fmt: skip


@dataclass(frozen=True)
class ChangeLine:
    """One change of a draft, in words."""

    row: RevisionRow
    what: str


def changes_of(w: Words, desk: Desk) -> list[ChangeLine]:
    """The changes of a draft, newest first."""
    named = {kind: one_name(w, kind) for kind in KINDS} | {"standing": column_name(w, "", "standing")}
    return [ChangeLine(each, _told(w, each, named.get(each.about, each.about))) for each in desk.revisions]


def _told(w: Words, change: RevisionRow, about: str) -> str:
    return w(f"drafts.change-{change.what}", about=about or "–", revision=change.as_of)


@dataclass(frozen=True)
class CommentLine:
    """One comment with the table and the cell it is about, in words."""

    row: Any
    table: str
    place: str
    there: bool  # whether its table still is in the draft


def comments_of(w: Words, desk: Desk) -> tuple[CommentLine, ...]:
    """The comments that nobody has settled, oldest first."""
    entries = {each.number: each for each in desk.entries}
    return tuple(
        CommentLine(
            each,
            title_of(w, entries[each.entry]) if each.entry in entries else w("drafts.removed-table"),
            place_name(w, entries[each.entry].kind, each.place) if each.entry in entries else "",
            each.entry in entries,
        )
        for each in desk.comments
        if each.settled_at is None
    )  # fmt: skip


def place_name(w: Words, kind: Kind, place: str) -> str:
    """A cell by its words: "Classes, row 3, From"; nothing for the table as a whole."""
    sheet, row, column = (*place.split("."), "", "")[:3]
    if sheet not in ROWS[kind] or not row.isdecimal():
        return column_name(w, kind, place)
    return w(
        "drafts.cell-of-row",
        sheet=sheet_name(w, sheet),
        row=int(row) + 1,
        column=column_name(w, sheet, column),
    )
