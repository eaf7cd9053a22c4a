"""What a draft would do to past samples of its region: all of them advised on by both sets of tables.

Samples of every laboratory of the region count, as the tables will hold for all of them. They are read and
advised on a hundred thousand at a time, and only values and amounts that can differ. One preview is worked
out at a time, and the last few are kept until anything they rest on has changed.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from interpretation.agronomy.advise import advise
from interpretation.agronomy.impact import Touched, changed, narrowed, touched
from interpretation.agronomy.tables import TableSet
from interpretation.agronomy.tally import Tally
from service.actions import draftdesk
from service.actions.draftdesk import Desk
from service.actions.impactfields import most_affected
from service.actions.pastframes import advisable, as_if, context_of, soil_of
from service.books import merged
from service.callers import Caller, Right
from service.impact import Filter, Impact, NotReached
from service.refusals import Invalid, Unavailable
from service.site import Site
from service.store import pastsamples, releases
from service.store.database import Database, Look
from service.store.drafts import DraftRow
from service.store.pastsamples import Choices, Wanted
from service.store.releases import ReleaseRow

MOST_SAMPLES = 500_000
MOST_FIELDS = 20
AT_ONCE = 100_000  # samples in memory with their values and what is advised on them
KEPT = 6
# A preview is some seconds of work for one processor: one at a time, and few in the queue.
MOST_WAITING = 4
SECONDS_TO_WAIT = 60.0
_turn = threading.BoundedSemaphore(1)
_queue = threading.BoundedSemaphore(MOST_WAITING)
_kept: WeakKeyDictionary[Database, OrderedDict[tuple[object, ...], Impact]] = WeakKeyDictionary()


@dataclass(frozen=True)
class Sides:
    """The tables that are held against each other.

    Attributes
    ----------
    release
        The region's last release; None if it has none.
    stamp
        Digests of every release that either side is made of.
    """

    desk: Desk
    before: TableSet
    after: TableSet
    release: ReleaseRow | None
    stamp: tuple[str, ...]


def offered(site: Site, caller: Caller, draft_id: int) -> tuple[DraftRow, Choices]:
    """What past samples of a draft's region can be chosen by."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        desk = draftdesk.lay_out(site, look, draft_id)
        return desk.draft, pastsamples.choices(look, desk.draft.book)


def preview(site: Site, caller: Caller, draft_id: int, asked: Filter) -> Impact:
    """Work out what a draft would do to past samples, against the last release of its region.

    Raises
    ------
    Invalid
        If something in the draft is wrong, a county is none of the region's, or there are too many samples.
    Unavailable
        If others wait for theirs already.
    """
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        sides = both_sides(site, look, draft_id)
        wanted = _wanted(look, sides.desk.draft.book, asked)
        key = (draft_id, sides.desk.revision, sides.stamp, asked, pastsamples.newest(look))
        if (known := _known(site, key)) is not None:
            return known
        with one_at_a_time():
            if (known := _known(site, key)) is None:
                known = _worked_out(look, sides, wanted, asked)
                _keep(site, key, known)
            return known


def both_sides(site: Site, look: Look, draft_id: int) -> Sides:
    """The last release and the draft, each with the last release of every other book.

    Raises
    ------
    Invalid
        If something in the draft is wrong.
    """
    desk = draftdesk.lay_out(site, look, draft_id)
    if errors := desk.checked.errors():
        raise Invalid(
            f"{errors} thing{'s' if errors > 1 else ''} in this draft must be corrected first",
            where=f"draft {draft_id}", expected="a draft that could be released",
            fix="open the draft, correct what is marked there, and come back",
        )  # fmt: skip
    book, rows = desk.draft.book, releases.latest(look)
    around = draftdesk.around(site, look, book)
    last = rows.get(book)
    own = site.of_releases(look, (last,)) if last else TableSet(regions=desk.checked.book.regions)
    stamp = tuple(row.sha256 for _, row in sorted(rows.items()))
    return Sides(desk, merged([around, own]), merged([around, desk.checked.book]), last, stamp)


def _wanted(look: Look, region: str, asked: Filter) -> Wanted:
    there = {county for county, _ in pastsamples.choices(look, region).counties}
    if unknown := sorted(set(asked.counties) - there):
        raise Invalid(
            f"there is no county {unknown[0]!r} in this region", where="counties",
            expected="counties of the draft's region", fix="choose them from the list",
            fields={"counties": "choose counties from the list"},
        )  # fmt: skip
    wanted = Wanted(region, asked.years, asked.counties, asked.crops)
    count = pastsamples.count(look, wanted)
    if count > MOST_SAMPLES:
        raise Invalid(
            f"there are {count:,} samples, too many to advise on at once", where="years",
            expected=f"at most {MOST_SAMPLES:,}", fix="choose fewer years, or a county or a crop",
            fields={"years": "choose fewer years, or a county or a crop"},
        )  # fmt: skip
    return wanted


