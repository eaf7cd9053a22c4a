"""``advise`` over a data set that is too large for one table: partition by partition, by any crew.

What holds for the whole data set is checked first and without loading it: every partition has its columns, no
lab number is there twice, no field is in two partitions. Then each partition is worked out on its own, which
gives the same numbers as all of them together. What is written of a partition is written whole, the record
that it is done at last: begun again, only what is missing or was made from something else is done.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from typing import Any, Protocol

import pyarrow as pa
from pyarrow import parquet
from pydantic import BaseModel, ConfigDict

from interpretation.agronomy.advise import advise
from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError
from service.books import books_of, canonical, digest, merged, read, written
from service.work.adviserows import counts_of, tables_of
from service.work.datakeys import Keys, keys_of, refuse_twice
from service.work.dataset import Place, partition_names, place, read_partition
from service.work.labour import SchedulerLost, WorkerLost

TRIES = 3
TABLES, SUMMARY, DONE = "tables.json", "summary.json", ".done.json"
Told = Callable[[str, int, int], None]


class Hands(Protocol):
    """Those who work; see :class:`service.work.executors.Crew`."""

    def run(self, function: Callable[[Any], Any], chunks: Iterable[Any], /) -> Iterable[tuple[Any, Any]]:
        """Have a function called on each chunk."""


class Done(BaseModel):
    """The record of one partition.

    Attributes
    ----------
    inputs, tables
        SHA-256 of the partition's files, and of the tables it was worked out by.
    convert
        Equations between methods that were switched on.
    software
        Version of the program.
    files
        SHA-256 of each file that was written, by its name, and its size in bytes.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    inputs: str
    tables: str
    convert: tuple[str, ...]
    software: str
    counts: dict[str, int]
    files: dict[str, tuple[str, int]]

    def made_from(self) -> tuple[str, str, tuple[str, ...], str]:
        """Everything that the results depend on."""
        return self.inputs, self.tables, self.convert, self.software


