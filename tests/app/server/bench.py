"""Lists of samples and small runs for the tests of the laboratory's part."""

from __future__ import annotations

import csv
from pathlib import Path

from service.actions.bench import confirm_run, decide, upload_run
from service.actions.registering import register_list
from service.callers import operator
from service.paths import demo_directory
from service.store import laboratories
from service.uploads import Upload
from tests.app.server.conftest import World

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


RUN = (demo_directory() / "bray-p.csv").read_text("utf-8")
DRIFTING = (demo_directory() / "nitrate.csv").read_text("utf-8")
NAME = "QW-0412-P"


def run_file(name: str = NAME, text: str = RUN, **lines: str) -> Upload:
    """A run of the demo under another name; ``lines`` are cups, by ``at_`` and their position."""
    cups = {place.removeprefix("at_"): line for place, line in lines.items()}
    first, *rest = text.splitlines()
    assert first.startswith("Run,")
    changed = [cups.get(line.split(",")[0], line) for line in rest]
    return Upload(f"{name}.csv", "\n".join([f"Run,{name}", *changed]).encode() + b"\n")


def demo_list(folder: Path, *without: str) -> Path:
    """The demo's list of samples in the county ``upper``, without some lab numbers."""
    with (demo_directory() / "samples.csv").open(newline="", encoding="utf-8") as file:
        rows = [row | {"county": "upper"} for row in csv.DictReader(file)]
    path = folder / f"samples-{len(without)}.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(row for row in rows if row["lab_number"] not in without)
    return path


def lay_bench(world: World, folder: Path, *without: str) -> None:
    """Give the laboratory the demo's limits and its samples, without some lab numbers."""
    limits = (demo_directory() / "limits.yaml").read_text("utf-8")
    with world.site.database.housekeeping(operator()) as look:
        laboratories.set_limits(look, world.laboratories["a"], limits)
    register_list(world.site, world.caller("laboratory"), demo_list(folder, *without))


def accepted(world: World, file: Upload | None = None, replaces: str = "") -> int:
    """Upload, confirm and accept a run; it is then at version 3."""
    caller = world.caller("laboratory")
    run_id = upload_run(world.site, caller, file or run_file(), replaces=replaces)
    confirm_run(world.site, caller, run_id, 1)
    decide(world.site, caller, run_id, 2, "accepted")
    return run_id
