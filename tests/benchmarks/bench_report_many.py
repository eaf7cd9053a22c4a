"""Thousands of reports by workers: speed against one plain process, memory, and what the thousandth costs.

``SHORT=1 ./run bench report_many`` takes a tenth of the reports, for a look.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path
from statistics import median
from time import perf_counter, process_time

from reports.render import pdf, warm_up
from reports.view import GrowerReport
from tests.benchmarks.bench_report import carrying_its_data
from tests.benchmarks.plain_page import PLAIN, drawn_plainly, plain_markup
from tests.render.demo_world import laboratory
from tests.render.test_layouts import one_sample

SHARE = 10 if os.environ.get("SHORT") else 1
ROUNDS = 5
IN_A_ROUND = 40 // SHARE
LONG = 2000 // SHARE
DIFFERENT = 10  # reports that differ, drawn in turn


@cache
def report(number: int) -> GrowerReport:
    """One of the reports that are drawn in turn."""
    return carrying_its_data(
        one_sample(field_name=f"Field {number}"),
        laboratory(report_id=f"R-{number}", agent_comment="Call me."),
    )


def ours(number: int) -> int:
    """Draw one; only its size comes back."""
    return len(pdf(report(number % DIFFERENT)))


def plainly(more: str, number: int) -> int:
    """Draw one as :mod:`tests.benchmarks.plain_page` does."""
    return len(drawn_plainly(plain_markup(report(number % DIFFERENT), more)))


def memory(_: int = 0) -> float:
    """Memory of this process that is not swapped out, in MB."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def life(count: int) -> tuple[list[float], dict[int, float]]:
    """Draw so many in one worker: CPU seconds of each, and memory on the way."""
    taken, held = [], {}
    for number in range(count):
        start = process_time()
        ours(number)
        taken.append(process_time() - start)
        if number + 1 in (10, count // 20, count // 2, count):
            held[number + 1] = memory()
    return taken, held


def run() -> list[tuple[str, float, str]]:
    """Rows of (what was measured, figure, unit)."""
    return [*two_workers(), *one_long_life()]


def two_workers() -> Iterator[tuple[str, float, str]]:
    """Wall time of two workers of ours against one plain process, in turn."""
    context = multiprocessing.get_context("forkserver")
    with (
        ProcessPoolExecutor(2, mp_context=context, initializer=warm_up) as pair,
        ProcessPoolExecutor(1, mp_context=context) as single,
    ):
        ways = {
            "ours": partial(pair.map, ours),
            "the same page, plain": partial(single.map, partial(plainly, "")),
            "the plain page": partial(single.map, partial(plainly, PLAIN)),
        }
        taken: dict[str, list[float]] = {way: [] for way in ways}
        for draw in ways.values():
            list(draw(range(DIFFERENT)))
        for _ in range(ROUNDS):
            for way, draw in ways.items():
                start = perf_counter()
                list(draw(range(IN_A_ROUND)))
                taken[way].append((perf_counter() - start) / IN_A_ROUND)
    yield "reports a second by two workers", 1 / median(taken["ours"]), "reports/s"
    for way in list(ways)[1:]:
        ratio = median(other / own for own, other in zip(taken["ours"], taken[way], strict=True))
        yield f"two workers: faster than {way}, in one process", ratio, "x"


def one_long_life() -> Iterator[tuple[str, float, str]]:
    """Memory and cost of a worker that draws on and on."""
    context = multiprocessing.get_context("forkserver")
    with ProcessPoolExecutor(1, mp_context=context, initializer=warm_up) as pool:
        taken, held = pool.submit(life, LONG).result()
    few, many = LONG // 20, LONG // 2
    ratio = (sum(taken[:many]) / many) / (sum(taken[:few]) / few)
    yield f"a report of {many}, against one of {few}", ratio, "x"
    for count, size in held.items():
        yield f"memory of a worker after {count} reports", size, "MB"
