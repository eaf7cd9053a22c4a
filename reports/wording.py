"""Sentences and names, one catalogue a language; all languages have the same keys."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

from interpretation.errors import FurrowsliceError
from interpretation.results import Refusal
from reports.catalogues import texts
from reports.format import Format, printed

LANGUAGES = ("en", "es")
# A language with how one of its countries writes numbers and dates, where that differs.
Language = Literal["en", "en-GB", "es", "es-MX", "es-US"]

# Which group of names spells the ids that the science puts into a sentence, by the value's own name.
GROUP_OF = {
    "analyte": "analytes",
    "nutrient": "nutrients",
    "class": "classes",
    "crop": "crops",
    "method": "methods",
    "use_instead": "methods",
    "input": "inputs",
    "name": "inputs",
    "credit": "credits",
    "failed": "scope",
    "reason": "reasons",
    "texture": "textures",
    "basis": "bases",
    "wanted_crop": "crops",
    "wanted_method": "methods",
    "wanted_texture": "textures",
    "wanted_basis": "bases",
}
# A list of more than this is not printed: it would hide the reason.
MOST_WANTED = 6

# A text, a name or a sign of a condition, and how signs are printed.
_PIECE = re.compile(r'"[^"]*"|[A-Za-z_]\w*|[<>=!]=')
_SIGNS = {"<=": "≤", ">=": "≥", "==": "=", "!=": "≠"}


def has_no_scale(refusal: Refusal | None) -> bool:
    """Whether the region has no classes for this test at all, as for a buffer pH that only serves lime."""
    return refusal is not None and refusal.key == "no-table" and refusal.values.get("failed") == "analyte"


class _Values(dict[str, str]):
    """Values of a sentence; one that is missing prints as a dash, so that no page is lost to it."""

    def __missing__(self, key: str) -> str:
        return "–"


@lru_cache(maxsize=8)
def catalogue(language: str) -> Mapping[str, Any]:
    """Read one language's catalogue: ``group -> key -> text``, and ``names -> group -> key -> text``.

    Raises
    ------
    FurrowsliceError
        If there is no wording in that language.
    """
    if language not in LANGUAGES:
        raise FurrowsliceError(
            f"there is no wording in language {language!r}",
            expected=f"one of {', '.join(LANGUAGES)}",
            fix="choose one of these languages, or add a catalogue beside them",
        )
    groups: dict[str, Any] = {"names": {}}
    for context, text in texts(files("reports") / "wording", "report", language).items():
        group, _, key = context.partition(".")
        into = groups
        if group == "names":
            into = groups["names"]
            group, _, key = key.partition(".")
        into.setdefault(group, {})[key] = text
    return groups


@dataclass(frozen=True, slots=True)
class Wording:
    """One language's sentences, bound to how its readers write numbers.

    Groups of the catalogue that the report itself uses (``page``, ``found``, ...) must have their keys.
    Groups keyed by the science's data (``notes``, ``steps``, ``names``, ...) fall back to the key, so that an
    agronomist's new crop or class name prints as given.
    """

    format: Format

    def page(self, key: str, **values: str) -> str:
        """Sentence or label of the report itself."""
        text: str = self._catalogue["page"][key]
        return text.format_map(values) if values else text

    def label(self, key: str, fallback: str) -> str:
        """Label that the data may have added to: the given text where the catalogue has none."""
        text: str = self._catalogue["page"].get(key, fallback)
        return text

    def labels(self) -> dict[str, str]:
        """Everything the report itself says, by key, for the templates."""
        return dict(self._catalogue["page"])

    def name(self, group: str, key: str) -> str:
        """Name of one thing; the key itself, spelled for the eye, where the catalogue has none."""
        named: str | None = self._catalogue["names"][group].get(key)
        return named or printed(key)

    def known(self, group: str, key: str, fallback: str) -> str:
        """Name of one thing where the catalogue has it, else the given text, else the key."""
        named: str | None = self._catalogue["names"][group].get(key)
        return named or fallback or key

    def sentence(self, group: str, key: str, values: Mapping[str, str | float] | None = None) -> str:
        """Sentence of a key the science chose, with its values written in.

        A key without wording prints as its own words followed by its values.
        """
        written = _Values({name: self._value(name, value) for name, value in (values or {}).items()})
        template: str | None = self._catalogue[group].get(key)
        if template is not None:
            return template.format_map(written).replace(" .", ".")  # a value without a unit, such as pH
        words = key.replace("-", " ").replace("_", " ")
        listed = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in written.items())
        return f"{words} ({listed})" if listed else words

    def refusal(self, refusal: Refusal) -> str:
        """Say why there is no class or no amount, and what to ask for instead."""
        key, told = self._sentence_of(refusal)
        text = self.sentence("refusals", key, told)
        if told.get("unknown_method"):
            text += " " + self.sentence("refusals", "unknown-method", told)
        if told.get("conversion") and key in ("no-table", "no-scale"):
            text += " " + self.sentence("refusals", "conversion-available", told)
        if key == "soil-test-refused" and told.get("wanted_unit"):
            text += " " + self.page("asked-unit", unit=self._wanted("unit", str(told["wanted_unit"])))
        if told.get("use_instead"):
            text += " " + self.sentence("refusals", "method-use-instead", told)
        return text

    def _sentence_of(self, refusal: Refusal) -> tuple[str, Mapping[str, str | float]]:
        """Key of the sentence that fits a refusal best, and what is written into it."""
        key, told = refusal.key, refusal.values
        if key == "missing-input" and told.get("input") == "soil_test" and told.get("method"):
            key = "missing-soil-test"
        elif key == "missing-input" and told.get("wanted"):
            key = "yield-unit"
        elif has_no_scale(refusal):
            key = "no-scale"
        elif key == "no-table":
            told = {**told, "mismatch": self._mismatch(told)}
        elif key == "no-rate-row" and "lowest" in told:
            unit = printed(str(told.get("unit", "")))
            key, told = "outside-rows", {**told, "of_unit": f" {unit}" if unit else ""}
        if isinstance(told.get("condition"), str):
            told = {**told, "condition": self.condition(str(told["condition"]))}
        return key, told

    def _mismatch(self, told: Mapping[str, str | float]) -> str:
        """What did not match, and in sentences of their own what the region's tables ask for instead."""
        failed = str(told.get("failed", "")).split(",")
        wanted = {what: str(told.get(f"wanted_{what}", "")) for what in failed}
        asked = [
            self._wanted(what, several)
            for what, several in wanted.items()
            if several and several.count(",") < MOST_WANTED and what != "day"
        ]
        said = [self.format.join([self.name("scope", what) for what in failed])]
        if asked:
            said.append(self.page("wanted", wanted=self.format.join(asked)))
        if "day" in failed and told.get("wanted_from"):
            ends = {key: str(told.get(f"wanted_{key}", "")) for key in ("from", "to")}
            days = {key: self.format.day(date.fromisoformat(day)) for key, day in ends.items() if day}
            said.append(self.page("wanted-until" if ends["to"] else "wanted-since", **days))
        return ". ".join(said)

    def _wanted(self, what: str, wanted: str) -> str:
        several = wanted.split(",")
        if what == "depth":
            ends = (layer.partition("-") for layer in several)
            return self.format.either([self.layer(float(top), float(bottom)) for top, _, bottom in ends])
        group = GROUP_OF.get(f"wanted_{what}")
        return self.format.either([self.name(group, each) if group else printed(each) for each in several])

    def layer(self, from_cm: float, to_cm: float) -> str:
        """Sampled layer, in the report's system."""
        low, unit = self.format.depth(from_cm)
        high, _ = self.format.depth(to_cm)
        return f"{self.page('depth', **{'from': low, 'to': high})} {unit}"

    def condition(self, formula: str) -> str:
        """Spell a table's condition for a reader: its names in words, its signs as they are printed."""
        return _PIECE.sub(lambda piece: self._piece(piece[0]), formula)

    def _piece(self, piece: str) -> str:
        if piece.startswith('"'):
            text = piece.strip('"')
            return next((self.name(g, text) for g in ("crops", "textures") if self.knows(g, text)), text)
        named = next((self.name(g, piece) for g in ("inputs", "joins") if self.knows(g, piece)), piece)
        return _SIGNS.get(piece, named)

    def knows(self, group: str, key: str) -> bool:
        """Whether the catalogue names this thing."""
        return key in self._catalogue["names"][group]

    def has(self, group: str, key: str) -> bool:
        """Whether the catalogue words this key."""
        return key in self._catalogue[group]

    def _value(self, name: str, value: str | float) -> str:
        if not isinstance(value, str):
            return self.format.plain(float(value))
        group = GROUP_OF.get(name)
        if group is None:
            return printed(value)
        return self.format.join([self.name(group, part) for part in value.split(",")])

    @property
    def _catalogue(self) -> Mapping[str, Any]:
        return catalogue(self.format.locale.partition("-")[0])
