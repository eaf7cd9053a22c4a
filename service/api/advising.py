"""One visit to a field: its plan, typed values, advice."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
