"""Pages for people: server-rendered, useful without script. Each module is one part of the work."""

from __future__ import annotations

from fastapi import FastAPI

from service.pages import (
    advising,
    batches,
    deliveries,
    draftfiles,
    drafts,
    exports,
    home,
    impact,
    land,
    link,
    myself,
    people,
    privacy,
    releases,
    reports,
    runs,
    samples,
    signing,
    tables,
    verifying,
)

PARTS = tuple(
    part.router
    for part in (
        home, signing, link, myself, people, runs, samples, land, privacy, advising, reports, batches,
        deliveries, releases, tables, drafts, draftfiles, impact, exports, verifying,
    )
)  # fmt: skip


def add_pages(app: FastAPI) -> None:
    """Add all pages to an application.

    Each part by itself: a router of routers would have every route prepared twice, here and at its first
    request, which takes most of the time that an application takes to be built.
    """
    for part in PARTS:
        app.include_router(part, include_in_schema=False)
