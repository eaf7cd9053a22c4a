"""Pages for people: server-rendered, useful without script. Each module is one part of the work."""

from __future__ import annotations

from fastapi import APIRouter

from service.pages import (
    advising,
    drafts,
    exports,
    home,
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
)

PARTS = tuple(
    part.router
    for part in (
        home, signing, link, myself, people, runs, samples, land, privacy, advising, reports, releases, tables,
        drafts, exports,
    )
)  # fmt: skip


def router() -> APIRouter:
    """All pages."""
    together = APIRouter(include_in_schema=False)
    for part in PARTS:
        together.include_router(part)
    return together
