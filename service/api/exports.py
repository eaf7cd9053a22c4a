"""Whole collections as CSV, XLSX, GeoJSON and Parquet, units in the titles."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import Field
from starlette.responses import StreamingResponse

from service.actions.exports import choose, write_export
from service.api.common import Line, Output
from service.exportfiles import MEDIA_TYPES, Format, Kind
from service.store.exports import COLLECTIONS, Name, Wanted
from service.web.asking import ApiCaller, TheSite
from service.web.downloads import sent

router = APIRouter()
_BINARY: dict[str, Any] = {"schema": {"type": "string", "format": "binary"}}
_FEATURES: dict[str, Any] = {
    "schema": {
        "type": "object",
        "required": ["type", "features"],
        "properties": {
            "type": {"const": "FeatureCollection"},
            "features": {"type": "array", "items": {"type": "object"}},
        },
    }
}


class ExportColumn(Output):
    """One column of a collection."""

    name: str
    kind: Kind
    help: str


class ExportedCollection(Output):
    """One collection, the formats it comes in and its columns."""

    name: Name
    help: str
    formats: list[Format]
    columns: list[ExportColumn]


class ExportedCollections(Output):
    """All of them."""

    items: list[ExportedCollection] = Field(description="take one with /exports/{name}.{format}")


@router.get("/exports")
def list_exports() -> ExportedCollections:
    """What can be taken away whole, and what its columns mean."""
    return ExportedCollections(
        items=[
            ExportedCollection(
                name=name,
                help=made.help,
                formats=[kind for kind in MEDIA_TYPES if kind != "geojson" or made.shape],
                columns=[ExportColumn(name=c.name, kind=c.kind, help=c.help) for c in made.columns],
            )
            for name, made in COLLECTIONS.items()
        ]
    )


@router.get(
    "/exports/{name}.{format}",
    response_class=StreamingResponse,
    responses={
        200: {
            "description": "the file",
            "content": {
                kind.partition(";")[0]: _FEATURES if name == "geojson" else _BINARY
                for name, kind in MEDIA_TYPES.items()
            },
        }
    },
)
def export(
    site: TheSite,
    caller: ApiCaller,
    name: Name,
    format: Format,  # noqa: A002 - its name in the address
    year: Annotated[int | None, Query(ge=1900, le=2200, description="one calendar year")] = None,
    county: Annotated[Line | None, Query(description="id of one of your counties")] = None,
    first: Annotated[date | None, Query(alias="from", description="first day, ISO 8601")] = None,
    last: Annotated[date | None, Query(alias="to", description="last day, ISO 8601")] = None,
    superseded: Annotated[
        bool, Query(description="soil values that newer ones have replaced, as well")
    ] = False,
) -> StreamingResponse:
    """One collection, as far as it is the caller's."""
    wanted = choose(year, Wanted(county, first, last, superseded))
    made = write_export(site, caller, name, format, wanted)
    return sent(made.file, made.size_bytes, made.name, made.media_type)
