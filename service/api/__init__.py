"""The JSON API: everything the pages do, for programs. Each module is one part of the work."""

from __future__ import annotations

from fastapi import FastAPI

from service.api import advising, exports, land, people, reports, runs, samples, tables
from service.site import Site
from service.web import problems

TITLE = "Furrowslice"
VERSION = "1"
PARTS = (people, runs, samples, land, advising, reports, tables, exports)


def make_api(site: Site) -> FastAPI:
    """Build the API of one site."""
    api = FastAPI(
        title=TITLE,
        version=VERSION,
        openapi_url="/openapi.json",
        docs_url="/docs" if site.settings.mode == "development" else None,
        redoc_url=None,
    )
    api.state.site = site
    problems.install(api)
    for part in PARTS:
        api.include_router(part.router, tags=[part.__name__.rpartition(".")[2]])
    return api
