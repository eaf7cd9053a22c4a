"""Whole collections as CSV, XLSX, GeoJSON and Parquet, units in the titles."""

from __future__ import annotations

from fastapi import APIRouter

router = APIRouter()
