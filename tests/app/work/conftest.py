"""The worlds of the server's tests, for tests of what works in its background."""

from __future__ import annotations

from tests.app.server.conftest import log, make_empty_url, make_url, postgres, tables, templates, world

__all__ = ["log", "make_empty_url", "make_url", "postgres", "tables", "templates", "world"]
