"""The administrator's pages: accounts, counties, changes; and everybody's own account."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
