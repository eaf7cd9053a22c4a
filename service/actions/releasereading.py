"""Releases of the tables for who asks page by page, and those in force for a region on a day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from service.actions.releasehistory import is_seen
from service.books import SHARED
from service.callers import Caller, Right
from service.refusals import Invalid
from service.site import InForce, Site
from service.store import releases
from service.store.land import absent
from service.store.releases import ReleaseRow


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
        books = {each for each in releases.latest(look) if is_seen(look, each)}
        if book and book not in books:
            raise Invalid(
                "there is no such region", where="region", expected="the id of one of the regions, or shared",
                fix="look at the list of regions", fields={"query/region": "is the id of no region of yours"},
            )  # fmt: skip
        return releases.later(look, after, most, {book} if book else books)


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
        if region == SHARED or region not in rows or not is_seen(look, region):
            raise absent("release")
        return DayOfRegion(on, rows[region], rows.get(SHARED), found.digest_for(region))
