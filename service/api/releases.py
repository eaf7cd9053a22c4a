"""Releases of the tables: what was published, what differs, and what is in force on a day."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Header, Path, Query, Response
from pydantic import Field

from service.actions import fieldtables, releasehistory, releasereading
from service.actions.fieldtables import Holding, OfVisit
from service.actions.releasehistory import Told
from service.api.common import After, Id, Limit, Line, Output, Page, page_of
from service.api.draftmodels import RecordDifference
from service.api.draftviews import difference
from service.releases import Content
from service.store.releases import ReleaseRow
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
_ETAG = {"ETag": {"description": "the release's SHA-256 in quotes", "schema": {"type": "string"}}}
CANONICAL: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "the very text of which the SHA-256 is taken",
        "content": {"application/json": {"schema": Content.model_json_schema(mode="serialization")}},
        "headers": _ETAG,
    },
    304: {"description": "the caller has it already", "headers": _ETAG},
}


class ListedRelease(Output):
    """One release of a region's tables, or of what all regions share (book `shared`)."""

    id: int
    book: str = Field(description="id of the region, or `shared`")
    number: int = Field(description="1, 2, ... in each book")
    effective_on: date = Field(description="first day on which it is used")
    published_at: datetime
    sha256: str = Field(description="of its canonical JSON (RFC 8785)")
    previous_sha256: str = Field(description="of the release before it; empty in the first of a book")


class OneRelease(ListedRelease):
    """A release with what is said about it; its tables are in its content."""

    shared_sha256: str = Field(description="of the release of `shared` that it was checked with")
    why: str
    written_by: list[str]
    approved_by: str = Field(description="empty where it was taken over from files")
    published_by: str
    standing: Literal["in-force", "later", "past", "never"] = Field(
        description="never: a newer release took over before its day had come"
    )
    used_until: date | None = Field(description="day on which a newer one takes over; null: no end")


class InForceOn(Output):
    """What reports of a region are made from on a day."""

    on: date
    region: str
    release: ListedRelease
    shared: ListedRelease | None
    sha256: str = Field(description="stands for both releases; every report keeps it")


class HoldingTable(Output):
    """The table that holds for samples that are alike, or why none does."""

    kind: Literal["scales", "rates"]
    subject: str = Field(description="an analyte; of an amount a nutrient")
    method: str = Field(description="of the soil test; empty of an amount")
    table: str | None = Field(description="id; null: none of the region's holds")
    failed: list[str] = Field(description="what no table matches, where none holds")


class VisitTables(Output):
    """What holds for one visit."""

    visit: int
    sampled_on: date
    crop: str
    tables: list[HoldingTable]


class TablesOfField(Output):
    """What was in force for a field on a day."""

    field: int
    on: date
    release: ListedRelease | None = Field(description="of the field's region; null: none was in force")
    shared: ListedRelease | None
    first_day: date | None = Field(description="of the region's first release")
    visits: list[VisitTables] = Field(description="newest first, made by that day; the last twenty")
    more: bool = Field(description="whether there are older visits")


def listed_release(row: ReleaseRow) -> ListedRelease:
    """A release as a list shows it."""
    return ListedRelease(**row.model_dump())


@router.get("/tables/releases", summary="Releases of tables")
def list_releases(
    site: TheSite, caller: ApiCaller, after: After = 0, limit: Limit = 100,
    region: Annotated[Line, Query(description="only this region's; or `shared`")] = "",
) -> Page[ListedRelease]:  # fmt: skip
    """List what was published, by rising id."""
    return page_of(releasereading.later(site, caller, after, limit + 1, region), limit, listed_release)


@router.get("/tables/releases/{release_id}", summary="One release")
def one_release(site: TheSite, caller: ApiCaller, release_id: Id) -> OneRelease:
    """Show who published what, when, why, and who had written and approved it."""
    return shown_release(releasehistory.one(site, caller, release_id).told)


@router.get(
    "/tables/releases/{release_id}/content", summary="Canonical JSON of a release",
    response_class=Response, responses=CANONICAL,
)  # fmt: skip
def content(
    site: TheSite, caller: ApiCaller, release_id: Id,
    if_none_match: Annotated[Line, Header(description="the ETag of what the caller has")] = "",
) -> Response:  # fmt: skip
    """Give the very bytes that were published: whoever works out their SHA-256 gets the release's."""
    row, text = releasehistory.text(site, caller, release_id)
    headers = {"etag": f'"{row.sha256}"'}
    known = {each.strip().removeprefix("W/") for each in if_none_match.split(",")}
    if known & {headers["etag"], "*"}:
        return Response(status_code=304, headers=headers)
    return Response(text.encode(), media_type="application/json", headers=headers)


@router.get("/tables/releases/{release_id}/changes/{newer_id}", summary="Two releases compared")
def compare_releases(
    site: TheSite, caller: ApiCaller, release_id: Id, newer_id: Id
) -> list[RecordDifference]:
    """Say what the second release says otherwise than the first, table by table and cell by cell."""
    return [difference(each) for each in releasehistory.compared(site, caller, release_id, newer_id).changes]


@router.get("/tables/regions/{region_id}/in-force", summary="What is in force on a day")
def in_force(
    site: TheSite, caller: ApiCaller,
    region_id: Annotated[str, Path(max_length=120, description="id of the region")],
    on: Annotated[date | None, Query(description="left out: today, in UTC")] = None,
) -> InForceOn:  # fmt: skip
    """Say which releases a region's reports of a day are made from; of days that have passed it stays so."""
    found = releasereading.on_day(site, caller, region_id, on)
    return InForceOn(
        on=found.on, region=region_id, release=listed_release(found.of_region),
        shared=_perhaps(found.shared), sha256=found.sha256,
    )  # fmt: skip


@router.get("/fields/{field_id}/tables", summary="What was in force for a field on a day")
def of_field(
    site: TheSite, caller: ApiCaller, field_id: Id,
    on: Annotated[date | None, Query(description="left out: today, in UTC")] = None,
) -> TablesOfField:  # fmt: skip
    """Say which releases a report of a day was, or would be, made from, and which table holds for what."""
    found = fieldtables.for_field(site, caller, field_id, on)
    return TablesOfField(
        field=field_id, on=found.on, release=_perhaps(found.of_region), shared=_perhaps(found.shared),
        first_day=found.first, visits=[_visit(each) for each in found.visits], more=found.more,
    )  # fmt: skip


def _visit(found: OfVisit) -> VisitTables:
    kinds: tuple[tuple[Literal["scales", "rates"], tuple[Holding, ...]], ...] = (
        ("scales", found.scales), ("rates", found.rates),
    )  # fmt: skip
    return VisitTables(
        visit=found.id, sampled_on=found.sampled_on, crop=found.crop,
        tables=[
            HoldingTable(
                kind=kind, subject=each.subject, method=each.method,
                table=each.table.id if each.table else None, failed=list(each.failed),
            )
            for kind, holding in kinds
            for each in holding
        ],
    )  # fmt: skip


def _perhaps(row: ReleaseRow | None) -> ListedRelease | None:
    return listed_release(row) if row else None


def shown_release(found: Told) -> OneRelease:
    """A release in full, but for its tables."""
    said = found.content
    return OneRelease(
        **found.row.model_dump(), shared_sha256=said.shared, why=said.why, written_by=list(said.written_by),
        approved_by=said.approved_by, published_by=said.published_by, standing=found.span.standing,
        used_until=found.span.until,
    )  # fmt: skip
