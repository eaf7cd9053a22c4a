"""Rows that are read many times as fast are the same rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.scopes import Reader
from tests.benchmarks import bench_advise


@pytest.mark.parametrize("name", ["context", "classed", "rated", "noted"])
def test_rows_are_what_the_frame_says_they_are(name: str) -> None:
    values = bench_advise.soil_values(20 * bench_advise.PER_SAMPLE)
    advice = advise(values, bench_advise.tables(), bench_advise.context(values))
    frames = {"context": advice.context, "classed": advice.classed.frame, "rated": advice.rated.frame}
    frame = frames.get(name, advice.noted)
    rows = np.arange(len(frame))[::-3]
    expected = frame.iloc[rows].to_dict("records")
    found = advice.read[name](rows)
    assert [list(row) for row in found] == [list(row) for row in expected]
    for row, same in zip(found, expected, strict=True):
        assert {key: type(value) for key, value in row.items()} == {
            key: type(value) for key, value in same.items()
        }
        assert all(
            value == same[key] or (value != value and same[key] != same[key]) for key, value in row.items()
        )


def test_what_is_missing_stays_missing() -> None:
    frame = pd.DataFrame(
        {
            "number": [1.5, np.nan],
            "text": pd.array(["a", None], dtype="str"),
            "code": pd.Categorical([None, "b"]),
            "day": pd.to_datetime(["2026-03-02", None]).astype("datetime64[us]"),
            "flag": [True, False],
        }
    )
    first, second = Reader(frame)(np.array([0, 1]))
    assert (first["number"], first["text"], first["flag"]) == (1.5, "a", True)
    assert first["day"].date().isoformat() == "2026-03-02"
    assert all(pd.isna(value) for value in (first["code"], second["number"], second["text"], second["day"]))
    assert (second["code"], second["flag"]) == ("b", False)
    assert Reader(frame).one(1)["code"] == Reader(frame).cell(1, "code") == "b"
