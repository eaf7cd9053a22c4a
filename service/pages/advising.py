"""One visit to a field: its plan, values typed from paper, classes, amounts and their working."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