class Summary(BaseModel):
    """What became of a data set."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    data: str
    tables: str
    convert: tuple[str, ...]
    software: str
    counts: dict[str, int]
    partitions: tuple[Done, ...]


@dataclass(frozen=True)
class Order:
    """One partition to be checked and, if there is a place for what is worked out, advised on."""

    data: str
    name: str
    out: str = ""
    tables: str = ""
    convert: tuple[str, ...] = ()


def advise_data(
    hands: Hands,
    data_url: str,
    out_url: str,
    tables: TableSet,
    convert: Sequence[str] = (),
    told: Told | None = None,
) -> tuple[Summary, int]:
    """Advise on all partitions of a data set.

    Parameters
    ----------
    hands
        Those who work.
    data_url, out_url
        Folders; all who work must reach them by the same name.
    tables
        Everything in force; written beside the results.
    convert
        Ids of the equations between methods that a person switched on.
    told
        Called with what is being done, how much of it is, and how much there is.

    Returns
    -------
    tuple
        The summary, which lies beside the results as well, and how many partitions had been done before.

    Raises
    ------
    FurrowsliceError
        If something does not fit. What was worked out by then stays, and need not be done again.
    """
    data, out = place(data_url), place(out_url)
    if (
        data.url == out.url
        or f"{data.url}/".startswith(f"{out.url}/")
        or f"{out.url}/".startswith(f"{data.url}/")
    ):
        raise FurrowsliceError(
            "results cannot be written into the data set itself",
            where=out.url,
            expected="a folder apart from the one that is read",
            fix="choose another one with --out",
        )
    names = partition_names(data)
    _refuse_others(out, names)
    check_data(hands, data, names, told)
    text = canonical({book: written(book, each) for book, each in books_of(tables).items()})
    kept = digest(text)
    out.write(TABLES, text.encode())
    orders = [Order(data.url, name, out.url, kept, tuple(convert)) for name in names]
    answers = _answers(hands, advise_partition, orders, "advising", told)
    records = tuple(answers[name][0] for name in names)
    total = sum((Counter(record.counts) for record in records), Counter())
    summary = Summary(
        data=data.url, tables=kept, convert=tuple(convert), software=version("furrowslice"),
        counts={name: total[name] for name in records[0].counts}, partitions=records,
    )  # fmt: skip
    out.write(SUMMARY, _json(summary))
    return summary, sum(before for _, before in answers.values())


def check_data(hands: Hands, data: Place, names: Sequence[str], told: Told | None = None) -> None:
    """Check what must hold for all partitions together.

    Raises
    ------
    SampleListError
        If a partition lacks a column, a lab number is there twice, or a field is in two partitions.
    """
    found = _answers(hands, _keys_of, [Order(data.url, name) for name in names], "checking", told)
    refuse_twice(data, {name: found[name] for name in names})


def _keys_of(order: Order) -> Keys:
    return keys_of(place(order.data), order.name)


def advise_partition(order: Order) -> tuple[Done, bool]:
    """Work out one partition, unless that was done before; returns its record, and whether it was."""
    data, out = place(order.data), place(order.out)
    partition = read_partition(data, order.name)
    before = _record(out, order.name)
    wanted = (partition.sha256, order.tables, order.convert, version("furrowslice"))
    if before is not None and before.made_from() == wanted and _is_there(out, before):
        return before, True
    try:
        advice = advise(partition.values, _tables(order.out, order.tables), partition.samples, order.convert)
    except FurrowsliceError as error:
        raise _placed(error, order.name) from None
    files = {}
    for kind, table in tables_of(advice).items():
        name = f"{order.name}.{kind}.parquet"
        content = _parquet(table)
        out.write(name, content)
        files[name] = (hashlib.sha256(content).hexdigest(), len(content))
    done = Done(
        name=order.name, inputs=partition.sha256, tables=order.tables, convert=order.convert,
        software=version("furrowslice"), counts=dict(counts_of(advice)), files=files,
    )  # fmt: skip
    out.write(order.name + DONE, _json(done))
    return done, False


def _answers(
    hands: Hands, function: Callable[[Order], Any], orders: Sequence[Order], doing: str, told: Told | None
) -> dict[str, Any]:
    """Have each order done; again where a worker was lost over it. Refusals are told at the end."""
    answers: dict[str, Any] = {}
    refused: dict[str, FurrowsliceError] = {}
    tries: Counter[str] = Counter()
    waiting = list(orders)
    while waiting:
        again = []
        for order, answer in hands.run(function, waiting):
            if isinstance(answer, WorkerLost):
                tries[order.name] += not isinstance(answer, SchedulerLost)
                if tries[order.name] < TRIES:
                    again.append(order)
                    continue
                answer = FurrowsliceError(
                    f"{TRIES} workers one after the other came to an end over this partition",
                    where=f"partition {order.name}",
                    expected="partitions that fit into the memory of a worker several times over",
                    fix="make smaller partitions",
                )
            if isinstance(answer, FurrowsliceError):
                refused[order.name] = answer
            elif isinstance(answer, BaseException):
                raise answer
            else:
                answers[order.name] = answer
            if told is not None:
                told(doing, len(answers) + len(refused), len(orders))
        waiting = again
    if refused:
        raise _together(refused)
    return answers


def _together(refused: dict[str, FurrowsliceError]) -> FurrowsliceError:
    first = refused[min(refused)]
    if len(refused) == 1:
        return first
    others = len(refused) - 1
    return type(first)(
        f"{first.what} ({others} more of the partitions cannot be used)" if others > 1
        else f"{first.what} (another partition cannot be used)",
        where=first.where, expected=first.expected, fix=first.fix,
    )  # fmt: skip


def _refuse_others(out: Place, names: Sequence[str]) -> None:
    """Results of partitions that are no longer there would be taken for results of this data set."""
    others = sorted(set(out.names(DONE)) - set(names))
    if others:
        raise FurrowsliceError(
            f"the folder holds results of the partition {others[0]}, which the data set does not have",
            where=out.url,
            expected="a new folder, or results of this data set alone",
            fix="choose another folder with --out, or take the old results away",
        )


@lru_cache(maxsize=2)
def _tables(out_url: str, sha256: str) -> TableSet:
    """The tables as they lie beside the results, read once a worker."""
    text = place(out_url).read(TABLES).decode()
    if digest(text) != sha256:
        raise FurrowsliceError(
            "the tables beside the results are others than those that were chosen",
            where=f"{out_url}/{TABLES}",
            expected=f"content with the SHA-256 {sha256[:12]}...",
            fix="let only one command at a time write into this folder",
        )
    return merged(read(book, records) for book, records in json.loads(text).items())


def _record(out: Place, name: str) -> Done | None:
    if out.size(name + DONE) is None:
        return None
    try:
        return Done.model_validate_json(out.read(name + DONE))
    except ValueError:
        return None  # of another version, or damaged: it is made anew


def _is_there(out: Place, done: Done) -> bool:
    return all(out.size(name) == size for name, (_, size) in done.files.items())


def _placed(error: FurrowsliceError, name: str) -> FurrowsliceError:
    where = f"partition {name}" + (f", {error.where}" if error.where else "")
    return type(error)(error.what, where=where, expected=error.expected, fix=error.fix)


def _parquet(table: pa.Table) -> bytes:
    file = pa.BufferOutputStream()
    parquet.write_table(table, file, compression="zstd")
    content: bytes = file.getvalue().to_pybytes()
    return content


def _json(model: BaseModel) -> bytes:
    return (json.dumps(model.model_dump(mode="json"), indent=1, ensure_ascii=False) + "\n").encode()
