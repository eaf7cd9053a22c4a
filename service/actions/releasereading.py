"""Releases of the tables, read: the list, one in full, two compared, those in force on a day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from service.actions.draftdesk import entries_of_release
from service.books import SHARED
from service.callers import Caller, Right
from service.entries.comparing import RecordChange, compare
from service.refusals import Invalid
from service.releases import Content, content_of
from service.site import InForce, Site
from service.store import releases
from service.store.database import Look
from service.store.land import absent
from service.store.releases import ReleaseRow


@dataclass(frozen=True)
class WholeRelease:
    """One release.

    Attributes
    ----------
    text
        Its canonical JSON, of which the SHA-256 is taken.
    content
        The same, read.
    """

    row: ReleaseRow
    text: str
    content: Content


@dataclass(frozen=True)
class DayOfRegion:
    """What a region's reports of one day are made from.

    Attributes
    ----------
    of_region, shared
        The releases: of the region's tables, and of what all regions share.
    sha256
        Stands for both; every report keeps it.
    """

    on: date
    of_region: ReleaseRow
    shared: ReleaseRow | None
    sha256: str


def later(site: Site, caller: Caller, after: int, most: int, book: str = "") -> tuple[ReleaseRow, ...]:
    """Releases that the caller may see, by rising id, from the one after an id on; of all books or of one.

    Raises
    ------
    Invalid
        If the book has no release, or is another region's.
    """
    with site.database.look(caller, Right.READ_TABLES) as look:
        books = {each for each in releases.latest(look) if _is_seen(look, each)}
        if book and book not in books:
            raise Invalid(
                "there is no such region", where="region", expected="the id of one of the regions, or shared",
                fix="look at the list of regions", fields={"query/region": "is the id of no region of yours"},
            )  # fmt: skip
        return releases.later(look, after, most, {book} if book else books)


def whole(site: Site, caller: Caller, release_id: int) -> WholeRelease:
    """One release in full.

    Raises
    ------
    NotFound
        If there is none, or it is another region's.
    """
    with site.database.look(caller, Right.READ_TABLES) as look:
        row = _seen(look, release_id)
        text = releases.contents(look, [row.sha256])[row.sha256]
    return WholeRelease(row, text, content_of(text))


def changes(site: Site, caller: Caller, before: int, after: int) -> tuple[RecordChange, ...]:
    """What differs between two releases of one region, cell by cell.

    Raises
    ------
    NotFound
        As :func:`whole`.
    Invalid
        If they are of two regions, or of what all regions share: that is not written in cells.
    """
    with site.database.look(caller, Right.READ_TABLES) as look:
        one, other = _seen(look, before), _seen(look, after)
        if one.book != other.book or one.book == SHARED:
            raise Invalid(
                f"these are releases of {one.book} and {other.book}" if one.book != other.book
                else "these are releases of what all regions share",
                where=f"releases {before} and {after}", expected="two releases of one region",
                fix="choose both from the list of one region's releases",
            )  # fmt: skip
        return compare(entries_of_release(site, look, before), entries_of_release(site, look, after))


def on_day(site: Site, caller: Caller, region: str, on: date | None = None) -> DayOfRegion:
    """Which releases are used for a region on a day; today if not given.

    Raises
    ------
    NotFound
        If the region is not the caller's, or had no release by then.
    """
    with site.database.look(caller, Right.READ_TABLES) as look:
        on = on or look.now.date()
        found: InForce = site.in_force(look, on)
        rows: Mapping[str, ReleaseRow] = found.releases
        if region == SHARED or region not in rows or not _is_seen(look, region):
            raise absent("release")
        return DayOfRegion(on, rows[region], rows.get(SHARED), found.digest_for(region))


def _seen(look: Look, release_id: int) -> ReleaseRow:
    row = releases.the_release(look, release_id)
    if not _is_seen(look, row.book):
        raise absent("release")
    return row


def _is_seen(look: Look, book: str) -> bool:
    return book == SHARED or look.scope.region in ("", book)
