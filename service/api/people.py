"""Who the token stands for; for the administrator: accounts and changes."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
