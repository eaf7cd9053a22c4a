"""Reads a YAML file of plain data, with the line of every value, and refuses what could be misread.

The agronomist's files use a small part of YAML: mappings, lists, texts, numbers, true, false and dates as
2026-01-31. YAML's surprises are refused with their line instead of being resolved: two equal keys, anchors
and aliases, tags, several documents, tabs, characters that cannot be seen, ``yes``/``no``/``on``/``off``,
and whatever looks like a number but is not one way only (``012``, ``1_000``, ``1,5``, ``12:30``, ``1e3``,
``.5``). A text may always be put between quotes. Where a file holds words only (a layout, the facts of a
run), ``as_text`` keeps every value as it is written: ``0012`` and ``no`` are then what they say.
"""

from __future__ import annotations

import errno
import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

import yaml

from interpretation.errors import FurrowsliceError, TableError
from service.characters import UNSEEN

MAX_CHARACTERS = 200_000
MAX_BYTES = 4 * MAX_CHARACTERS
MAX_DEPTH = 12

Place = tuple[str | int, ...]
Value = str | int | float | bool | date | None | tuple[Any, ...] | dict[str, Any]

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # the C parser where there is one: ten times faster
_INTEGER = re.compile(r"-?(0|[1-9]\d{0,14})", re.ASCII)
_DECIMAL = re.compile(r"-?(0|[1-9]\d{0,14})\.\d{1,15}", re.ASCII)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_NEARLY_A_NUMBER = re.compile(
    r"[-+]?\.?\d[\d_.,:]*([eE][-+]?\d+)?%?|0[xob]\w+|[-+]?\.(inf|nan)", re.IGNORECASE
)
_YES_OR_NO = frozenset({"yes", "no", "on", "off"})  # n and y are texts: N is nitrogen here
_WORDS: Mapping[str, bool | None] = {"true": True, "false": False, "null": None, "~": None, "": None}


@dataclass(frozen=True)
class Document:
    """A file's content and where each part of it stands.

    Attributes
    ----------
    file
        Name, for messages.
    value
        Mappings as dict, lists as tuple, dates as date.
    lines
        Line (1 is the first) of every key and list item, by path from the top.
    fingerprint
        SHA-256 of the file's bytes; empty for a text that was no file.
    """

    file: str
    value: Value
    lines: Mapping[Place, int]
    fingerprint: str = ""

    def line(self, path: Place) -> int:
        """Line of a path, or of the nearest part around it that the file has."""
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]


def read(
    path: Path, name: str = "", *, as_text: bool = False, refuse_with: type[FurrowsliceError] = TableError
) -> Document:
    """Read one file from the disk.

    Parameters
    ----------
    path
        The file.
    name
        What messages call it; its file name if not given.
    as_text
        Keep every value as the text that is written.
    refuse_with
        Error class of whatever is wrong with it.

    Raises
    ------
    FurrowsliceError
        Of class ``refuse_with``, with file and line.
    """
    name = name or path.name
    try:
        if path.is_fifo():  # would wait for ever for somebody to write into it
            raise OSError(errno.EINVAL, "it is a pipe")
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except OSError as error:
        raise refuse_with(
            f"the file cannot be opened ({error.strerror})",
            where=name,
            expected="a file",
            fix="look at its path and rights",
        ) from None
    return read_bytes(content, name, as_text=as_text, refuse_with=refuse_with)


def read_bytes(
    content: bytes, name: str, *, as_text: bool = False, refuse_with: type[FurrowsliceError] = TableError
) -> Document:
    """Read a file that is in memory already; see :func:`read`."""
    if len(content) > MAX_BYTES:
        raise refuse_with(
            f"more than {MAX_BYTES} bytes",
            where=name,
            expected="a page or two of text",
            fix="check that it is the right file",
        )
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise refuse_with(
            "this is not UTF-8 text",
            where=f"{name}:{line}",
            expected="a text file in UTF-8",
            fix="save it as UTF-8",
        ) from None
    document = load(text, name, as_text=as_text, refuse_with=refuse_with)
    return replace(document, fingerprint=hashlib.sha256(content).hexdigest())


def load(
    text: str, file: str, *, as_text: bool = False, refuse_with: type[FurrowsliceError] = TableError
) -> Document:
    """Read the content of one file.

    Parameters
    ----------
    text
        Its content.
    file
        Its name, for messages.
    as_text, refuse_with
        As for :func:`read`.

    Raises
    ------
    FurrowsliceError
        Of class ``refuse_with``, with file and line, for the first thing that cannot be read in exactly one
        way.
    """
    if len(text) > MAX_CHARACTERS:
        raise refuse_with(
            f"the file has {len(text)} characters",
            where=file,
            expected=f"at most {MAX_CHARACTERS}",
            fix="split it; a table is a page or two",
        )
    try:
        return _Reader(text, file, as_text, refuse_with).document()
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = mark.line + 1 if mark else text.count("\n", 0, getattr(error, "position", 0)) + 1
        said = [getattr(error, name, None) for name in ("problem", "reason", "context")]
        raise refuse_with(
            " ".join(part for part in said if part) or "the file is not YAML",
            where=f"{file}:{line}",
            expected="key: value, one a line, inner lines indented by two blanks",
            fix="look for a missing bracket, quote or colon on this line or the one before; "
            "put a text that holds ': ' or ' #' between quotes",
        ) from None


