"""The tables in force."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
