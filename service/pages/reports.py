"""Reports: preview, issue, find; and what a grower's link opens."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