def _worked_out(look: Look, sides: Sides, wanted: Wanted, asked: Filter) -> Impact:
    region = wanted.region
    reach = touched(sides.before, sides.after)
    before, after = (narrowed(tables, reach, region) for tables in (sides.before, sides.after))
    found = pastsamples.samples_of(look, wanted)
    fit = advisable(found, region, sides.before, sides.after)
    samples = found if fit.all() else found[fit].reset_index(drop=True)
    samples["sampled_on"] = as_if(samples["sampled_on"], asked.as_if_year)
    tally = _tallied(look, before, after, wanted, samples, reach)
    visits, first, of_visit = np.unique(samples["visit_id"], return_index=True, return_inverse=True)
    shifts = tally.shifts(of_visit, len(visits))
    order = shifts.order()
    chosen = _one_a_field(visits[order], samples["field_id"].to_numpy()[first[order]])
    draft, day = sides.desk.draft, samples["sampled_on"].max() if len(samples) else None
    return Impact(
        draft_id=draft.id, revision=sides.desk.revision, region=region,
        release=sides.release.number if sides.release else None, asked=asked,
        samples=len(samples), visits=len(visits), values=tally.values, left_out=int((~fit).sum()),
        analytes=tuple(sorted(reach.analytes)), nutrients=tuple(sorted(reach.nutrients)),
        flows=tally.flows(),
        amounts=tally.amounts(of_visit, samples["area_ha"].to_numpy()[first]),
        affected_visits=len(order),
        fields=most_affected(look, before, after, region, chosen, reach.needed, asked.as_if_year),
        not_reached=_not_reached(sides, day),
    )  # fmt: skip


def _tallied(
    look: Look, before: TableSet, after: TableSet, wanted: Wanted, samples: pd.DataFrame, reach: Touched
) -> Tally:
    tally = Tally(reach.analytes, reach.nutrients)
    for start in range(0, len(samples) if not reach.nothing else 0, AT_ONCE):
        some = samples.iloc[start : start + AT_ONCE].reset_index(drop=True)
        ends = None  # all in one batch need no ends
        if len(samples) > AT_ONCE:
            ends = (int(some["sample_id"].iloc[0]), int(some["sample_id"].iloc[-1]))
        values = pastsamples.values_of(look, wanted, analytes=reach.needed, ids=ends)
        context = context_of(some, wanted.region)
        soil = soil_of(values, some, context)
        tally.add(advise(soil, before, context), advise(soil, after, context))
    return tally


def _one_a_field(visits: NDArray[np.int64], fields: NDArray[np.int64]) -> list[int]:
    """The most affected visit of each field, in their order, as many as are shown."""
    _, first = np.unique(fields, return_index=True)
    return [int(visit) for visit in visits[np.sort(first)][:MOST_FIELDS]]


def _not_reached(sides: Sides, last: pd.Timestamp | None) -> tuple[NotReached, ...]:
    """Tables of the draft that no sample was taken late enough for."""
    if last is None:
        return ()
    own = sides.desk.checked.book
    different = {
        table.id: table
        for kind in ("scales", "rates")
        for table in changed(sides.before, sides.after, kind)
        if table.id in getattr(own, kind) and table.effective_from > last.date()
    }
    return tuple(
        NotReached(table=name, effective_from=table.effective_from)
        for name, table in sorted(different.items())
    )


# ---------------------------------------------------------------------------------- in turn, and kept


def _known(site: Site, key: tuple[object, ...]) -> Impact | None:
    return _kept.get(site.database, OrderedDict()).get(key)


def _keep(site: Site, key: tuple[object, ...], made: Impact) -> None:
    kept = _kept.setdefault(site.database, OrderedDict())
    kept[key] = made
    while len(kept) > KEPT:
        kept.popitem(last=False)


@contextmanager
def one_at_a_time() -> Iterator[None]:
    """Wait for one's turn.

    Raises
    ------
    Unavailable
        If others wait already, or if it takes too long.
    """
    busy = Unavailable(
        "other previews are being worked out at this moment", where="impact",
        expected="fewer at once", fix="wait a few seconds and try again; nothing was lost",
    )  # fmt: skip
    if not _queue.acquire(blocking=False):
        raise busy
    try:
        if not _turn.acquire(timeout=SECONDS_TO_WAIT):
            raise busy
        try:
            yield
        finally:
            _turn.release()
    finally:
        _queue.release()
