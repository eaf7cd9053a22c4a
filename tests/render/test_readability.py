"""A grower with no chemistry can read the front: short words, short sentences."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pyphen
import pytest

from reports.build import build_report
from reports.view import GrowerReport
from reports.wording import LANGUAGES, catalogue
from tests.render.demo_world import field, laboratory

LONGEST_SENTENCE = 20  # words
HIGHEST_GRADE = 8.0
FRONT_GROUPS = ("notes", "cautions", "refusals")
FRONT_PAGE = ("frame-", "scale-help", "materials-help", "amounts-caption", "found-", "no-amounts", "outlook-")


def sentences(text: str) -> list[str]:
    return [part for part in re.split(r"(?<=[.!?])\s+", text.strip()) if part]


def words(text: str) -> list[str]:
    return re.findall(r"[^\W\d_]+(?:[-'’][^\W\d_]+)*", text)


def grade(text: str) -> float:
    """Flesch-Kincaid grade level (Kincaid and others 1975; constants from memory).

    Syllables are the places at which pyphen would divide a word, plus one: an approximation.
    """
    dictionary = pyphen.Pyphen(lang="en_US", left=1, right=1)
    found = words(text)
    syllables = sum(len(dictionary.positions(word.lower())) + 1 for word in found)
    return 0.39 * len(found) / len(sentences(text)) + 11.8 * syllables / len(found) - 15.59


def front(page: GrowerReport) -> Iterator[str]:
    """Yield every running text of the grower's part."""
    yield from (finding.sentences for finding in page.findings)
    yield page.scale_help
    yield from (row.remark for group in page.groups for row in group.rows if row.remark)
    if page.amounts is not None:
        yield page.amounts.caption
        yield from (reason.value for reason in page.amounts.reasons)
    yield from (note.text for group in page.notes for note in group.notes)
    yield from page.frame


def wordings(language: str) -> Iterator[tuple[str, str]]:
    """Yield every sentence of the catalogue that a grower may meet."""
    tree = catalogue(language)
    for group in FRONT_GROUPS:
        yield from ((f"{group}.{key}", text) for key, text in tree[group].items())
    yield from ((key, text) for key, text in tree["page"].items() if key.startswith(FRONT_PAGE))


def test_the_grade_formula_is_as_published() -> None:
    # 4 words, 4 syllables, 1 sentence: 0.39 x 4 + 11.8 x 1 - 15.59 = -2.23
    assert grade("The cat sat down.") == pytest.approx(-2.23)
    # 3 words of 1, 4 and 3 syllables: 0.39 x 3 + 11.8 x 8/3 - 15.59 = 17.05
    assert grade("Use fertilizer carefully.") > HIGHEST_GRADE


def test_the_front_is_at_grade_eight_or_easier() -> None:
    texts = list(front(build_report(field(), laboratory())))
    assert grade(" ".join(text if text.endswith(".") else f"{text}." for text in texts)) <= HIGHEST_GRADE


def test_all_notes_together_are_at_grade_eight_or_easier() -> None:
    assert grade(" ".join(catalogue("en")["notes"].values())) <= HIGHEST_GRADE


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_sentence_for_the_grower_is_longer_than_twenty_words(language: str) -> None:
    long = [
        (key, sentence)
        for key, text in wordings(language)
        for sentence in sentences(text)
        if len(sentence.split()) > LONGEST_SENTENCE
    ]
    assert long == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_filled_in_sentence_is_longer_than_twenty_words(language: str) -> None:
    page = build_report(field(), laboratory(), locale=language)
    long = [s for text in front(page) for s in sentences(text) if len(s.split()) > LONGEST_SENTENCE]
    assert long == []
