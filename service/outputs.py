"""Where the files of batches go: a folder of this machine, or a store that speaks the S3 protocol.

A file is there whole or not at all. Its name is made of our own numbers, so that nothing that was typed ever
becomes a path.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import SplitResult, unquote, urlsplit

from interpretation.errors import FurrowsliceError
from service.files import whole
from service.refusals import NoRoom, Unavailable
from service.urls import without_secrets

PROBE = "probe"
_NAME = re.compile(r"[0-9]{6,}-[A-Z0-9-]{1,40}\.pdf|probe")
_FOLDER = re.compile(r"batch-[0-9]{6,}-[0-9]{14}")
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class Outputs:
    """The files of batches, each batch in a folder of its own.

    Parameters
    ----------
    url
        ``file:///folder`` or ``s3://bucket/folder``. Address and credentials of an S3 store come from the
        environment, as its own tools read them: ``AWS_ENDPOINT_URL``, ``AWS_ACCESS_KEY_ID`` and so on.

    Raises
    ------
    FurrowsliceError
        If the URL is of another kind, or what reaches such a store is not installed.
    """

    def __init__(self, url: str) -> None:
        parts = _parts(url)
        if parts is None:
            raise FurrowsliceError(
                f"reports cannot be written to {without_secrets(url)!r}",
                where="--outputs or FURROWSLICE_OUTPUTS",
                expected="file:///folder or s3://bucket/folder, without credentials",
                fix="give such a URL; credentials of a store go into the environment",
            )
        self.url = url.rstrip("/")
        self._store: _Folder | _Bucket
        if parts.scheme == "file":
            self._store = _Folder(Path(unquote(parts.path)))
        elif find_spec("s3fs") is None:
            raise FurrowsliceError(
                "the client of S3 stores is not installed", where="--outputs or FURROWSLICE_OUTPUTS",
                expected="s3fs, which is installed on request only",
                fix="pip install 'furrowslice[s3]', on every machine that draws reports",
            )  # fmt: skip
        else:
            self._store = _Bucket(f"{parts.netloc}{parts.path}".rstrip("/"))

    def put(self, folder: str, name: str, content: bytes) -> None:
        """Write a file, whole or not at all.

        Raises
        ------
        NoRoom
            If there is no room for it.
        Unavailable
            If it cannot be written for another reason.
        """
        path = _checked(folder, name)
        with self._told("written to"):
            self._store.put(path, content)

    def get(self, folder: str, name: str) -> bytes:
        """Read a file.

        Raises
        ------
        Unavailable
            If it is not there, or cannot be read.
        """
        path = _checked(folder, name)
        with self._told("read from"):
            return self._store.get(path)

    def remove(self, folder: str, names: Collection[str]) -> None:
        """Remove files; one that is not there is nothing to worry about.

        Raises
        ------
        Unavailable
            If one is there and stays.
        """
        paths = [_checked(folder, name) for name in names]
        with self._told("removed from"):
            for path in paths:
                self._store.remove(path)

    def remove_items(self, folder: str, numbers: Collection[int]) -> None:
        """Remove every file of some places in a batch, whether its report was issued or not.

        Raises
        ------
        Unavailable
            If one stays.
        """
        with self._told("removed from"):
            for name in self._store.names(folder):
                if _NAME.fullmatch(name) and name != PROBE and int(name.partition("-")[0]) in numbers:
                    self._store.remove(f"{folder}/{name}")

    def sweep(self, folder: str, kept: Collection[str]) -> None:
        """Remove what a batch has left behind besides the files that are kept.

        Raises
        ------
        Unavailable
            If something stays.
        """
        with self._told("removed from"):
            for name in self._store.names(folder):
                if name not in kept and (_NAME.fullmatch(name) or name.startswith(".part-")):
                    self._store.remove(f"{folder}/{name}")

    def probe(self, folder: str) -> None:
        """Find out whether files can be written now, with one that is larger than a report.

        Raises
        ------
        NoRoom, Unavailable
            As :meth:`put`.
        """
        try:
            self.put(folder, PROBE, bytes(1024**2))
        finally:
            with suppress(Unavailable):
                self.remove(folder, [PROBE])

    @contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        """Say in our words what a disk or a store says in its own."""
        try:
            yield
        except Exception as error:  # a store's client has errors of many libraries
            said = error.strerror if isinstance(error, OSError) and error.strerror else type(error).__name__
            if isinstance(error, OSError) and error.errno in _FULL:
                raise NoRoom(
                    f"reports cannot be {doing} the outputs: {said}", where=self.url,
                    expected="room for the files of the batch",
                    fix="make room there, then let what failed be tried again",
                ) from error  # fmt: skip
            raise Unavailable(
                f"reports cannot be {doing} the outputs: {said}", where=self.url,
                expected="a folder that this server may write to, or a store that answers and lets it in",
                fix="look at the place and its rights, then let what failed be tried again",
            ) from error  # fmt: skip


def _parts(url: str) -> SplitResult | None:
    """Parts of a URL that outputs can be at; None: it is no such URL."""
    try:
        parts = urlsplit(url)
    except ValueError:
        return None
    if parts.query or parts.fragment or "\0" in unquote(parts.path):
        return None
    if parts.scheme == "file":
        fits = not parts.netloc and parts.path.startswith("/") and parts.path.strip("/") != ""
    else:
        fits = parts.scheme == "s3" and parts.netloc != "" and "@" not in parts.netloc
    return parts if fits else None


@lru_cache(maxsize=8)
def outputs_at(url: str) -> Outputs:
    """The outputs at a URL, with one connection a process."""
    return Outputs(url)


def _checked(folder: str, name: str) -> str:
    if not (_FOLDER.fullmatch(folder) and _NAME.fullmatch(name)):
        raise ValueError("names of files are made of our own numbers")
    return f"{folder}/{name}"


class _Folder:
    """A folder of this machine, for the server's own eyes."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def put(self, path: str, content: bytes) -> None:
        target = self.root / path
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with whole(target, 0o600) as file:
            file.write(content)

    def get(self, path: str) -> bytes:
        return (self.root / path).read_bytes()

    def remove(self, path: str) -> None:
        (self.root / path).unlink(missing_ok=True)

    def names(self, folder: str) -> list[str]:
        try:
            return [each.name for each in (self.root / folder).iterdir()]
        except FileNotFoundError:
            return []


class _Bucket:
    """A store that speaks the S3 protocol; each file is one request, and so whole or not there."""

    def __init__(self, root: str) -> None:
        self.root = root
        self._made: Any = None

    @property
    def _fs(self) -> Any:
        if self._made is None:
            import fsspec  # type: ignore[import-untyped]  # with its client it takes a while to read, and few have such a store

            self._made = fsspec.filesystem("s3", use_listings_cache=False, skip_instance_cache=True)
        return self._made

    def put(self, path: str, content: bytes) -> None:
        self._fs.pipe_file(f"{self.root}/{path}", content)

    def get(self, path: str) -> bytes:
        content: bytes = self._fs.cat_file(f"{self.root}/{path}")
        return content

    def remove(self, path: str) -> None:
        with suppress(FileNotFoundError):
            self._fs.rm_file(f"{self.root}/{path}")

    def names(self, folder: str) -> list[str]:
        try:
            found = self._fs.ls(f"{self.root}/{folder}", detail=False, refresh=True)
        except FileNotFoundError:
            return []
        return [str(each).rpartition("/")[2] for each in found]
