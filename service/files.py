"""Writing files that are whole or absent, and naming them after identifiers."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from interpretation.errors import FurrowsliceError

_LONGEST_NAME = 80  # leaves room for a suffix and a temporary name on every common file system
_NOT_ALLOWED = re.compile(r"[^A-Za-z0-9._-]+")
# Device names that one family of file systems reserves whatever the suffix (common practice).
_RESERVED = re.compile(r"(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?", re.IGNORECASE)


def write_atomically(path: Path, content: bytes | str) -> Path:
    """Write a file so that readers, and a kill at any moment, find it whole or as it was before.

    The content goes to a temporary name in the same folder, is flushed to the disk and is then renamed
    over the target, which the operating system does in one step.

    Parameters
    ----------
    path
        The file to write; its folder is made when missing.
    content
        Bytes, or text to be written as UTF-8 with its line ends as they are.

    Returns
    -------
    pathlib.Path
        ``path``.

    Raises
    ------
    FurrowsliceError
        With the path and what the system says, when the file or its folder cannot be made: no right to, no
        room left, a file where the folder should be.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> write_atomically(folder / "page.txt", "whole").read_text()
    'whole'
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    with writing(path) as file:
        file.write(data)
    return path


@contextmanager
def writing(path: Path, mode: int = 0o666) -> Iterator[IO[bytes]]:
    """Open a file to be written piece by piece, as :func:`write_atomically` does it at once.

    Parameters
    ----------
    path
        The file to write; its folder is made when missing.
    mode
        Who may read and write it, less what the user's mask takes away.

    Raises
    ------
    FurrowsliceError
        As :func:`write_atomically`. An error inside the block leaves the file as it was before.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole(path, mode) as file:
            yield file
    except OSError as error:
        raise FurrowsliceError(
            f"the file cannot be written: {error.strerror}",
            where=str(path),
            expected="a folder that can be written to, with room for the file",
            fix="look at the folder's path, its rights and the room on the disk, or choose another folder",
        ) from None


@contextmanager
def whole(path: Path, mode: int) -> Iterator[IO[bytes]]:
    """Write under a temporary name in the same folder, then rename; errors come as the system has them."""
    part = path.with_name(f".part-{secrets.token_hex(8)}")
    try:
        # O_EXCL: never write through a name somebody else has put there.
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        with suppress(OSError):  # what went wrong first is what is told
            part.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    with suppress(OSError):  # some file systems cannot flush a folder; the file itself is flushed
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def safe_name(text: str) -> str:
    """Turn any text into a file name that is safe on every common file system.

    Compatibility characters are folded (NFKC), everything outside ``A-Z a-z 0-9 . _ -`` becomes a hyphen,
    the name never starts with a dot or hyphen, is never reserved and never longer than 80 characters.
    A name that had to be changed ends in eight digits of the text's SHA-256, so two different texts
    do not become one file by accident.

    Examples
    --------
    >>> safe_name("BR-0412")
    'BR-0412'
    >>> safe_name("../etc/passwd")
    'etc-passwd-7fef78f5'
    """
    name = _NOT_ALLOWED.sub("-", unicodedata.normalize("NFKC", text)).lstrip(".-").rstrip(".-")
    if _RESERVED.fullmatch(name) or not name:
        name = f"file-{name}".rstrip("-")
    if name == text and len(name) <= _LONGEST_NAME:
        return name
    # surrogatepass: a name that came from a damaged file name still has its own digits.
    digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{name[: _LONGEST_NAME - 9].rstrip('.-')}-{digest}"
