"""Signing in and out, the second factor, and links that work once."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
