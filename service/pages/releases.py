"""Pages of releases of the tables: the history of a region, one release in full, what differs between two."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Form, Query
from starlette.responses import HTMLResponse, Response

from interpretation.agronomy.tables import Scoped
from service.actions import drafting, releasehistory, tablereading
from service.actions.releasehistory import Told
from service.actions.tablereading import Kind
from service.books import SHARED
from service.files import safe_name
from service.pages import fieldtables, reviewing, tables
from service.pages.changelines import in_words, kind_name
from service.pages.forms import Id
from service.store.releases import ReleaseRow
from service.web.templates import Words
from service.web.visit import Posted, Visit, Visiting

router = APIRouter()
router.include_router(reviewing.router)
router.include_router(fieldtables.router)
Chosen = Annotated[int, Query(ge=1, le=2**31 - 1)]
SHORT = 12  # characters of a digest that a person compares by eye


@router.get("/tables/regions/{region_id}/history")
def history(visit: Visiting, region_id: str) -> HTMLResponse:
    """Show every release of a region, and whether the chain is whole."""
    found = releasehistory.history(visit.site, visit.caller, region_id)
    rows = [told.row for told in found.releases]
    return visit.page(
        "releases/history.html.j2", found=found, name=_book(visit.words, found.name), short=SHORT,
        spans={told.row.id: span_in_words(visit.words, told) for told in found.releases},
        choices=choices(visit.words, rows), before=str(rows[min(1, len(rows) - 1)].id), after=str(rows[0].id),
        shared=region_id == SHARED,
    )  # fmt: skip


@router.get("/tables/releases/{release_id}")
def release(visit: Visiting, release_id: Id) -> HTMLResponse:
    """Show one release in full."""
    found, w = releasehistory.one(visit.site, visit.caller, release_id), visit.words
    told = found.told
    lists = {}
    if told.row.book != SHARED:
        region = found.tables.regions[told.row.book]
        lists = tables.listed(
            visit, tablereading.tables_of(found.tables, region), lambda each: _period(w, each)
        )
    others = [
        (kind_name(w, kind), [(each, _called(record)) for each, record in records.items()])
        for kind, records in told.content.records.items()
        if records and kind not in ("regions", "scales", "rates")
    ]
    return visit.page(
        "releases/release.html.j2", found=found, told=told, lists=lists, others=others, short=SHORT,
        name=_book(w, found.name), span=span_in_words(w, told), shared=told.row.book == SHARED,
        base=f"/tables/releases/{release_id}",
    )  # fmt: skip


@router.get("/tables/releases/{release_id}/json")
def content(visit: Visiting, release_id: Id) -> Response:
    """Hand out the very bytes of which the digest is taken."""
    row, text = releasehistory.text(visit.site, visit.caller, release_id)
    name = f"{safe_name(row.book)}.release-{row.number}.json"
    return Response(
        text.encode(), media_type="application/json",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )  # fmt: skip


@router.get("/tables/releases/{release_id}/scales/{table_id:path}")
def scale(visit: Visiting, release_id: Id, table_id: str) -> HTMLResponse:
    """Show one scale of classes of a release."""
    return _table(visit, release_id, "scales", table_id)


@router.get("/tables/releases/{release_id}/rates/{table_id:path}")
def rate(visit: Visiting, release_id: Id, table_id: str) -> HTMLResponse:
    """Show one table of amounts of a release."""
    return _table(visit, release_id, "rates", table_id)


@router.post("/tables/releases/{release_id}/draft")
def go_back(visit: Posted, release_id: Id, why: Annotated[str, Form(max_length=2000)] = "") -> Response:
    """Begin a draft that says what this release says; it becomes a new release, as any other draft."""
    row, _ = releasehistory.text(visit.site, visit.caller, release_id)
    draft_id = drafting.begin(visit.site, visit.caller, row.book, why.strip(), release_id)
    return visit.go(f"/tables/drafts/{draft_id}", "releases.done-begun")


@router.get("/tables/compare")
def compare(visit: Visiting, before: Chosen, after: Chosen) -> HTMLResponse:
    """Show what differs between two releases of a region."""
    found, w = releasehistory.compared(visit.site, visit.caller, before, after), visit.words
    return visit.page(
        "releases/compare.html.j2", found=found, name=_book(w, found.name),
        changes=in_words(w, found.changes), choices=choices(w, found.releases),
        sides=[(told, span_in_words(w, told)) for told in (found.before, found.after)],
    )  # fmt: skip


def choices(w: Words, rows: Sequence[ReleaseRow]) -> list[tuple[str, str]]:
    """Releases to choose from, newest first."""
    return [
        (str(row.id), w("releases.number-since", number=row.number, day=w.day(row.effective_on)))
        for row in rows
    ]


def span_in_words(w: Words, told: Told) -> str:
    """When a release is used."""
    span = told.span
    days = {"first": w.day(span.first), "until": w.day(span.until)}
    if span.standing == "never":
        return w("releases.span-never", **days)
    if span.until is None:
        return w("releases.span-open", first=days["first"])
    return w("releases.span-closed", **days)


def _table(visit: Visit, release_id: int, kind: Kind, table_id: str) -> HTMLResponse:
    found, w = releasehistory.one(visit.site, visit.caller, release_id), visit.words
    row, name = found.told.row, _book(w, found.name)
    trail = [
        (name, f"/tables/regions/{row.book}"),
        (w("releases.release-number", number=row.number), f"/tables/releases/{release_id}"),
    ]
    title = w("releases.title", number=row.number, name=name)
    note = w("releases.as-of", title=title, span=span_in_words(w, found.told))
    return tables.show(visit, tablereading.table_of(found.tables, kind, table_id), trail, note)


def _book(w: Words, name: str) -> str:
    """Name of a book: a region's own, or that of what all regions share."""
    return name or w("releases.shared")


def _called(record: dict[str, object]) -> str:
    return str(record.get("title") or record.get("name") or "")


def _period(w: Words, table: Scoped) -> str:
    if table.effective_to is None:
        return w("releases.span-open", first=w.day(table.effective_from))
    return w("releases.to-last", first=w.day(table.effective_from), last=w.day(table.effective_to))
