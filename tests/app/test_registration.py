"""The columns of a list of samples that only registering needs: read strictly, and all optional."""

from __future__ import annotations

from pathlib import Path

import pytest

from interpretation.errors import SampleListError
from service.registration import COLUMNS, REGISTRATION
from service.samplefiles import REQUIRED, Samples, read_samples

ROW = (
    "0012",
    "TF-1",
    "Long Acre",
    "Thistlecombe Farm",
    "A. Grower",
    "marrowdale",
    "maize",
    "0",
    "20",
    "2026-03-02",
)
FULL = {
    "grower_id": "0417",
    "grower_address": "1 Lane, Upper",
    "grower_telephone": "+00 1",
    "grower_email": "a@farm.example",
    "language": "ES",
    "units": "us",
    "mail_consent": "yes",
    "copy_to": "dealer@shop.example",
    "copy_consent": "no",
    "county": "upper",
    "other_crops": "soybean ; winter-wheat",
    "tillage": "no till",
    "irrigated": "no",
    "limed_in_two_years": "",
    "tests_wanted": "P, K, pH",
    "longitude": "-93.62",
    "latitude": "42.03",
}


def _read(folder: Path, **cells: str) -> Samples:
    path = folder / "samples.csv"
    row = [*ROW, *(f'"{cell}"' for cell in cells.values())]
    path.write_text(",".join([*REQUIRED, *cells]) + "\n" + ",".join(row) + "\n")
    return read_samples(path)


def test_every_column_is_read(tmp_path: Path) -> None:
    assert tuple(FULL) == COLUMNS
    read = _read(tmp_path, **FULL).registration
    assert {name: str(kind) for name, kind in read.dtypes.items()} == REGISTRATION
    first = read.iloc[0]
    assert (first["row"], first["grower_id"], first["language"]) == (2, "0417", "es")
    assert (first["mail_consent"], first["copy_consent"], first["irrigated"]) == (True, False, 0)
    assert (first["other_crops"], first["longitude"]) == ("soybean;winter-wheat", -93.62)
    assert read["limed_in_two_years"].isna().all()


def test_no_column_is_needed(tmp_path: Path) -> None:
    first = _read(tmp_path).registration.iloc[0]
    assert (first["grower_id"], first["county"], first["units"], first["mail_consent"]) == ("", "", "", False)
    assert first[["irrigated", "limed_in_two_years", "longitude", "latitude"]].isna().all()


@pytest.mark.parametrize(
    ("name", "cell", "part"),
    [
        ("grower_id", "=1+1", "is not an identifier"),
        ("county", "Upper County!", "is not an identifier"),
        ("language", "de", "language: en, es"),
        ("units", "imperial", "units: metric, us, garden-metric, garden-us"),
        ("mail_consent", "perhaps", "yes or no"),
        ("grower_email", "a@farm", "is not an e-mail address"),
        ("copy_to", "a@farm.example, b@farm.example", "is not an e-mail address"),
        ("other_crops", "soybean;;maize", "is no list of further crops"),
        ("other_crops", "soybean;soybean", "at most 2 different crop ids"),
        ("other_crops", "a;b;c", "at most 2 different crop ids"),
        ("tests_wanted", "x" * 501, "at most 500 characters"),
        ("grower_telephone", "1" * 41, "at most 40 characters"),
        ("longitude", "180.5", "from -180 to 180"),
        ("longitude", "12", "both a longitude and a latitude, or neither"),
        ("latitude", "90.1", "from -90 to 90"),
    ],
)
def test_a_broken_cell_is_refused_with_its_place(tmp_path: Path, name: str, cell: str, part: str) -> None:
    with pytest.raises(SampleListError) as caught:
        _read(tmp_path, **{name: cell})
    message = str(caught.value)
    assert f"samples.csv, row 2, column 11 ('{name}')" in message
    assert part in message
    assert "To fix it:" in message


def test_the_edges_are_read(tmp_path: Path) -> None:
    first = _read(
        tmp_path, longitude="180", latitude="-90", tests_wanted="x" * 500, other_crops="a;b"
    ).registration.iloc[0]
    assert (first["longitude"], first["latitude"], len(first["tests_wanted"])) == (180, -90, 500)
    assert first["other_crops"] == "a;b"
