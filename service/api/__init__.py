"""The JSON API: everything the pages do, for programs. Each module is one part of the work.

What is common to all operations is done here once: a valid token, a limit to requests, no unknown query,
``Idempotency-Key``, errors as problems, and their description.
"""

from __future__ import annotations

from fastapi import APIRouter, Depends, FastAPI
from fastapi.routing import APIRoute
from starlette.middleware import Middleware

from service.api import (
    advising,
    batches,
    deliveries,
    draftfiles,
    drafts,
    exports,
    land,
    people,
    releases,
    reports,
    runs,
    samples,
    tables,
    verifying,
)
from service.api.description import TITLE, VERSION, describe
from service.api.submitting import Submissions
from service.site import Site
from service.web import problems
from service.web.asking import only_what_is_described
from service.web.buckets import Buckets

PARTS = (
    people, runs, samples, land, advising, reports, batches, deliveries, tables, drafts, draftfiles,
    releases, exports, verifying,
)  # fmt: skip


def make_api(site: Site) -> FastAPI:
    """Build the API of one site."""
    api = FastAPI(
        title=TITLE,
        version=VERSION,
        openapi_url="/openapi.json",
        docs_url="/docs" if site.settings.mode == "development" else None,
        redoc_url=None,
        root_path_in_servers=False,
        generate_unique_id_function=operation_id,
        middleware=[Middleware(Submissions, site=site)],
    )
    api.state.site = site
    api.state.buckets = Buckets(site.settings.api_requests_per_minute)
    problems.install(api)
    for part in PARTS:
        add_part(api, part.router, part.__name__.rpartition(".")[2])
    describe(api, site.settings)
    return api


def add_part(api: FastAPI, router: APIRouter, name: str) -> None:
    """Add the operations of one part, with what is asked of each of them."""
    api.include_router(router, tags=[name], dependencies=[Depends(only_what_is_described)])


def operation_id(route: APIRoute) -> str:
    """Name of an operation in the description: its part and its function, whatever its path."""
    part = route.endpoint.__module__.rpartition(".")[2]
    return f"{part}_{route.name}"
