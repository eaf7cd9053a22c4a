"""Growers, farms, fields and their history."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
