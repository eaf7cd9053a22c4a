"""What a draft would do to 100,000 past samples, against reading them from the database.

Reading is what the preview's own queries give, as frames: every sample with what advice needs of it, and
every standing value, nothing worked out. One draft moves one bound; another touches every table of its
region, so that nothing can be left out. Times are of one process, in turns, on SQLite; peak memory is that of
a process that only makes one preview, the database being there.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from service.actions import draftdesk, drafting, impact
from service.actions.seeding import seed
from service.callers import RIGHTS, Caller, Role, Scope
from service.entries.entry import Entry
from service.impact import Filter
from service.paths import tables_directory
from service.settings import Settings
from service.site import Site
from service.store import pastsamples
from service.store.database import Database, make_engine
from service.store.migrating import migrate
from service.store.pastsamples import Wanted
from service.tablefiles import read_tables
from tests.benchmarks import sampled_region

ROUNDS, REGION, MOVED = 5, "marrowdale", "marrowdale/phosphorus-bray1"
AGRONOMIST = Caller(
    None, "Agronomist", Role.AGRONOMIST, Scope(region=REGION), "page", RIGHTS[Role.AGRONOMIST]
)  # fmt: skip
NEEDED = ("P", "pH", "organic-matter")  # by the draft that moves a bound of phosphorus
Row = tuple[str, float, str]


def site_at(path: Path) -> Site:
    """A site on a database that is there."""
    database = Database(make_engine(f"sqlite:///{path}"))
    return Site(Settings(), database, read_tables(tables_directory()))


def build(path: Path) -> Site:
    """A database of the large region with two drafts: number 1 moves a bound, number 2 touches all."""
    site = site_at(path)
    migrate(site.database.engine)
    seed(site)
    sampled_region.fill(site.database.engine)
    for change in (_bound_moved, _all_touched):
        draft = drafting.begin(site, AGRONOMIST, REGION, "To measure.")
        for entry in draftdesk.desk(site, AGRONOMIST, draft).entries:
            if (typed := change(entry)) != entry:
                revision = draftdesk.desk(site, AGRONOMIST, draft).revision
                drafting.save(site, AGRONOMIST, draft, revision, typed)
    return site


def _bound_moved(entry: Entry) -> Entry:
    if entry.id != MOVED:
        return entry
    rows = tuple({**row, "from": "24"} if row["name"] == "high" else row for row in entry.rows["classes"])
    return entry.model_copy(update={"rows": entry.rows | {"classes": rows}})


def _all_touched(entry: Entry) -> Entry:
    """The table ends in a far year: no sample feels it, and all of it must be worked out."""
    if entry.kind not in ("scales", "rates") or entry.facts.get("effective_to"):
        return entry
    return entry.model_copy(update={"facts": entry.facts | {"effective_to": "2040-12-31"}})


def read(site: Site, analytes: tuple[str, ...] | None = None) -> None:
    """Read samples and values, and nothing else."""
    with site.database.look(AGRONOMIST, None) as look:
        pastsamples.samples_of(look, Wanted(REGION))
        pastsamples.values_of(look, Wanted(REGION), analytes=analytes)


def preview(site: Site, draft: int) -> None:
    """Work one preview out, as if for the first time."""
    impact._kept.clear()
    found = impact.preview(site, AGRONOMIST, draft, Filter())
    assert found.samples == 100_000


def once(path: str) -> None:
    """One preview in a process of its own, in which everything is worked out; prints its peak memory."""
    preview(site_at(Path(path)), 2)
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def run() -> list[Row]:
    """Measure; each line is a label, a figure and its unit."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "region.sqlite3"
        site = build(path)
        tasks: dict[str, Callable[[], None]] = {
            "all": lambda: read(site), "some": lambda: read(site, NEEDED),
            "bound": lambda: preview(site, 1), "touched": lambda: preview(site, 2),
        }  # fmt: skip
        times: dict[str, list[float]] = {name: [] for name in tasks}
        for _ in range(ROUNDS):
            for name, task in tasks.items():
                start = time.perf_counter()
                task()
                times[name].append(time.perf_counter() - start)
        least = {name: min(found) for name, found in times.items()}
        site.database.close()
        code = f"from tests.benchmarks import bench_impact as b; b.once({str(path)!r})"
        done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    of_all, of_some = least["all"], least["some"]
    return [
        ("impact of one moved bound: times reading the samples (at most 2)", least["bound"] / of_all, "x"),
        ("impact of a draft that touches every table: times reading them", least["touched"] / of_all, "x"),
        ("impact of one moved bound: times reading what it needs", least["bound"] / of_some, "x"),
        ("reading 100,000 samples with their 900,000 values", of_all, "s"),
        ("impact of one moved bound", least["bound"], "s"),
        ("impact of a draft that touches every table", least["touched"], "s"),
        ("the same, peak memory of the process", float(done.stdout.splitlines()[-1]), "MiB"),
    ]


if __name__ == "__main__":
    for label, figure, unit in run():
        print(f"{label:75s} {figure:10.2f} {unit}")
