"""How hard a text is to read, and every text of a report that its grower reads."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from typing import Any

import pyphen

LONGEST_SENTENCE = 20  # words
HIGHEST_GRADE = 8.0  # Flesch-Kincaid
LOWEST_EASE = 65.0  # Szigriszt-Pazos: where "fairly easy" begins

# What of a report is for the agronomist, the auditor or a machine, or is nobody's sentence: names, addresses,
# numbers, what is told of a picture in words. So is what back_... and wide_... hold. All else is for the
# grower.
NOT_READ = frozenset(
    {
        "sampling", "results", "methods", "tables", "region_facts", "workings", "conversions",
        "sources", "declarations", "attachment", "attachment_name", "words", "alt", "comment", "comment_by",
        "laboratory", "laboratory_lines", "grower", "field_name", "title", "foot", "report_id", "issued_on",
        "logo",
    }
)  # fmt: skip
_END = re.compile(r"(?<=[.!?])[”»]?\s+")
_VOWELS = re.compile(r"[aeiouáéíóúü]+")


def sentences(text: str) -> list[str]:
    """Sentences of a running text."""
    return [part for part in _END.split(text.strip()) if part]


def words(text: str) -> list[str]:
    """Words of a text, without numbers and signs."""
    return re.findall(r"[^\W\d_]+(?:[-'’][^\W\d_]+)*", text)


def grade(text: str) -> float:
    """Flesch-Kincaid grade level (Kincaid and others 1975; constants from memory).

    Syllables are the places at which pyphen would divide a word, plus one: an approximation.
    """
    dictionary = pyphen.Pyphen(lang="en_US", left=1, right=1)
    found = words(text)
    syllables = sum(len(dictionary.positions(word.lower())) + 1 for word in found)
    return 0.39 * len(found) / len(sentences(text)) + 11.8 * syllables / len(found) - 15.59


def spanish_syllables(word: str) -> int:
    """Syllables of a Spanish word by its vowels: its spelling leaves no doubt, where a hyphenator does.

    Two strong vowels (a, e, o) and an accented weak one (í, ú) are kernels of their own; other weak vowels
    join their neighbours. The u of que, qui, gue and gui is silent, a final y is a vowel.
    """
    spelled = re.sub(r"([qg])u(?=[eiéí])", r"\1", word.lower())
    spelled = re.sub(r"y$", "i", spelled)
    kernels = (len(re.findall(r"[aeoáéóíú]", group)) or 1 for group in _VOWELS.findall(spelled))
    return max(sum(kernels), 1)


def spanish_ease(text: str) -> float:
    """Perspicuity by Szigriszt-Pazos (1993), the count behind the INFLESZ scale; constants from memory.

    The scale (Barrio-Cantalejo and others 2008, from memory) calls 55 to 65 normal and 65 to 80 fairly easy,
    what pupils read as they leave primary school. The eighth year of school lies at the border of the two, so
    that fairly easy is asked for.
    """
    found = words(text)
    syllables = sum(spanish_syllables(word) for word in found)
    return 206.835 - 62.3 * syllables / len(found) - len(found) / len(sentences(text))


def is_easy(text: str, language: str) -> bool:
    """Whether somebody with eight years of school reads a text without effort."""
    if language.startswith("es"):
        return spanish_ease(text) >= LOWEST_EASE
    return grade(text) <= HIGHEST_GRADE


def is_sentence(text: str) -> bool:
    """Whether a text says something, and is no name, number or label."""
    return len(words(text)) > 2 and text.rstrip("”»").endswith((".", "!", "?"))


def read_by_the_grower(part: Any) -> Iterator[str]:
    """Every sentence of a report, or of a part of one, that is meant for the grower."""
    match part:
        case str():
            if is_sentence(part):
                yield part
        case tuple() | list():
            for each in part:
                yield from read_by_the_grower(each)
        case _ if dataclasses.is_dataclass(part):
            for field in dataclasses.fields(part):
                if field.name not in NOT_READ and not field.name.startswith(("back", "wide")):
                    yield from read_by_the_grower(getattr(part, field.name))
