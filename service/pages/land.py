"""Growers, farms and fields: finding, history, map."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
