"""Lists of samples and small runs for the tests of the laboratory's part."""

from __future__ import annotations

from pathlib import Path

ROW = {
    "lab_number": "0001",
    "field_id": "F-1",
    "field_name": "Long Acre",
    "farm_name": "Thistlecombe Farm",
    "grower_name": "A. Grower",
    "region": "marrowdale",
    "crop": "maize",
    "depth_from_cm": "0",
    "depth_to_cm": "20",
    "sampled_on": "2026-04-02",
    "county": "upper",
}


def listed(*rows: dict[str, str]) -> list[dict[str, str]]:
    """Full rows from what differs in each; lab numbers count up where they are not given."""
    return [ROW | {"lab_number": f"{number:04d}"} | row for number, row in enumerate(rows, 1)]


def write_list(folder: Path, *rows: dict[str, str], name: str = "list.csv") -> Path:
    """Write a list of samples; see :func:`listed`."""
    full = listed(*rows)
    titles = list(dict.fromkeys(title for row in full for title in row))
    quoted = [",".join('"' + row.get(title, "").replace('"', '""') + '"' for title in titles) for row in full]
    path = folder / name
    path.write_text("\n".join([",".join(titles), *quoted]) + "\n", encoding="utf-8")
    return path
