"""A million soil values advised on by two processes: time, and memory by the size of partitions."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from interpretation.agronomy.advise import advise
from service.settings import read_settings
from service.work.dataset import place, write_partitions
from service.work.executors import open_crew
from service.work.partitions import advise_data
from tests.benchmarks import bench_advise

VALUES = 1_000_000
SAMPLES = (500, 4000, 25_000)  # in a partition


def peak_mib(_: int) -> float:
    """Peak memory of the process that is asked; what ``getrusage`` says holds its parent's as well."""
    (line,) = (
        each for each in Path("/proc/self/status").read_text("ascii").splitlines() if each.startswith("VmHWM")
    )
    return int(line.split()[1]) / 1024


def run(values: int = VALUES, sizes: tuple[int, ...] = SAMPLES) -> list[tuple[str, float, str]]:
    """Measure; each line is a label, a figure and its unit."""
    soil, tables = bench_advise.soil_values(values), bench_advise.tables()
    context = bench_advise.context(soil)
    whole = bench_advise.seconds(lambda: advise(soil, tables, context), times=1)
    rows: list[tuple[str, float, str]] = []
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder, open_crew(read_settings(workers=2)) as crew:
            data, out = Path(folder, "data"), Path(folder, "out")
            write_partitions(place(str(data)), soil, context, size)
            start = time.perf_counter()
            advise_data(crew, str(data), str(out), tables)
            took = time.perf_counter() - start
            peak = max(float(each) for _, each in crew.run(peak_mib, range(8)) if isinstance(each, float))
        of = f"partitions of {size * bench_advise.PER_SAMPLE:,} values"
        rows += [
            (f"{of}: peak memory of a process", peak, "MiB"),
            (f"{of}: times the time of one call of advise on all, with files", took / whole, "x"),
        ]
    return rows
