"""Whether something is twice in a data set, found out without holding its texts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from interpretation.errors import SampleListError
from service.work.dataset import Place, check_columns, read_column


@dataclass(frozen=True)
class Keys:
    """What tells lab numbers and fields of a partition apart: eight bytes each."""

    labs: NDArray[np.uint64]
    fields: NDArray[np.uint64]


def keys_of(data: Place, name: str) -> Keys:
    """Check the columns of a partition, and take what tells its samples and fields apart.

    Raises
    ------
    SampleListError
        If a column is missing or of another type.
    """
    check_columns(data, name)
    fields = read_column(data, name, "field_id").unique()
    return Keys(_hashes(read_column(data, name, "lab_number")), _hashes(fields))


def refuse_twice(data: Place, keys: Mapping[str, Keys]) -> None:
    """Refuse lab numbers that are there twice, and fields that are in two partitions.

    Raises
    ------
    SampleListError
        With the lab number or the field, and where it is.
    """
    names = list(keys)
    _look(data, names, [keys[name].labs for name in names], "lab_number")
    _look(data, names, [keys[name].fields for name in names], "field_id")


def _hashes(texts: pa.Array | pa.ChunkedArray) -> NDArray[np.uint64]:
    hashes: NDArray[np.uint64] = pd.util.hash_array(
        texts.to_pandas().to_numpy(dtype=object), categorize=False
    )
    return hashes


def _look(data: Place, names: Sequence[str], keys: Sequence[NDArray[np.uint64]], column: str) -> None:
    """Look for keys that are there twice, then at their texts: two texts may have one key."""
    every = np.concatenate([*keys, np.empty(0, dtype=np.uint64)])
    of = np.repeat(np.arange(len(keys)), [len(each) for each in keys])
    known, counts = np.unique(every, return_counts=True)
    for key in known[counts > 1]:
        places: dict[str, str] = {}
        for number in np.unique(of[every == key]):
            for text in _texts_of(data, names[number], column, key):
                if text in places:
                    raise _said_twice(data, text, places[text], names[number], column)
                places[text] = names[number]


def _texts_of(data: Place, name: str, column: str, key: np.uint64) -> list[str]:
    """Texts of a partition that have a key; a field has several samples, and counts once."""
    texts = read_column(data, name, column)
    if column == "field_id":
        texts = texts.unique()
    found: list[str] = texts.filter(pa.array(_hashes(texts) == key)).to_pylist()
    return found


def _said_twice(data: Place, text: str, first: str, second: str, column: str) -> SampleListError:
    where = f"{data.url}, partition {first}" + (f" and partition {second}" if second != first else "")
    if column == "lab_number":
        return SampleListError(
            f"lab number {text} is listed twice",
            where=where,
            expected="one row a sample in the whole data set",
            fix="give every sample its own number",
        )
    return SampleListError(
        f"samples of field {text} are in two partitions",
        where=where,
        expected="all samples of a field in one partition: they share their head and their notes",
        fix="put them together, or give the parts of the field their own field ids",
    )
