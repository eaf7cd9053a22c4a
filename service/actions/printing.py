"""Reports bound into one file for a printer, with sheets that say whose reports follow.

The file is for paper. Structure for screen readers stays with the single reports: what a merged file would
keep of it would belong to no document as a whole.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby

import pikepdf

from reports.render import pdf
from reports.view import Notice
from service.store.batchfiles import IssuedFile

TEXTS = {
    "en": {"county": "County: {name}", "no-county": "No county", "no-name": "No name given"},
    "es": {"county": "Condado: {name}", "no-county": "Sin condado", "no-name": "Sin nombre"},
}
COUNTED = {  # one, and several
    "en": {
        "growers": ("1 grower", "{number} growers"), "reports": ("1 report", "{number} reports"),
        "pages": ("1 page follows", "{number} pages follow"),
    },
    "es": {
        "growers": ("1 productor", "{number} productores"), "reports": ("1 informe", "{number} informes"),
        "pages": ("Sigue 1 página", "Siguen {number} páginas"),
    },
}  # fmt: skip


@dataclass
class Bound:
    """One report to be bound."""

    file: IssuedFile
    content: bytes = field(repr=False)
    pages: int = 0


def merged(bound: Sequence[Bound], language: str, title: str, *, duplex: bool) -> bytes:
    """Bind reports that lie in the order of their route.

    Parameters
    ----------
    language
        Of the sheets between them, which are for whoever sorts the paper.
    title
        Of the file.
    duplex
        Whether every report and every sheet begins on the front of a leaf.
    """
    words = TEXTS[language]
    for each in bound:
        with pikepdf.open(io.BytesIO(each.content)) as opened:
            each.pages = len(opened.pages)
    with pikepdf.new() as book, book.open_outline() as outline:
        for county, of_county in groupby(bound, lambda each: each.file.county_name):
            group = list(of_county)
            name = words["county"].format(name=county) if county else words["no-county"]
            place = _append(book, _sheet(group, name, _county_holds(group, language), language), duplex)
            chapter = pikepdf.OutlineItem(name, place)
            outline.root.append(chapter)
            for _, of_grower in groupby(group, lambda each: each.file.grower_id):
                own = list(of_grower)
                name = own[0].file.grower_name or words["no-name"]
                place = _append(book, _sheet(own, name, _grower_holds(own, language), language), duplex)
                section = pikepdf.OutlineItem(name, place)
                chapter.children.append(section)
                for each in own:
                    place = _append(book, each.content, duplex)
                    section.children.append(pikepdf.OutlineItem(each.file.report, place))
        outline.root[0].is_closed = False
    return _saved(book, language, title)


def _append(book: pikepdf.Pdf, content: bytes, duplex: bool) -> int:
    """Append the pages of a file; returns the place of the first, from 0."""
    place = len(book.pages)
    with pikepdf.open(io.BytesIO(content)) as opened:
        book.pages.extend(opened.pages)
        size = opened.pages[-1].mediabox
        if duplex and len(opened.pages) % 2:
            width, height = (float(size[upper]) - float(size[lower]) for lower, upper in ((0, 2), (1, 3)))
            book.add_blank_page(page_size=(width, height))
    return place


def _sheet(group: Sequence[Bound], title: str, sentence: str, language: str) -> bytes:
    return pdf(Notice(language, title, sentence), "letter" if group[0].file.paper == "letter" else "a4")


def _county_holds(group: Sequence[Bound], language: str) -> str:
    growers = len({each.file.grower_id for each in group})
    return f"{_counted('growers', growers, language)}, {_holds(group, language)}"


def _grower_holds(group: Sequence[Bound], language: str) -> str:
    lines = [line.strip() for line in group[0].file.grower_address.splitlines() if line.strip()]
    return ". ".join([", ".join(lines), _holds(group, language)] if lines else [_holds(group, language)])


def _holds(group: Sequence[Bound], language: str) -> str:
    pages = sum(each.pages for each in group)
    return f"{_counted('reports', len(group), language)}. {_counted('pages', pages, language)}."


def _counted(what: str, number: int, language: str) -> str:
    one, several = COUNTED[language][what]
    return one if number == 1 else several.format(number=number)


def _saved(book: pikepdf.Pdf, language: str, title: str) -> bytes:
    for page in book.pages:
        for name in ("/StructParents", "/Tabs"):  # which speak of a structure that is not there
            if name in page:
                del page[name]
    book.Root.Lang = pikepdf.String(language)
    with book.open_metadata(set_pikepdf_as_editor=False) as metadata:
        metadata["dc:title"] = title
    written = io.BytesIO()
    book.save(written, deterministic_id=True, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    return written.getvalue()
