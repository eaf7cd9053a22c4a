"""Addresses as they may be shown."""

from __future__ import annotations

import re

_WHO = re.compile(r"//.*@", re.DOTALL)
_ASKED = re.compile(r"[?#].*", re.DOTALL)


def without_secrets(url: str) -> str:
    """An address for a message or a log, without names and passwords that somebody wrote into it.

    Examples
    --------
    >>> without_secrets("s3://key:secret@bucket/reports?token=secret")
    's3://...@bucket/reports...'
    >>> without_secrets("file:///srv/reports")
    'file:///srv/reports'
    """
    return _ASKED.sub("...", _WHO.sub("//...@", url))
