"""A draft as it lies before who submits it and who approves it: exactly what would be published."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from interpretation.agronomy.tables import Source, TableSet
from service.actions.draftdesk import Desk, around, lay_out
from service.actions.reviewing import digest_of, is_an_author, written_by
from service.actions.tables import sources_of
from service.books import merged
from service.callers import Caller, Right
from service.entries.columns import Kind
from service.entries.comparing import RecordChange, compare
from service.site import Site
from service.store import releases
from service.store.releases import ReleaseRow


@dataclass(frozen=True)
class Cited:
    """One table that changes, with its standing and whom it cites; ``unknown`` are ids of no source."""

    kind: Kind
    id: str
    title: str
    standing: str
    sources: tuple[Source, ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True)
class Laid:
    """All that is shown of a draft before it becomes a release.

    Attributes
    ----------
    changes
        What differs from the release it began from.
    cited
        Every table that is added or changes, with its sources.
    sha256
        Digest of what is shown here: what an approval names. Empty while nothing was submitted.
    as_submitted
        Whether that is what was submitted.
    is_author
        Whether the caller wrote or submitted any of it, and so cannot approve it.
    overtaken_by
        The release that was published since the draft was begun, if there is one.
    """

    desk: Desk
    changes: tuple[RecordChange, ...]
    cited: tuple[Cited, ...]
    sha256: str
    as_submitted: bool
    written_by: tuple[str, ...]
    is_author: bool
    overtaken_by: ReleaseRow | None
    today: date


def lay(site: Site, caller: Caller, draft_id: int) -> Laid:
    """Lay a draft before the caller.

    Raises
    ------
    NotFound
        If there is none of the caller's region.
    """
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        desk = lay_out(site, look, draft_id)
        draft = desk.draft
        changes = compare(desk.base, desk.entries)
        known = merged([around(site, look, draft.book), desk.checked.book])
        sha256 = digest_of(desk, draft.why, draft.effective_on) if draft.submitted_sha256 else ""
        return Laid(
            desk=desk, changes=changes, cited=tuple(_cited(changes, desk.checked.book, known)), sha256=sha256,
            as_submitted=sha256 == draft.submitted_sha256, written_by=written_by(look, draft),
            is_author=is_an_author(look, draft, caller),
            overtaken_by=releases.latest(look).get(draft.book) if desk.stale else None,
            today=look.now.date(),
        )  # fmt: skip


def _cited(changes: Iterable[RecordChange], book: TableSet, known: TableSet) -> Iterable[Cited]:
    for change in changes:
        record = getattr(book, change.kind).get(change.id)
        if record is None or change.kind == "sources":  # removed, or not to be read; a source cites nobody
            continue
        ids = sources_of(record)
        yield Cited(
            change.kind, change.id, change.title, record.standing,
            tuple(known.sources[each] for each in ids if each in known.sources),
            tuple(each for each in ids if each not in known.sources),
        )  # fmt: skip
