"""What a record's model says about a wrong value, in the words of somebody who edits the file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel
from pydantic_core import ErrorDetails

LONGEST_QUOTE = 60  # characters of a wrong text that a message repeats
# Kind of error: message, what is expected, what to do. {given} is the value, other names are the model's.
_WORDS: dict[str, tuple[str, str, str]] = {
    "extra_forbidden": (
        "this key is not known here",
        "{keys}",
        "correct the spelling of the key, or remove it",
    ),
    "missing": ("missing", "{keys}", "add what is missing"),
    "literal_error": ("{given} is not known here", "{expected}", "write one of these"),
    "date_type": ("{given} is no day", "a day such as 2026-01-31", "write year-month-day, without quotes"),
    "float_type": ("{given} is no number", "a number such as 12 or 0.5", "write a number, without quotes"),
    "int_type": ("{given} is no whole number", "a number such as 12", "write a whole number, without quotes"),
    "bool_type": (
        "{given} is neither true nor false",
        "true or false",
        "write one of the two, without quotes",
    ),
    "string_type": ("{given} is no text", "a text", "put the text between quotes"),
    "tuple_type": ("{given} is no list", "a list: [one, two]", "put it between square brackets"),
    "dict_type": ("{given} is no set of keys", "key: value", "write one key: value a line"),
    "model_type": ("{given} is no record", "key: value", "write one key: value a line"),
    "too_short": ("too few entries", "at least {min_length}", "add what is missing"),
    "string_too_long": ("{given} is too long", "at most {max_length} characters", "shorten it"),
    "too_long": ("too many entries", "at most {max_length}", "remove what is too much"),
    "greater_than": ("{given} is too small", "more than {gt:g}", "correct the number"),
    "greater_than_equal": ("{given} is too small", "{ge:g} or more", "correct the number"),
    "less_than_equal": ("{given} is too large", "{le:g} or less", "correct the number"),
    "string_pattern_mismatch": ("{given} cannot be an id", "small letters, digits and - . / :", "rename it"),
    "value_error": ("{error}", "a record whose parts fit each other", "correct one of them"),
}


def keys_at(model: type[BaseModel], place: tuple[str | int, ...]) -> str:
    """List the keys that the record at a place inside a model may have."""
    for part in place[:-1]:
        inner = next((i for n, i in model.model_fields.items() if part in (n, i.alias)), None)
        model = next(_models(inner.annotation), model) if inner else model
    return ", ".join(info.alias or name for name, info in model.model_fields.items())


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    """Find the models inside an annotation such as ``tuple[Credit, ...] | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models(argument)


def explain(detail: ErrorDetails, keys: str) -> tuple[str, str, str]:
    """Say what is wrong, what would be right and what to do.

    Parameters
    ----------
    detail
        One error of pydantic.
    keys
        The keys the record may have, for messages about a key.
    """
    given = detail["input"]
    if isinstance(given, str) and len(given) > LONGEST_QUOTE:  # a whole file may have been read as one text
        given = f"{given[:LONGEST_QUOTE]}..."
    shown = repr(given) if isinstance(given, str | int | float) else "this"
    if detail["type"] not in _WORDS:
        return f"{shown}: {detail['msg']}", "what README.md in this folder describes", "correct the value"
    message, expected, fix = _WORDS[detail["type"]]
    values = detail.get("ctx", {}) | {"given": shown, "keys": keys}
    return message.format(**values), expected.format(**values), fix
