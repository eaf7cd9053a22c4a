"""A grower with no chemistry can read the front: short words, short sentences, in every language.

What a grower reads is found, not listed: every sentence of a report outside its back, and every sentence of
the catalogues and of the mails that is not named here as somebody else's. A new one is held to it by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import pytest

from interpretation.results import FieldAdvice
from reports.build import build_report
from reports.format import UNITS
from reports.wording import LANGUAGES, catalogue
from service.web.templates import catalogue as words_of_pages
from tests.render.demo_world import field, garden, laboratory
from tests.render.reading import (
    HIGHEST_GRADE,
    LONGEST_SENTENCE,
    LOWEST_EASE,
    grade,
    is_easy,
    is_sentence,
    read_by_the_grower,
    sentences,
    spanish_ease,
    spanish_syllables,
    words,
)
from tests.render.region_reports import region_fields

# Groups for the bench or the agronomist, and what of the report's own words is for the back, the laboratory
# sheet, or told of a picture to those who cannot see it.
FOR_OTHERS = ("names", "steps", "details", "limit_definitions", "flag_meanings", "hazards")
PAGE_FOR_OTHERS = (
    "state-", "sheet-", "plot-", "verdict-", "proposal-", "curve-", "hazards-", "alt-", "equation-line",
    "conversion-from", "source-line", "reason-", "release-line",
)  # fmt: skip
# Of the words of the pages: mails, and the page that a link to a report opens.
PAGES_FOR_GROWERS = ("mail.", "signing.report-")
ENOUGH_WORDS = 15  # a formula of averages says nothing of a single short sentence


def for_growers(language: str) -> Iterator[tuple[str, str]]:
    """Every sentence of the catalogues that a grower may meet, with its key."""
    tree = catalogue(language)
    for group in tree.keys() - set(FOR_OTHERS):
        for key, text in sorted(tree[group].items()):
            if is_sentence(text) and not (group == "page" and key.startswith(PAGE_FOR_OTHERS)):
                yield f"{group}.{key}", text
    for key, text in words_of_pages(language).items():
        if key.startswith(PAGES_FOR_GROWERS) and is_sentence(text):
            yield key, text


@cache
def reports() -> tuple[FieldAdvice, ...]:
    """The demo's field and garden, and fields of every shipped region; a publisher's name counts as one."""
    found = (field(), garden(), *region_fields())
    return tuple(advice.model_copy(update={"region_publisher": "Publisher"}) for advice in found)


def long_sentences(texts: Iterator[str]) -> list[str]:
    """Sentences of more words than a grower should have to hold; odds (1 in 4) do not break and are one."""
    return [s for text in texts for s in sentences(text) if len(s.split(" ")) > LONGEST_SENTENCE]


def test_the_formulas_are_as_published() -> None:
    # 4 words, 4 syllables, 1 sentence: 0.39 x 4 + 11.8 x 1 - 15.59 = -2.23
    assert grade("The cat sat down.") == pytest.approx(-2.23)
    # 3 words of 1, 4 and 3 syllables: 0.39 x 3 + 11.8 x 8/3 - 15.59 = 17.05
    assert grade("Use fertilizer carefully.") > HIGHEST_GRADE
    # 4 words, 1 + 2 + 2 + 1 syllables, 1 sentence: 206.835 - 62.3 x 6/4 - 4 = 109.385
    assert spanish_ease("La vaca come bien.") == pytest.approx(109.385)
    # 3 words of 3, 6 and 5 syllables: 206.835 - 62.3 x 14/3 - 3 = -86.9
    assert spanish_ease("Considere fertilizaciones nitrogenadas.") < LOWEST_EASE


@pytest.mark.parametrize(
    ("word", "syllables"),
    [
        ("agua", 2), ("suelo", 2), ("análisis", 4), ("aplicar", 3), ("río", 2), ("país", 2), ("región", 2),
        ("limpiáis", 2), ("muy", 1), ("y", 1), ("queja", 2), ("guerra", 2), ("pingüino", 3), ("oír", 2),
        ("poeta", 3), ("fertilizante", 5), ("idea", 3), ("tierra", 2), ("cultivo", 3),
    ],
)  # fmt: skip
def test_syllables_of_spanish_words(word: str, syllables: int) -> None:
    assert spanish_syllables(word) == syllables


def test_what_is_hard_to_read_is_found() -> None:
    hard = {
        "en": "The recommended application of phosphatic fertilization materials necessitates "
        "consideration of environmental regulations.",
        "es": "La aplicación recomendada de fertilizaciones fosfatadas necesita consideraciones regulatorias "
        "medioambientales.",
    }
    assert [language for language, text in hard.items() if is_easy(text, language)] == []


def test_what_the_grower_reads_is_found_and_the_back_is_not() -> None:
    found = set(read_by_the_grower(build_report(field(), laboratory())))
    assert any(text.startswith("Do not spread on frozen") for text in found)
    assert any("law" in text for text in found)
    assert not any("standard uncertainty" in text for text in found)
    assert {group.partition(".")[0] for group, _ in for_growers("en")} >= {
        "notes",
        "refusals",
        "page",
        "mail",
    }


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_report_is_easy_to_read_as_a_whole(language: str) -> None:
    hard = []
    for advice in reports():
        text = " ".join(read_by_the_grower(build_report(advice, laboratory(), locale=language)))
        if not is_easy(text, language):
            hard.append((advice.region, advice.crop, text))
    assert len(reports()) > 60
    assert hard == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_sentence_of_a_report_is_longer_than_twenty_words(language: str) -> None:
    long = set()
    for advice in reports():
        page = build_report(advice, laboratory(), locale=language, units=UNITS[-1])
        long.update(long_sentences(read_by_the_grower(page)))
    assert long == set()


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_text_for_growers_is_easy_to_read(language: str) -> None:
    texts = list(for_growers(language))
    assert len(texts) > 120
    hard = [(k, t) for k, t in texts if len(words(t)) >= ENOUGH_WORDS and not is_easy(t, language)]
    assert hard == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_group_of_texts_is_easy_to_read(language: str) -> None:
    groups: dict[str, list[str]] = {}
    for key, text in for_growers(language):
        groups.setdefault(key.partition(".")[0], []).append(text)
    assert [name for name, texts in groups.items() if not is_easy(" ".join(texts), language)] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_sentence_for_growers_is_longer_than_twenty_words(language: str) -> None:
    assert long_sentences(text for _, text in for_growers(language)) == []
