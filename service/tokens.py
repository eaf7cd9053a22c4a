"""Secrets that a person or a program carries: made at random, kept only as their hash."""

from __future__ import annotations

import hashlib
import secrets


def new_token() -> str:
    """Make a secret of 256 random bits that can stand in a link, a cookie or a header."""
    return secrets.token_urlsafe(32)


def sha256(token: str | bytes) -> str:
    """Digest of a secret or of a file, in hexadecimal.

    A fast digest is right for secrets of 256 random bits: nobody can try them all. Passwords are hashed
    by :mod:`service.passwords`.
    """
    return hashlib.sha256(token.encode() if isinstance(token, str) else token).hexdigest()
