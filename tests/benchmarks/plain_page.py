"""A page drawn as somebody would who reads the renderer's first chapter, to compare ours with.

The style sheet stands in the page, with the fonts as ``@font-face``; nothing is shared from one page to the
next: ``HTML(string=...).write_pdf(pdf_variant="pdf/ua-1")``. ``PLAIN`` is how the same content would be laid
out without thought for what it costs.
"""

from __future__ import annotations

from functools import cache

from reports.fonts import files_of
from reports.render import Printable, html

WEIGHTS = (400, 500, 700)

# Columns that the renderer balances, boxes that it fits: the ways that a style sheet is first written in.
PLAIN = """
.workings, .worked { columns: 2; column-gap: 6mm; }
.working, .worked li { display: block; width: auto; margin: 0; break-inside: avoid; }
.last { display: flex; }
.afterwards, .frame { display: block; }
.at-a-glance { display: grid; grid-template-columns: repeat(4, 1fr); }
.at-a-glance li { display: block; width: auto; }
.plots { display: flex; flex-wrap: wrap; }
.masthead { display: flex; justify-content: space-between; }
"""


@cache
def _faces() -> str:
    paths = zip(WEIGHTS, files_of("fontpkg_fira_sans"), strict=True)
    return "".join(
        f"@font-face {{ font-family: 'Fira Sans'; font-weight: {weight}; src: url({path.as_uri()}) }}\n"
        for weight, path in paths
    )


def plain_markup(page: Printable, more: str = "") -> str:
    """Write a page with its fonts and styles inside of it."""
    figures = "body { font-variant-numeric: tabular-nums; }"  # as our fonts have them by themselves
    written = html(page).replace("<style>", f"<style>{_faces()}")
    return written.replace("</style>", f"{figures}{more}</style>")


def drawn_plainly(markup: str) -> bytes:
    """Draw it."""
    import weasyprint

    written: bytes = weasyprint.HTML(string=markup).write_pdf(pdf_variant="pdf/ua-1")
    return written
