"""The tables in force, to read."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
