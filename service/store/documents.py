"""Printed pages by what they are: the same bytes are kept once, under their SHA-256."""

from __future__ import annotations

import hashlib

import sqlalchemy as sa

from service.store.database import Look
from service.store.schema import document


def put(look: Look, content: bytes) -> str:
    """Keep a document; returns its SHA-256."""
    sha256 = hashlib.sha256(content).hexdigest()
    there = sa.select(document.c.sha256).where(document.c.sha256 == sha256)
    if look.connection.scalar(there) is None:
        look.connection.execute(document.insert().values(sha256=sha256, content=content, created_at=look.now))
    return sha256


def get(look: Look, sha256: str) -> bytes:
    """A document that a record in the caller's scope names."""
    content: bytes = look.connection.execute(
        sa.select(document.c.content).where(document.c.sha256 == sha256)
    ).scalar_one()
    return bytes(content)
