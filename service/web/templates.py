"""Page templates and their words, in every language."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, PrefixLoader

from reports import templating
from reports.catalogues import domains, texts
from reports.format import Format
from reports.wording import Wording
from service.tokens import sha256

LANGUAGES = {"en": "English", "es": "Español"}


@cache
def catalogue(language: str) -> Mapping[str, str]:
    """Every word of the pages in one language: ``area.key`` -> text, from ``pages/words``."""
    folder = files("service") / "pages" / "words"
    return {
        f"{area}.{key}": text
        for area in domains(folder)
        for key, text in texts(folder, area, language).items()
    }


class Words:
    """The words of the pages in one language, called with a key: ``w("runs.title")``."""

    def __init__(self, language: str) -> None:
        self.language = language if language in LANGUAGES else "en"
        self._texts = catalogue(self.language)
        self.format = Format(self.language, "metric")
        self.wording = Wording(self.format)  # names of crops, nutrients, checks as reports print them

    def __call__(self, key: str, **values: object) -> str:
        """Word one key; a key without words is a mistake of the program."""
        return self._texts[key].format(**values) if values else self._texts[key]

    def has(self, key: str) -> bool:
        """Whether there are words for a key."""
        return key in self._texts

    def day(self, day: date | None) -> str:
        """Write a day as the language does; a dash for none."""
        return "–" if day is None else self.format.day(day)

    def moment(self, at: datetime | None) -> str:
        """Write an instant in UTC; a dash for none."""
        return "–" if at is None else f"{self.format.day(at.date())} {at:%H:%M} UTC"

    def number(self, value: float | None) -> str:
        """Write a number with the digits it needs; a dash for none."""
        return "–" if value is None else self.format.plain(value)


@cache
def words(language: str) -> Words:
    """The words of one language, made once."""
    return Words(language)


@cache
def static_path(name: str) -> str:
    """Address of a file of our own, which changes when the file does."""
    content = (files("service") / "pages" / "static" / name).read_bytes()
    return f"/static/{name}?v={sha256(content)[:12]}"


@cache
def environment() -> Environment:
    """All templates of the pages."""
    pictures = PrefixLoader({"reports": PackageLoader("reports")})  # drawn once, for both
    made = templating.environment(ChoiceLoader([PackageLoader("service.pages"), pictures]))
    made.globals |= {"static": static_path, "languages": LANGUAGES}
    return made


def render(template: str, language: str, values: Mapping[str, Any]) -> str:
    """Render one page; ``w`` in it are its words."""
    w: Callable[..., str] = words(language)
    return environment().get_template(template).render(w=w, **values)
