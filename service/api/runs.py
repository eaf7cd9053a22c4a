"""Runs: upload, look, decide, release."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
