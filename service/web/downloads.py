"""Files that are sent to be kept."""

from __future__ import annotations

from collections.abc import Iterator
from typing import IO

from starlette.responses import StreamingResponse


def sent(file: IO[bytes], size_bytes: int, name: str, media_type: str) -> StreamingResponse:
    """Send a file from its beginning, and close it; its name is of our own making, plain ASCII."""
    return StreamingResponse(
        _pieces(file),
        headers={
            "content-disposition": f'attachment; filename="{name}"',
            "content-length": str(size_bytes),
        },
        media_type=media_type,
    )


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        while piece := file.read(64 * 1024):
            yield piece
