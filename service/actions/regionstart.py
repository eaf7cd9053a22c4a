"""A region's first draft: copied from a region that has tables, or empty but for a first scale.

Nobody's numbers become another region's by being copied: every record of the new draft stands as a draft of
the region until somebody says otherwise, and the cautions of the region it came from stay with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict

from interpretation.agronomy.tables import TableSet
from service.actions import drafting
from service.actions.draftdesk import entries_of_release
from service.actions.reviewing import DRAFT_STANDING
from service.actions.written import refuse_unseen
from service.books import OF_SHARED, SHARED
from service.callers import Caller, Right
from service.entries.entry import Entry, entry
from service.refusals import Conflict, Invalid
from service.site import Site
from service.store import drafts, releases
from service.store.database import Change, Look
from service.store.land import absent

_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
LONGEST = {"name": 200, "publisher": 200, "valid_for": 4000, "why": 2000}
STANDING = ("regions", "scales", "rates", "conversions")  # kinds that say how their numbers are known


class NewRegion(BaseModel):
    """What is asked about a new region, whichever way it begins."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: str
    name: str
    publisher: str
    valid_for: str
    why: str


class FirstScale(BaseModel):
    """What is asked before anything else is typed: without it no number means anything."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    analyte: str = ""
    method: str = ""
    unit: str = ""
    basis: str = ""
    depth_from_cm: str = ""
    depth_to_cm: str = ""
    crops: str = ""
    round_to: str = ""


@dataclass(frozen=True)
class Startable:
    """What a caller may begin.

    Attributes
    ----------
    known
        Regions that have a release and are the caller's.
    may_begin_new
        Whether the caller may begin a region that has none.
    own
        Id that a new region must have; "" where it is free to be chosen.
    """

    known: tuple[str, ...]
    may_begin_new: bool
    own: str


def startable(site: Site, caller: Caller) -> Startable:
    """What the caller may begin a draft of."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        return _startable(look)


