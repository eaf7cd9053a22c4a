"""Reports: preview, issue, fetch, and the feed of those issued."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
