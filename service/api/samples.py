"""Samples: register a list or one, find them."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
