"""From a view model to HTML and to a tagged PDF, the same bytes for the same input.

One renderer a process: fonts, parsed styles and templates are read once and shared by all pages.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from jinja2 import Environment, PackageLoader, StrictUndefined

from interpretation.errors import FurrowsliceError
from reports.artifacts import mark_furniture
from reports.fonts import only_bundled_fonts
from reports.view import GrowerReport, RunPage

Paper = Literal["a4", "letter"]
PAPERS: tuple[Paper, ...] = ("a4", "letter")
APT_LINE = "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"

# Characters XML does not allow, and controls that turn the direction of text around them.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufffe\uffff\ud800-\udfff]"
)


def html(page: GrowerReport | RunPage, paper: Paper = "a4") -> str:
    """Write a page as one self-contained HTML document.

    Parameters
    ----------
    page
        What to show.
    paper
        ``a4`` or ``letter``.

    Raises
    ------
    FurrowsliceError
        If the paper is unknown.
    """
    return _fill(page, _styles(page_kind(page), paper))


def pdf(page: GrowerReport | RunPage, paper: Paper = "a4", attachment_json: str | None = None) -> bytes:
    """Write a page as PDF/UA-1 with its machine-readable copy attached.

    Parameters
    ----------
    page
        What to show.
    paper
        ``a4`` or ``letter``.
    attachment_json
        JSON to attach; without it the page's own copy.

    Returns
    -------
    bytes
        Depends on the input, the fonts and the libraries' versions only: dates are the day of issue.

    Raises
    ------
    FurrowsliceError
        If the paper is unknown or the libraries that draw text are not installed.
    """
    kind = page_kind(page)
    engine = _engine()
    day = datetime.fromisoformat(page.issued_on).replace(tzinfo=UTC)
    attached = engine.weasyprint.Attachment(
        string=page.attachment if attachment_json is None else attachment_json,
        name=page.attachment_name,
        description=page.words["attachment-about"],
        created=day,
        modified=day,
        relationship="Data",
    )
    written: bytes = parsed(page).write_pdf(
        stylesheets=[parsed_styles(kind, paper)],
        font_config=_engine().fonts,
        attachments=[attached],
        pdf_variant="pdf/ua-1",
        finisher=mark_furniture,
    )
    return written


def draw_plain(document: str) -> bytes:
    """Write an HTML document of our own as PDF/UA-1, with nothing but its own styles."""
    engine = _engine()
    drawn = engine.document_class(string=document, url_fetcher=engine.fetcher)
    written: bytes = drawn.write_pdf(font_config=engine.fonts, pdf_variant="pdf/ua-1")
    return written


def parsed(page: GrowerReport | RunPage) -> Any:
    """Fill a page and read it for drawing; its styles come separately."""
    engine = _engine()
    return engine.document_class(string=_fill(page, ""), url_fetcher=engine.fetcher)


def page_kind(page: GrowerReport | RunPage) -> str:
    """Name of a page's template and style."""
    return "report" if isinstance(page, GrowerReport) else "sheet"


def _fill(page: GrowerReport | RunPage, style: str) -> str:
    template = _templates().get_template(f"{page_kind(page)}.html.j2")
    return _UNPRINTABLE.sub("", template.render(page=page, style=style))


@cache
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


@cache
def _styles(kind: str, paper: Paper) -> str:
    if paper not in PAPERS:
        raise FurrowsliceError(
            f"unknown paper {paper!r}", expected=f"one of {', '.join(PAPERS)}", fix="choose one of these"
        )
    return "\n".join(_style(name) for name in ("page", kind, paper))


@dataclass(frozen=True, slots=True)
class Engine:
    """WeasyPrint as all pages share it."""

    weasyprint: Any
    fonts: Any
    fetcher: Any  # opens nothing but ``data:``
    document_class: Any


@cache
def _engine() -> Engine:
    with only_bundled_fonts():
        try:
            import weasyprint
            from weasyprint.text.fonts import FontConfiguration
            from weasyprint.urls import URLFetcher
        except OSError as error:
            raise FurrowsliceError(
                f"the libraries that draw text are not installed ({error})",
                expected="Pango, PangoFT2 and HarfBuzz-subset",
                fix=f"as root: {APT_LINE}",
            ) from error
        fonts = FontConfiguration()
    fetcher = URLFetcher(allowed_protocols=("data",))
    elements = weasyprint.CSS(string=_style("elements"), url_fetcher=fetcher)

    class Document(weasyprint.HTML):  # type: ignore[misc]
        """A document with our own element defaults; the hook is private, so the version is pinned."""

        def _ua_stylesheets(self, forms: bool = False) -> list[Any]:  # noqa: ARG002
            return [elements]

    return Engine(weasyprint, fonts, fetcher, Document)


@cache
def parsed_styles(kind: str, paper: Paper) -> Any:
    """Styles of a kind of page, read once."""
    engine = _engine()
    return engine.weasyprint.CSS(
        string=_styles(kind, paper), font_config=engine.fonts, url_fetcher=engine.fetcher
    )


def _style(name: str) -> str:
    return (files("reports") / "styles" / f"{name}.css").read_text("utf-8")
