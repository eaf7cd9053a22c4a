"""Drafts as files: taken away as a workbook, CSV or YAML, and brought back, the difference shown first.

A file that comes is read, and waits beside the draft until somebody has looked at what it would change. Its
cells are taken as they were typed, right or wrong; only what leaves open where a cell belongs is refused.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.actions import drafting
from service.actions.draftdesk import (
    Desk,
    around,
    entries_of_release,
    lay_out,
    the_entry,
    wrong_state,
)
from service.actions.written import refuse_unseen
from service.bookfiles import forms
from service.bookfiles.book import Book, Form
from service.books import OF_SHARED, SHARED, canonical, digest
from service.callers import Caller, Right
from service.entries.checking import Checked, check
from service.entries.columns import MOST_ENTRIES
from service.entries.comparing import RecordChange, compare
from service.entries.entry import Entry
from service.entries.merging import merged
from service.refusals import Conflict, Invalid, NotAllowed
from service.site import Site
from service.store import drafts, releases
from service.store.drafts import DraftRow, FileRow, UploadRow
from service.store.land import absent
from service.uploads import Upload

_NEW_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")  # it becomes the name of a folder
MEDIA_TYPES = {
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".zip": "application/zip", ".yaml": "application/yaml",
}  # fmt: skip


@dataclass(frozen=True)
class Download:
    """A file to be sent."""

    name: str
    content: bytes

    @property
    def media_type(self) -> str:
        """What its ending stands for."""
        return MEDIA_TYPES[f".{self.name.rpartition('.')[2]}"]


@dataclass(frozen=True)
class Waiting:
    """A file that waits beside a draft, and what it would make of it.

    Attributes
    ----------
    desk
        The draft as it is now.
    upload
        The file.
    after
        The draft's entries if it is taken.
    changes
        What differs between the two.
    checked
        What would be wrong with the draft.
    """

    desk: Desk
    upload: UploadRow
    after: tuple[Entry, ...]
    changes: tuple[RecordChange, ...]
    checked: Checked

    @property
    def sha256(self) -> str:
        """Digest of what the file says: who takes it names it, so that nobody takes what they did not see."""
        return _digest(self.upload)


def download(site: Site, caller: Caller, draft_id: int, form: Form, number: int | None = None) -> Download:
    """Write a draft, or one of its tables, as a file.

    Parameters
    ----------
    number
        Of the table in the draft; None for all of them.

    Raises
    ------
    TableError
        If a cell cannot be written in this form: see :mod:`service.bookfiles`.
    """
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        draft = drafts.the_draft(look, draft_id)
        typed = drafts.entries(look, draft_id)
    if number is None:
        return Download(forms.file_name(form, draft.book), forms.write(form, draft.book, typed))
    one = the_entry(typed, number)
    return Download(forms.file_name(form, draft.book, [one]), forms.write_one(form, draft.book, one))


def files(site: Site, caller: Caller, draft_id: int) -> tuple[Desk, FileRow | None]:
    """A draft, and the file that waits beside it."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        desk = lay_out(site, look, draft_id)
        return desk, drafts.waiting_file(look, draft_id)


def upload(site: Site, caller: Caller, draft_id: int, file: Upload) -> int:
    """Read a file and let it wait beside the draft; returns its id. An earlier one that waits is let go.

    Raises
    ------
    TableError
        With the place in the file of what cannot be read.
    Conflict
        If the draft is not open.
    Invalid
        If its tables are another region's.
    """
    with site.database.look(caller, Right.EDIT_TABLES) as look:  # before a large file is read
        region = _open(drafts.the_draft(look, draft_id)).book
    name = file.safe_name
    book = forms.read(name, file.content)
    refuse_other_region(book, region, name)
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        _open(drafts.hold(change, draft_id))
        revision = drafts.revisions(change, draft_id)[0].number
        added = drafts.add_upload(change, draft_id, revision, name, book.entries)
        change.note("upload", "table-file", draft_id, after={"tables": len(book.entries)})
    return added


def waiting(site: Site, caller: Caller, draft_id: int, upload_id: int, *, whole: bool) -> Waiting:
    """What a file that waits would make of its draft as it is now.

    Parameters
    ----------
    whole
        Whether the file is the whole region: then tables that it lacks are removed.

    Raises
    ------
    NotFound
        If no such file waits: it was taken, dropped, or another one came.
    """
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        desk = lay_out(site, look, draft_id)
        found = drafts.the_upload(look, draft_id, upload_id)
        shared = around(site, look, desk.draft.book)
    after = merged(desk.entries, found.entries, whole=whole, first=desk.draft.last_entry + 1)
    checked = check(after, desk.draft.book, shared, desk.base)
    return Waiting(desk, found, after, compare(desk.entries, after), checked)


