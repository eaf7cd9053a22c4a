"""Files that people send: kept in memory, and laid down under a safe name where the readers look for them."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from service.files import safe_name

_SUFFIX = re.compile(r"\.[A-Za-z0-9]{1,8}")


@dataclass(frozen=True)
class Upload:
    """One file as it came."""

    name: str  # as the sender's machine calls it
    content: bytes

    @property
    def safe_name(self) -> str:
        """The name without its folders and without what a file system could misread; the ending is kept.

        Examples
        --------
        >>> Upload("C:\\\\runs\\\\BR-0412.CSV", b"").safe_name
        'BR-0412.CSV'
        >>> Upload("../../my run.xlsx", b"").safe_name
        'my-run-d33e7609.xlsx'
        """
        last = re.split(r"[/\\]", self.name)[-1]
        stem, dot, ending = last.rpartition(".")
        if stem and _SUFFIX.fullmatch(dot + ending):
            return f"{safe_name(stem)}.{ending}"
        return safe_name(last)


@contextmanager
def laid_down(upload: Upload, beside: Upload | None = None) -> Iterator[tuple[Path, Path | None]]:
    """Lay one file down, and perhaps a second beside it, in a folder that is gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="furrowslice-") as folder:
        path = Path(folder) / upload.safe_name
        path.write_bytes(upload.content)
        second = None
        if beside is not None:
            second = Path(folder) / "beside" / beside.safe_name
            second.parent.mkdir()
            second.write_bytes(beside.content)
        yield path, second
