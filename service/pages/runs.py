"""The laboratory's runs: upload, curve, checks, decision, release."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
