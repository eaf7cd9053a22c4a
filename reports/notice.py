"""One plain page with a heading and a sentence, such as what stands in the place of a report that is gone."""

from __future__ import annotations

from html import escape

from reports.render import draw_plain

_STYLE = "@page { size: a4; margin: 30mm } body { font: 12pt/1.5 'Fira Sans' } h1 { font-size: 16pt }"


def notice_pdf(title: str, sentence: str, language: str) -> bytes:
    """Write the page as PDF/UA-1; the same bytes for the same words.

    Parameters
    ----------
    title
        Its heading.
    sentence
        What it says.
    language
        Code of the language, for readers that speak it.
    """
    page = (
        f'<html lang="{escape(language)}"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f"<style>{_STYLE}</style></head><body><h1>{escape(title)}</h1><p>{escape(sentence)}</p></body></html>"
    )
    return draw_plain(page)
