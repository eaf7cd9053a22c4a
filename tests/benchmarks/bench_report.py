"""One report: filling the page, and drawing it, against plain WeasyPrint on the same page.

The plain way is ``HTML(string=html).write_pdf()`` with its defaults: style sheet inside the page, no tags,
nothing attached. Ours is tagged and carries the data. Both draw with the bundled font, so that both break
lines and pages alike. Rounds alternate in one process; medians of CPU time.
"""

from __future__ import annotations

from collections.abc import Callable
from statistics import median
from time import process_time

from reports.build import build_report
from reports.fonts import only_bundled_fonts
from reports.render import html, pdf
from reports.sheet import build_sheet
from tests.render.demo_run import run_sheet
from tests.render.demo_world import field, laboratory

ROUNDS = 9


def seconds(task: Callable[[], object]) -> float:
    start = process_time()
    task()
    return process_time() - start


def run() -> list[tuple[str, float, str]]:
    """Rows of (what was measured, figure, unit)."""
    with only_bundled_fonts():
        return _measured()


def _measured() -> list[tuple[str, float, str]]:
    import weasyprint

    rows = []
    advice, sheet, lab = field(), run_sheet(), laboratory()
    page = build_report(advice, lab)
    for name, shown in (("report", page), ("laboratory sheet", build_sheet(sheet, lab))):
        written = html(shown)
        ways: dict[str, Callable[[], object]] = {
            "ours": lambda shown=shown: pdf(shown),
            "plain": lambda written=written: weasyprint.HTML(string=written).write_pdf(),
            "plain, tagged": lambda written=written: weasyprint.HTML(string=written).write_pdf(
                pdf_variant="pdf/ua-1"
            ),
        }
        taken: dict[str, list[float]] = {way: [] for way in ways}
        for task in ways.values():
            task()
        for _ in range(ROUNDS):
            for way, task in ways.items():
                taken[way].append(seconds(task))
        for way in ("plain", "plain, tagged"):
            ratio = median(ours / other for ours, other in zip(taken["ours"], taken[way], strict=True))
            rows.append((f"{name} as PDF, against WeasyPrint {way}", ratio, "x"))
        rows.append((f"{name} as PDF", 1000 * median(taken["ours"]), "ms"))
        rows.append(
            (f"{name} as HTML", 1000 * median(seconds(lambda s=shown: html(s)) for _ in range(50)), "ms")
        )
    built = median(seconds(lambda: build_report(advice, lab)) for _ in range(50))
    rows.append(("report worded (view model)", 1000 * built, "ms"))
    return rows