def published(site: Site, caller: Caller) -> dict[str, str]:
    """Regions that can be copied, id -> name: all that have a release, whoever's they are."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        return {name: each.name for name, each in _all(site, look).regions.items()}


def known(site: Site, caller: Caller) -> TableSet:
    """The tables that there are, for the choices that a form offers."""
    with site.database.look(caller, Right.EDIT_TABLES) as look:
        return _all(site, look)


def copy_region(site: Site, caller: Caller, new: NewRegion, copied: str) -> int:
    """Begin a new region as a copy of one that has a release; returns the id of its draft.

    Parameters
    ----------
    copied
        Id of the region that is copied.

    Notes
    -----
    Sources that all regions share stay cited as they are. A source that the copied region alone has is copied
    with an id of the new region: a draft can cite what is shared and what is its own, and two regions cannot
    have two records of one id. Of an invented region nothing invented comes along: its sources, and what it
    says of where its numbers are not to be used, have to be written anew.

    Raises
    ------
    Invalid
        If there is such a region, or something that is asked for is missing.
    Conflict
        If the caller's own region has its tables already.
    NotFound
        If the copied region has no release.
    """
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        _may_begin(change, new)
        last = releases.latest(change).get(copied)
        if last is None or copied == SHARED:
            raise absent("region")
        tables = _all(site, change)
        typed = tuple(_moved(entries_of_release(site, change, last.id), copied, new, tables))
        told: dict[str, object] = {"release": last.id, "copied": copied}
        return drafting.start(change, new.id, None, new.why, typed, told)


def begin_empty(site: Site, caller: Caller, new: NewRegion, scale: FirstScale) -> int:
    """Begin a new region with a first scale that says what it measures; returns the id of its draft.

    Raises
    ------
    Invalid
        If there is such a region, or something that is asked for is missing.
    Conflict
        If the caller's own region has its tables already.
    """
    missing = [name for name, text in scale.model_dump().items() if not text.strip()]
    with site.database.change(caller, Right.EDIT_TABLES) as change:
        _may_begin(change, new, missing)
        source = f"{new.id}/tables"
        own = {"standing": DRAFT_STANDING, "sources": source}
        region = new.model_dump(include={"id", "name", "publisher", "valid_for"}) | own
        title = {"id": source, "title": f"Tables of {new.name}", "publisher": new.publisher}
        facts = scale.model_dump() | own | {
            "id": f"{new.id}/{_slug(scale.analyte)}-{_slug(scale.method)}",
            "effective_from": change.now.date().isoformat(),
        }  # fmt: skip
        typed = (
            entry("regions", region, {}, 1),
            entry("scales", facts, {"classes": [{"name": "low", "from": "0"}]}, 2),
            entry("sources", title | {"year": str(change.now.year)}, {}, 3),
        )
        return drafting.start(change, new.id, None, new.why, typed, {"empty": True})


def drafted(entries: Iterable[Entry]) -> int:
    """How many records still stand as a draft of the region."""
    return sum(each.facts.get("standing") == DRAFT_STANDING for each in entries)


def _all(site: Site, look: Look) -> TableSet:
    """The last release of every region, in force already or from a later day on."""
    return site.of_releases(look, tuple(row for _, row in sorted(releases.latest(look).items())))


def _startable(look: Look) -> Startable:
    there = [book for book in releases.latest(look) if book != SHARED]
    own = look.scope.region
    known = tuple(sorted(book for book in there if own in ("", book)))
    return Startable(known, own == "" or own not in there, own)


def _may_begin(change: Change, new: NewRegion, missing: Sequence[str] = ()) -> None:
    """Refuse who may not, an id that is taken or cannot be one, and what was left out."""
    can = _startable(change)
    if not can.may_begin_new:
        raise Conflict(
            "your region has its tables already", where=can.own,
            expected="an agronomist of every region, or of one that has no release yet",
            fix="begin a draft of your region, or ask the administrator",
        )  # fmt: skip
    refuse_unseen(**new.model_dump())
    wrong = dict.fromkeys(missing, "fill this in")
    for name, most in LONGEST.items():
        if not 0 < len(getattr(new, name).strip()) <= most:
            wrong[name] = f"write 1 to {most} characters"
    alive = {each.book for each in drafts.find(change)}
    if not _ID.fullmatch(new.id):
        wrong["id"] = "small letters, digits and dashes, at most 60"
    elif new.id in (SHARED, *OF_SHARED):  # it becomes the name of a folder beside those
        wrong["id"] = "is the name of what all regions share; choose another"
    elif can.own and new.id != can.own:
        wrong["id"] = f"your region is {can.own}"
    elif new.id in releases.latest(change) or new.id in alive:
        wrong["id"] = "this region is there already, or somebody has begun it"
    if wrong:
        raise Invalid(
            "the region was not begun", where=", ".join(wrong), expected="what each field asks for",
            fix="correct the fields named", fields=wrong,
        )  # fmt: skip


def _moved(entries: Sequence[Entry], old: str, new: NewRegion, tables: TableSet) -> Iterable[Entry]:
    """The entries as the new region's own."""
    invented = tables.regions[old].standing == "invented"
    renamed = {each.id: _own_id(each.id, old, new.id) for each in entries if each.kind == "sources"}
    dropped = {
        name for name, each in tables.sources.items() if each.read == "invented" and name not in renamed
    } | {each.id for each in entries if each.kind == "sources" and each.facts.get("read") == "invented"}
    for each in entries:
        if each.kind == "sources" and each.id in dropped:
            continue
        facts = dict(each.facts)
        if "sources" in facts:
            cited = [part.strip() for part in facts["sources"].split(";")]
            facts["sources"] = "; ".join(renamed.get(name, name) for name in cited if name not in dropped)
        if each.kind in STANDING:
            facts |= {"standing": DRAFT_STANDING} | ({"remark": ""} if invented else {})
        if each.kind == "regions":
            facts |= new.model_dump(include={"id", "name", "publisher", "valid_for"})
            before = [part.strip() for part in facts.get("cautions_of", "").split(";") if part.strip()]
            facts["cautions_of"] = "; ".join(
                dict.fromkeys([old, *(name for name in before if name != new.id)])
            )
            if invented:
                facts |= {"not_for": "", "edition": ""}
        elif each.kind == "sources":
            facts["id"] = renamed[each.id]
        else:
            facts["id"] = new.id + facts["id"].removeprefix(old)
        yield entry(each.kind, facts, each.rows, each.number)


def _own_id(source: str, old: str, new: str) -> str:
    """Id of a copied source: the new region in place of the old one, or before it."""
    for sign in "/-":
        if source.startswith(old + sign):
            return f"{new}{sign}{source.removeprefix(old + sign)}"
    return f"{new}/{source}"


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-") or "scale"
