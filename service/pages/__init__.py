"""Pages for people: server-rendered, useful without script. Each module is one part of the work."""

from __future__ import annotations

from fastapi import APIRouter

from service.pages import advising, home, land, myself, people, reports, runs, samples, signing, tables

PARTS = tuple(
    part.router for part in (home, signing, myself, people, runs, samples, land, advising, reports, tables)
)


def router() -> APIRouter:
    """All pages."""
    together = APIRouter(include_in_schema=False)
    for part in PARTS:
        together.include_router(part)
    return together