class _Reader:
    """Builds plain values from the parser's events, keeping their lines."""

    def __init__(self, text: str, file: str, as_text: bool, refuse_with: type[FurrowsliceError]) -> None:
        self.file, self.as_text, self.refuse_with = file, as_text, refuse_with
        self.lines: dict[Place, int] = {(): 1}
        self.events: Iterator[yaml.Event] = yaml.parse(text, Loader=_LOADER)
        for number, line in enumerate(text.splitlines(), 1):
            if "\t" in line:
                self.refuse(number, "a tab", "blanks", "replace the tab by blanks")

    def refuse(self, line: int, what: str, expected: str, fix: str) -> NoReturn:
        raise self.refuse_with(what, where=f"{self.file}:{line}", expected=expected, fix=fix)

    def document(self) -> Document:
        next(self.events)  # start of the stream
        start = next(self.events)
        if not isinstance(start, yaml.DocumentStartEvent):
            self.refuse(1, "the file is empty", "a mapping of keys and values", "fill it, or remove the file")
        if start.version or start.tags:
            self.refuse(1, "a % line", "plain keys and values", "remove it")
        value = self.value(next(self.events), ())
        next(self.events)  # end of the document
        after = next(self.events)
        if not isinstance(after, yaml.StreamEndEvent):
            self.refuse(_line(after), "a second document", "one a file", "make it a file of its own")
        return Document(self.file, value, self.lines)

    def value(self, event: yaml.Event, path: Place) -> Value:
        line = _line(event)
        if len(path) > MAX_DEPTH:
            self.refuse(line, "nested too deeply", f"at most {MAX_DEPTH} levels", "flatten it")
        if anchor := getattr(event, "anchor", None):  # an alias carries the anchor it points to
            self.refuse(line, f"an anchor or alias ({anchor})", "plain values", "write the value out")
        if tag := getattr(event, "tag", None):
            self.refuse(line, f"a tag ({tag})", "plain values", "remove it; use quotes for a text")
        if isinstance(event, yaml.MappingStartEvent):
            return self.mapping(path)
        if isinstance(event, yaml.SequenceStartEvent):
            return tuple(self.items(path))
        assert isinstance(event, yaml.ScalarEvent)
        self.check_characters(event.value, line)
        plain = event.style in (None, "") and not self.as_text
        return self.scalar(event.value, line) if plain else event.value

    def mapping(self, path: Place) -> dict[str, Value]:
        found: dict[str, Value] = {}
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            line = _line(event)
            if not isinstance(event, yaml.ScalarEvent) or event.anchor or event.tag:
                self.refuse(line, "a key that is not a plain text", "key: value", "write the key as a text")
            key = event.value
            self.check_characters(key, line)
            if key == "<<":
                self.refuse(line, "a merge key (<<)", "plain keys", "write the values out")
            if key in found:
                self.refuse(
                    line,
                    f"the key {key!r} is here twice, first on line {self.lines[*path, key]}",
                    "each key once",
                    "remove one; neither wins by itself",
                )
            self.lines[*path, key] = line
            found[key] = self.value(next(self.events), (*path, key))
        return found

    def items(self, path: Place) -> Iterator[Value]:
        index = 0
        while not isinstance(event := next(self.events), yaml.SequenceEndEvent):
            self.lines[*path, index] = _line(event)
            yield self.value(event, (*path, index))
            index += 1

    def check_characters(self, text: str, line: int) -> None:
        r"""Refuse what hides or reorders text, also when it is written as an escape such as ``"\u202e"``."""
        if found := UNSEEN.search(text):
            self.refuse(
                line,
                f"the invisible character U+{ord(found[0]):04X}",
                "letters, digits, signs and spaces that can be seen",
                "delete the text and type it again",
            )

    def scalar(self, text: str, line: int) -> Value:
        """Resolve an unquoted scalar, in one way only."""
        if text in _WORDS:
            return _WORDS[text]
        if _INTEGER.fullmatch(text):
            return int(text)
        if _DECIMAL.fullmatch(text):
            return float(text)
        if _DATE.fullmatch(text):
            try:
                return date.fromisoformat(text)
            except ValueError:
                self.refuse(
                    line, f"{text} is not a day of the calendar", "year-month-day", "correct the date"
                )
        if text.lower() in _YES_OR_NO or text.lower() in _WORDS:
            self.refuse(
                line,
                f"{text!r} can be read as a word or as true or false",
                "true, false or a quoted text",
                f'write true or false, or put it between quotes: "{text}"',
            )
        if _NEARLY_A_NUMBER.fullmatch(text):
            self.refuse(
                line,
                f"{text!r} can be read as more than one number",
                "a number such as 12, 1000 or 0.5",
                "write it plainly with a decimal point, or between quotes if it is a text",
            )
        return text


def is_text(text: str) -> bool:
    """Whether a text without quotes is read as itself: as no number, day, yes or no, or nothing."""
    word = text.lower()
    looks_like_another = (_INTEGER, _DECIMAL, _DATE, _NEARLY_A_NUMBER)
    return not (
        word in _WORDS or word in _YES_OR_NO or any(each.fullmatch(text) for each in looks_like_another)
    )


def _line(event: yaml.Event) -> int:
    return event.start_mark.line + 1 if event.start_mark else 1
