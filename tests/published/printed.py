"""Printed answers: what a source prints, as it prints it, and how far from it we may be.

A row of a case file that holds a printed answer gives it as text, ``"0.0410"``: the text fixes the number of
digits and so the tolerance, half of the last printed digit. A row may narrow that with ``tolerance``; only
with ``because``, the source's own rounding, may it widen it. Rows say in ``answer`` whether the number itself
was printed, or was worked out here from a printed rule (``computed``) or from printed figures (``derived``),
and in ``standing`` how the source was read.

Rows name their source by the id of an entry of ``tables/sources`` or of ``tests/cases/publications.json``;
entries of one title and publisher are one publication, whatever the page.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.paths import tables_directory
from service.yamlfiles import read

CASES = Path(__file__).parents[1] / "cases"
ANSWERS = {"printed", "computed", "derived"}
STANDINGS = {"seen", "restated", "transcribed", "common practice", "memory"}
Row = Mapping[str, Any]
Enter = Callable[[Row], None]


def load(name: str) -> Any:
    """Read one case file."""
    return json.loads((CASES / name).read_text(encoding="utf-8"))


def half_digit(text: str) -> float:
    """Half of the last printed digit.

    Examples
    --------
    >>> half_digit("0.0410"), half_digit("90"), half_digit("-1.6163E-04")
    (5e-05, 0.5, 5e-09)
    """
    exponent = Decimal(text).as_tuple().exponent
    assert isinstance(exponent, int), text
    return float(Decimal(5).scaleb(exponent - 1))


def expected(row: Row) -> Any:
    """What the row's answer compares equal to: printed text and its digits, or a number and its tolerance."""
    if "printed" not in row:
        return pytest.approx(_numbers(row["expected"]), abs=row["tolerance"], rel=0)
    texts = np.atleast_1d(row["printed"]).tolist()
    allowed = row.get("tolerance", math.inf)
    if "because" not in row:
        allowed = min(allowed, *(half_digit(text) for text in texts))
    slack = 1e-9 * max(abs(float(text)) for text in texts)  # 2.5 and its neighbour 2.4999999999999996
    return pytest.approx(_numbers(row["printed"]), abs=allowed + slack, rel=0)


def _numbers(found: Any) -> Any:
    return np.array([float(one) for one in found]) if isinstance(found, list) else float(found)


def values_of(row: Row) -> int:
    """How many printed values a row holds."""
    return len(np.atleast_1d(row["printed"])) if row["answer"] == "printed" else 0


@cache
def _known() -> dict[str, tuple[str, str]]:
    files = sorted((tables_directory() / "sources").glob("*.yaml"))
    entries: list[Any] = [entry for file in files for entry in read(file, file.name).value]
    sources = {entry["id"]: (entry.get("publisher", ""), entry["title"]) for entry in entries}
    others = {p["id"]: (p["publisher"], p["title"]) for p in load("publications.json")}
    assert not sources.keys() & others.keys(), "a publication stands in tables/sources and beside it"
    return sources | others


def publication(row: Row) -> tuple[str, str]:
    """Publisher and title of a row's source."""
    return _known()[row["source"]]


def check_row(row: Row) -> None:
    """Every row says what it is, from where, and how it was read."""
    assert row["answer"] in ANSWERS, row
    assert row["standing"] in STANDINGS, row
    assert row["locator"], row
    assert publication(row), row
    assert ("printed" in row) == (row["answer"] == "printed"), row
    if "because" in row:
        assert row["tolerance"] > 0, row


def rows_in(found: Any) -> Iterator[Row]:
    """Every row of a case file, wherever it stands."""
    if isinstance(found, Mapping):
        if "answer" in found:
            yield found
        else:
            for value in found.values():
                yield from rows_in(value)
    elif isinstance(found, Sequence) and not isinstance(found, str):
        for value in found:
            yield from rows_in(value)
