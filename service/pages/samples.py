"""Samples: lists, the form for one, and what came of each."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
