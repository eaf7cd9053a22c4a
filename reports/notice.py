"""One plain page with a heading and a sentence, such as what stands in the place of a report that is gone."""

from __future__ import annotations

from reports.render import pdf
from reports.view import Notice


def notice_pdf(title: str, sentence: str, language: str) -> bytes:
    """Write the page as PDF; the same bytes for the same words.

    Parameters
    ----------
    title
        Its heading.
    sentence
        What it says.
    language
        Code of the language, for readers that speak it.
    """
    return pdf(Notice(language, title, sentence))