def take(
    site: Site, caller: Caller, draft_id: int, upload_id: int, revision: int, sha256: str, *, whole: bool
) -> int:
    """Put a file that waits into its draft; returns the number of the new revision.

    Parameters
    ----------
    revision
        Of the draft that the difference was shown against.
    sha256
        Of the file that was shown.

    Raises
    ------
    Conflict
        If the draft has changed since, or is not open, or another file waits.
    Invalid
        If there would be more tables than a draft holds.
    NotAllowed
        If somebody else brought the file: who wrote it could then approve it.
    """
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        free = drafts.the_draft(look, draft_id).last_entry + 1
        found = drafts.the_upload(look, draft_id, upload_id)
        if _digest(found) != sha256:
            raise Conflict(
                "another file waits now, so nothing was taken", where=found.file_name,
                expected="the file that you looked at", fix="look at what this one would change",
            )  # fmt: skip
        if found.by_id != caller.account_id:
            raise NotAllowed(
                "somebody else brought this file", where=found.file_name,
                expected="taken over by who brought it, whose change it then is",
                fix=f"ask {found.by} to take it over, or bring it yourself",
            )  # fmt: skip
        seen = drafts.entries(look, draft_id, revision)
    after = merged(seen, found.entries, whole=whole, first=free)
    if len(after) > MOST_ENTRIES:
        raise Invalid(
            f"the draft would hold {len(after)} tables", where=found.file_name,
            expected=f"at most {MOST_ENTRIES}", fix="remove tables that have ended",
        )  # fmt: skip
    return drafting.replace_all(site, caller, draft_id, revision, after, found.file_name)


def drop(site: Site, caller: Caller, draft_id: int) -> None:
    """Let go of a file that waits."""
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        drafts.the_draft(change, draft_id)
        drafts.drop_uploads(change, draft_id)
        change.note("discard", "table-file", draft_id)


def begin_from_file(site: Site, caller: Caller, book: Book, region: str, why: str, *, whole: bool) -> int:
    """Begin a draft with what a file says; returns its id.

    A region that has no release gets its first draft of it, one that has a draft of its last release with the
    file put into it.

    Raises
    ------
    Invalid
        If the file is another region's, or does not say whose it is, or no reason is given.
    """
    region = region or book.region
    refuse_other_region(book, region, "file")
    if not _NEW_ID.fullmatch(region) or region == SHARED or region in OF_SHARED:
        raise Invalid(
            "it is not said which region's tables these are", where="file",
            expected="a region's id: small letters, digits and hyphens",
            fix="name it with --region",
        )  # fmt: skip
    if not why.strip():
        raise Invalid(
            "no reason is given", where="why", expected="why the tables change", fix="say it with --why"
        )
    refuse_unseen(why=why)
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        if change.scope.region not in ("", region):
            raise absent("region")
        last = releases.latest(change).get(region)
        base = entries_of_release(site, change, last.id if last else None)
        typed = merged(base, book.entries, whole=whole, first=len(base) + 1)
        return drafting.start(change, region, last.id if last else None, why.strip(), typed, {"file": True})


def refuse_other_region(book: Book, region: str, where: str) -> None:
    """Refuse tables of another region; of a file that does not say whose they are, by the ids of its tables.

    Raises
    ------
    Invalid
        With the region that the file is of.
    """
    said = {book.region} - {""} or {
        each.id.partition("/")[0] if each.kind != "regions" else each.id
        for each in book.entries
        if each.kind == "regions" or "/" in each.id
    }
    if said and region not in said:
        raise Invalid(
            f"these are tables of {', '.join(sorted(said))}", where=where, expected=f"tables of {region}",
            fix="choose the right file; to copy another region's tables, begin a new region from it",
        )  # fmt: skip


def _digest(found: UploadRow) -> str:
    return digest(canonical([each.said() for each in found.entries]))


def _open(draft: DraftRow) -> DraftRow:
    if draft.state != "open":
        raise wrong_state(draft, "an open draft; one that was submitted is sent back first")
    return draft
