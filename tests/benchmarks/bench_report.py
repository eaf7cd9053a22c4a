"""One report in one process: ours against plain WeasyPrint, pair by pair; medians of CPU time.

Ours is PDF/A-3a and PDF/UA-1 with the data attached, plain is PDF/UA-1 alone. "The same page" has our markup
and styles; "the plain page" has the same content, laid out as style sheets are first written
(``plain_page``).
"""

from __future__ import annotations

import gc
from collections.abc import Callable
from functools import partial
from statistics import median
from time import process_time

from interpretation.results import FieldAdvice
from reports.build import build_report
from reports.render import html, pdf, warm_up
from reports.sheet import build_sheet
from reports.view import GrowerReport, LaboratoryCard
from tests.benchmarks.plain_page import PLAIN, drawn_plainly, plain_markup
from tests.render.demo_run import run_sheet
from tests.render.demo_world import field, laboratory
from tests.render.test_layouts import one_sample

ROUNDS = 9


def seconds(task: Callable[[], object]) -> float:
    """CPU time of one call."""
    start = process_time()
    task()
    return process_time() - start


def carrying_its_data(advice: FieldAdvice, lab: LaboratoryCard) -> GrowerReport:
    """A report with its advice attached, which is the larger part of what reports carry."""
    return build_report(advice, lab, attachment=advice.model_dump_json())


def run() -> list[tuple[str, float, str]]:
    """Rows of (what was measured, figure, unit)."""
    warm_up()
    rows = []
    lab = laboratory(agent_comment="Please call me before you lime the north end.")
    pages = {
        "report of one sample": carrying_its_data(one_sample(), lab),
        "report of three samples": carrying_its_data(field(), lab),
        "laboratory sheet": build_sheet(run_sheet(), lab),
    }
    for name, page in pages.items():
        ways: dict[str, Callable[[], object]] = {
            "ours": partial(pdf, page),
            "the same page, plain": partial(drawn_plainly, plain_markup(page)),
            "the plain page": partial(drawn_plainly, plain_markup(page, PLAIN)),
        }
        taken: dict[str, list[float]] = {way: [] for way in ways}
        for task in ways.values():
            task()
        for _ in range(ROUNDS):
            for way, task in ways.items():
                taken[way].append(seconds(task))
        for way in list(ways)[1:]:
            ratio = median(other / ours for ours, other in zip(taken["ours"], taken[way], strict=True))
            rows.append((f"{name}: faster than {way}", ratio, "x"))
        rows.append((f"{name} as PDF", 1000 * median(taken["ours"]), "ms"))
        rows.append((f"{name} as HTML", 1000 * median(seconds(partial(html, page)) for _ in range(20)), "ms"))
    built = median(seconds(lambda: build_report(field(), lab)) for _ in range(50))
    rows.append(("report of three samples worded (view model)", 1000 * built, "ms"))
    gc.unfreeze()
    return rows
