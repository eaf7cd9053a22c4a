"""What drawing needs, read once a process and shared by all pages: libraries, fonts, styles, templates.

Reading the fonts and the styles anew for each page, and the page as HTML of unknown make, costs as much time
as laying it out. So there is one font configuration, each style sheet is parsed once, our templates are
well-formed XML, and the elements' defaults are the few that the templates use.
"""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from threading import Lock
from types import SimpleNamespace
from typing import Any, Literal
from xml.etree import ElementTree

from jinja2 import Environment, PackageLoader

from interpretation.errors import FurrowsliceError
from reports.conforming import DECLARED, finish
from reports.fonts import only_bundled_fonts
from reports.libraries import load_weasyprint
from reports.templating import environment

Paper = Literal["a4", "letter"]
PROFILE = "--screen"  # name of our colour profile among a file's
PAPERS: tuple[Paper, ...] = ("a4", "letter")

# Characters XML does not allow, and controls that turn the direction of text around them.
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufffe\uffff\ud800-\udfff]"
)


class Renderer:
    """Draws pages, one at a time.

    Two threads must not draw at once: the font libraries below are not made for it, and Python would
    not be faster. Who wants more pages a second starts processes.
    """

    def __init__(self) -> None:
        with only_bundled_fonts():
            weasyprint = load_weasyprint()
            from weasyprint.text.fonts import FontConfiguration
            from weasyprint.urls import URLFetcher

            self.fonts = FontConfiguration()
        self.weasyprint = weasyprint
        self._colours = {PROFILE: _colour_profile()}
        self.fetcher = URLFetcher(allowed_protocols=("data",))  # opens nothing: no network, no file
        self._document = _document_class(weasyprint, self.fetcher, self._css("elements"))
        self._styles: dict[tuple[str, Paper], Any] = {}
        self._turn = Lock()

    def styles(self, kind: str, paper: Paper) -> Any:
        """Styles of a kind of page, parsed."""
        if (kind, paper) not in self._styles:
            self._styles[kind, paper] = self._css(*style_names(kind, paper))
        return self._styles[kind, paper]

    def lay_out(self, markup: str, kind: str, paper: Paper) -> Any:
        """Break a filled template into lines and pages."""
        return self._document(markup).render(
            font_config=self.fonts,
            color_profiles=dict(self._colours),
            stylesheets=[self.styles(kind, paper)],
            pdf_variant=DECLARED,
            output_intent=PROFILE,
        )

    def draw(self, markup: str, kind: str, paper: Paper, **attachment: Any) -> bytes:
        """Draw a filled template as PDF.

        Parameters
        ----------
        markup
            Well-formed XML.
        kind
            Names the styles.
        paper
            ``a4`` or ``letter``.
        **attachment
            What WeasyPrint's ``Attachment`` takes; none: nothing is attached.
        """
        with self._turn:
            attached = []
            if attachment:
                attached = [self.weasyprint.Attachment(url_fetcher=self.fetcher, **attachment)]
            written: bytes = self.lay_out(markup, kind, paper).write_pdf(
                attachments=attached, pdf_variant=DECLARED, output_intent=PROFILE, finisher=finish
            )
        return written

    def _css(self, *names: str) -> Any:
        return self.weasyprint.CSS(
            string=style_text(*names), font_config=self.fonts, url_fetcher=self.fetcher
        )


def _colour_profile() -> Any:
    """Read what colours mean, as it stands in its file.

    WeasyPrint's own would be read for each page anew and left open, and comes out as other bytes from the
    second time on.
    """
    content = (files("weasyprint.pdf") / "sRGB2014.icc").read_bytes()
    name = "IEC 61966-2-1 Default RGB Colour Space - sRGB"
    return SimpleNamespace(content=content, name=name, components=("r", "g", "b"), pdf_reference=None)


def _document_class(weasyprint: Any, fetcher: Any, elements: Any) -> type[Any]:
    import cssselect2

    class Document(weasyprint.HTML):  # type: ignore[misc]
        """Well-formed markup with our own element defaults.

        It sets what ``HTML`` would have set had it parsed the text as HTML; both are WeasyPrint's own
        affair, so its version is pinned.
        """

        def __init__(self, markup: str) -> None:
            root = ElementTree.fromstring(markup)  # noqa: S314 - filled by our own templates, no DTD
            self.base_url = None
            self.url_fetcher = fetcher
            self.media_type = "print"
            self.wrapper_element = cssselect2.ElementWrapper.from_html_root(root, content_language=None)
            self.etree_element = self.wrapper_element.etree_element

        def _ua_stylesheets(self, forms: bool = False) -> list[Any]:  # noqa: ARG002
            return [elements]

    return Document


@cache
def renderer() -> Renderer:
    """Give the process's renderer; the first call reads all that it needs.

    Raises
    ------
    FurrowsliceError
        If a library or a font is missing; it names the line to type.
    """
    return Renderer()


def fill(kind: str, style: str = "", **values: Any) -> str:
    """Fill the template of a kind of page."""
    return _UNPRINTABLE.sub("", _templates().get_template(f"{kind}.html.j2").render(style=style, **values))


def style_names(kind: str, paper: Paper) -> tuple[str, ...]:
    """Names of the sheets of a kind of page, the strongest last.

    Raises
    ------
    FurrowsliceError
        If the paper is unknown.
    """
    if paper not in PAPERS:
        raise FurrowsliceError(
            f"unknown paper {paper!r}", expected=f"one of {', '.join(PAPERS)}", fix="choose one of these"
        )
    return ("page", kind, paper)


@cache
def style_text(*names: str) -> str:
    """Text of style sheets, one after the other."""
    return "\n".join((files("reports") / "styles" / f"{name}.css").read_text("utf-8") for name in names)


@cache
def _templates() -> Environment:
    return environment(PackageLoader("reports"))
