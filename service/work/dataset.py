"""A data set too large for one table: a folder of Parquet partitions, each with whole fields.

A partition ``P`` is two files, ``P.values.parquet`` with the columns of
``interpretation.soil_values.COLUMNS`` and ``P.samples.parquet`` with those of
``interpretation.agronomy.context.CONTEXT``. Partitions may lie in folders of the folder. Nothing here reads
more than one of them at a time.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import SplitResult, unquote, urlsplit

import pandas as pd
import pyarrow as pa
from pyarrow import parquet

from interpretation.agronomy.context import CONTEXT
from interpretation.errors import FurrowsliceError, SampleListError
from interpretation.soil_values import COLUMNS
from service.files import writing
from service.urls import without_secrets

VALUES, SAMPLES = ".values.parquet", ".samples.parquet"
PARTS: Mapping[str, Mapping[str, str]] = {VALUES: COLUMNS, SAMPLES: CONTEXT}
ASKED_FOR = {
    "str": "texts", "float64": "64-bit numbers", "bool": "true or false",
    "datetime64[us]": "days, or times without a zone",
}  # fmt: skip


class Place:
    """A folder of this machine, or one of a store that speaks the S3 protocol.

    Parameters
    ----------
    url
        A path, ``file:///folder`` or ``s3://bucket/folder``. Address and credentials of a store come from the
        environment.

    Raises
    ------
    FurrowsliceError
        If the URL is of another kind.
    """

    def __init__(self, url: str) -> None:
        try:
            parts = urlsplit(url)
        except ValueError:
            parts = SplitResult("", "", "", "", "")
        if parts.scheme == "s3" and parts.netloc and "@" not in parts.netloc:
            import fsspec  # type: ignore[import-untyped]  # it takes a while to read

            self.root = f"{parts.netloc}{parts.path}".rstrip("/")
            self.url, self._local = f"s3://{self.root}", False
            self._fs: Any = fsspec.filesystem("s3", use_listings_cache=False, skip_instance_cache=True)
        elif "://" not in url or (parts.scheme == "file" and not parts.netloc):
            import fsspec

            path = Path(unquote(parts.path)) if parts.scheme == "file" else Path(url)
            self.root = path.resolve().as_posix()
            self.url, self._local = Path(self.root).as_uri(), True
            self._fs = fsspec.filesystem("file")
        else:
            raise FurrowsliceError(
                f"partitions cannot be kept at {without_secrets(url)!r}",
                where=without_secrets(url),
                expected="a folder, file:///folder or s3://bucket/folder",
                fix="copy them to such a place; credentials of a store go into the environment",
            )

    def names(self, ending: str) -> list[str]:
        """Names of files with an ending, in order, relative to the folder, without the ending."""
        with self.told("read"):
            try:
                found = self._fs.find(self.root)
            except FileNotFoundError:
                return []
        start = len(self.root) + 1
        return sorted(str(path)[start : -len(ending)] for path in found if str(path).endswith(ending))

    def size(self, name: str) -> int | None:
        """Bytes of a file; None: it is not there."""
        with self.told("read"), suppress(FileNotFoundError):
            return int(self._fs.size(f"{self.root}/{name}"))
        return None

    def read(self, name: str) -> bytes:
        """Read a file whole."""
        with self.told("read", name):
            content: bytes = self._fs.cat_file(f"{self.root}/{name}")
        return content

    @contextmanager
    def opened(self, name: str) -> Iterator[Any]:
        """Open a file to read parts of it."""
        with self.told("read", name), self._fs.open(f"{self.root}/{name}", "rb") as file:
            yield file

    def write(self, name: str, content: bytes) -> None:
        """Write a file, whole or not at all."""
        if self._local:
            with writing(Path(self.root, name)) as file:
                file.write(content)
            return
        with self.told("written", name):
            self._fs.pipe_file(f"{self.root}/{name}", content)

    @contextmanager
    def told(self, what: str, name: str = "") -> Iterator[None]:
        """Say in our words what a disk, a store or a damaged file says in its own."""
        try:
            yield
        except FurrowsliceError:
            raise
        except Exception as error:  # a store's client has errors of many libraries
            said = getattr(error, "strerror", None) or str(error) or type(error).__name__
            raise FurrowsliceError(
                f"the {'file' if name else 'folder'} cannot be {what}: {said}",
                where=f"{self.url}/{name}" if name else self.url,
                expected="a place that this user may use, and files that are whole",
                fix="look at the path, its rights and the room that is left",
            ) from None


@lru_cache(maxsize=8)
def place(url: str) -> Place:
    """A place, with one connection a process."""
    return Place(url)


@dataclass(frozen=True)
class Partition:
    """One partition in memory.

    Attributes
    ----------
    values, samples
        Columns and types of ``COLUMNS`` and ``CONTEXT``.
    sha256
        Of both files.
    """

    values: pd.DataFrame
    samples: pd.DataFrame
    sha256: str


def partition_names(data: Place) -> list[str]:
    """Names of the partitions of a data set.

    Raises
    ------
    FurrowsliceError
        If there is none, or one has only one of its two files.
    """
    values, samples = set(data.names(VALUES)), set(data.names(SAMPLES))
    for alone, has, lacks in ((values - samples, VALUES, SAMPLES), (samples - values, SAMPLES, VALUES)):
        if alone:
            name = min(alone)
            raise FurrowsliceError(
                f"there is {name}{has} and no {name}{lacks}",
                where=data.url,
                expected="both files for each partition",
                fix="add the file, or take the other one away",
            )
    if not values:
        raise FurrowsliceError(
            "there is no partition",
            where=data.url,
            expected=f"files such as part-00000{VALUES} and part-00000{SAMPLES}",
            fix="correct the path, or make partitions of lists with 'furrowslice partition'",
        )
    return sorted(values)


def read_partition(data: Place, name: str) -> Partition:
    """Read one partition.

    Raises
    ------
    SampleListError
        If a column is missing or holds something else, or a text is missing in a row.
    """
    digest = hashlib.sha256()
    frames = []
    for ending in PARTS:
        content = data.read(name + ending)
        digest.update(hashlib.sha256(content).digest())
        with data.told("read", name + ending):
            frames.append(_frame(parquet.ParquetFile(pa.BufferReader(content)), f"{name}{ending}"))
    return Partition(frames[0], frames[1], digest.hexdigest())


def read_column(data: Place, name: str, column: str) -> pa.ChunkedArray:
    """Read one text column of the samples of a partition."""
    with data.opened(name + SAMPLES) as file:
        return parquet.ParquetFile(file).read(columns=[column]).column(0).cast(pa.string())


def check_columns(data: Place, name: str) -> dict[str, int]:
    """Check the columns of a partition by what its files say of themselves; returns their rows.

    Raises
    ------
    SampleListError
        If a column is missing or of another type.
    """
    rows = {}
    for ending in PARTS:
        with data.opened(name + ending) as file:
            found = parquet.ParquetFile(file)
            _check_schema(found.schema_arrow, name + ending)
            rows[ending] = found.metadata.num_rows
    return rows


def _frame(file: parquet.ParquetFile, name: str) -> pd.DataFrame:
    _check_schema(file.schema_arrow, name)
    wanted = PARTS[VALUES if name.endswith(VALUES) else SAMPLES]
    table = file.read(columns=list(wanted))
    columns = {}
    for column, kind in wanted.items():
        data = table.column(column)
        if kind in ("str", "bool") and data.null_count:
            row = data.is_null().index(True).as_py() + 1
            raise SampleListError(
                f"the column {column} has nothing in row {row}",
                where=name,
                expected="an empty text where a text is not known" if kind == "str" else "true or false",
                fix="write the file anew",
            )
        columns[column] = data.cast(_ARROW[kind])
    frame: pd.DataFrame = pa.table(columns).to_pandas().astype(dict(wanted))
    return frame


def write_partitions(data: Place, values: pd.DataFrame, samples: pd.DataFrame, most: int) -> tuple[str, ...]:
    """Write partitions of so many samples at most, each with whole fields in the order of the samples.

    A field that is larger has a partition of its own.

    Parameters
    ----------
    values, samples
        Columns of ``COLUMNS`` and ``CONTEXT``.

    Returns
    -------
    tuple of str
        Names of the partitions.

    Raises
    ------
    FurrowsliceError
        If there are partitions already.
    """
    if there := data.names(VALUES) or data.names(SAMPLES):
        raise FurrowsliceError(
            f"there is a partition {there[0]} already",
            where=data.url,
            expected="a folder without partitions: those of two lists would be taken for one data set",
            fix="choose another folder with --out, or take the old partitions away",
        )
    number_of = _numbers(samples["field_id"], most)
    of_sample = samples["field_id"].map(number_of).to_numpy()
    of_value = values["lab_number"].map(dict(zip(samples["lab_number"], of_sample, strict=True))).to_numpy()
    names = []
    for number in range(int(of_sample.max()) + 1 if len(of_sample) else 0):
        names.append(name := f"part-{number:05d}")
        for ending, frame, of in ((VALUES, values, of_value), (SAMPLES, samples, of_sample)):
            file = pa.BufferOutputStream()
            frame[of == number].reset_index(drop=True).to_parquet(file)
            data.write(name + ending, file.getvalue().to_pybytes())
    return tuple(names)


def _numbers(field: pd.Series, most: int) -> dict[str, int]:
    """Number of the partition of each field."""
    numbers: dict[str, int] = {}
    number, filled = 0, 0
    for name, count in field.value_counts(sort=False).items():
        if filled and filled + count > most:
            number, filled = number + 1, 0
        numbers[str(name)] = number
        filled += count
    return numbers


_ARROW = {
    "str": pa.string(),
    "float64": pa.float64(),
    "bool": pa.bool_(),
    "datetime64[us]": pa.timestamp("us"),
}


def _check_schema(schema: pa.Schema, name: str) -> None:
    wanted = PARTS[VALUES if name.endswith(VALUES) else SAMPLES]
    for column, kind in wanted.items():
        if schema.names.count(column) != 1:
            raise SampleListError(
                f"the column {column} is missing"
                if column not in schema.names
                else f"the column {column} is there twice",
                where=name,
                expected=", ".join(wanted),
                fix="add the column, with nothing in it where nothing is known",
            )
        found = schema.field(column).type
        if not _fits(found, kind):
            raise SampleListError(
                f"the column {column} holds {found}",
                where=name,
                expected=ASKED_FOR[kind],
                fix="write the column as that; nothing is guessed here",
            )


def _fits(found: pa.DataType, kind: str) -> bool:
    of = pa.types
    if kind == "str":
        if of.is_dictionary(found):
            found = found.value_type
        return bool(of.is_string(found) or of.is_large_string(found) or of.is_string_view(found))
    if kind == "float64":  # a whole number of 32 bits is one exactly
        return bool(of.is_float64(found) or (of.is_integer(found) and found.bit_width <= 32))
    if kind == "bool":
        return bool(of.is_boolean(found))
    return bool(of.is_date(found) or (of.is_timestamp(found) and found.tz is None))
