"""Writes a record of the tables as YAML in one way only, so that ``service.yamlfiles`` reads the same again.

Keys come in a fixed order, that of :data:`ORDER`: what a table is for, its numbers, from when on it holds,
and where the numbers are from. A text stands without quotes only where nobody could misread it. A remark, and
any text of several lines, is a block; a long text is folded. What cannot be written so that the very same is
read is refused, and not written in part.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np

from interpretation.errors import TableError
from interpretation.results import Record
from service.yamlfiles import is_text, load

WIDTH = 100  # where a line is broken, if it can be
LONGEST_KEY = 120
ORDER = (
    "id", "title", "name", "region", "publisher", "year", "locator", "url", "read",  # and of a source
    "nutrient", "crops", "analyte", "form", "method", "from_method", "to_method",
    "depth_cm", "textures", "soil_groups", "unit", "basis", "per_method_unit", "yield_unit",
    "valid_for", "not_for", "edition", "cautions_of",
    "holds_if", "when", "by_class", "by_value", "rows_of", "between_rows", "formula", "lowest", "highest",
    "values", "credits", "floor", "cap", "round_to", "materials",
    "effective_from", "effective_to",
    "classes", "ends_at", "adequate_from", "scale_top",
    "sources", "standing", "remark",
)  # fmt: skip
_PLACE = {name: place for place, name in enumerate(ORDER)}
_BLOCKS = frozenset({"remark"})
_SIGNS_OF_FLOW = re.compile(r"[,\[\]{}:?]")
_UNSAFE = re.compile(r": | #|\s{2}")
# What YAML takes as it stands; everything else is written as an escape between quotes.
_ESCAPED = re.compile("[^\n -~\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")


def record_text(record: Record) -> str:
    """Write one record: what its author said, and nothing that was left out.

    Raises
    ------
    TableError
        If a text in it cannot be written so that the same is read again.
    """
    return mapping_text(record.model_dump(by_alias=True, exclude_unset=True))


def mapping_text(said: Mapping[str, Any]) -> str:
    """Write the plain values of one record; see :func:`record_text`."""
    ordered = {key: said[key] for key in sorted(said, key=lambda key: _PLACE[key])}
    text = "".join(f"{line}\n" for key, value in ordered.items() for line in _pair(key, value, 0))
    _check(text, ordered)
    return text


def _check(text: str, said: Mapping[str, Any]) -> None:
    """Read what was written: nothing leaves this module that says something else."""
    try:
        read = load(text, "what was written").value
    except TableError as error:
        raise _refusal(said, error.what) from None
    assert isinstance(read, dict)
    for key, value in said.items():
        if read[key] != _plain(value):
            raise _refusal(said, f"the key {key} would be read as something else")


def _refusal(said: Mapping[str, Any], why: str) -> TableError:
    return TableError(
        f"this cannot be written as YAML: {why}", where=str(said.get("id", "")),
        expected="texts and numbers that can be read in one way only",
        fix="write it in other words or with fewer digits, or take a workbook or CSV",
    )  # fmt: skip


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return tuple(map(_plain, value))
    return value


def _pair(key: str, value: Any, indent: int) -> Iterator[str]:
    """Lines of one key and its value."""
    blanks = " " * indent
    head = f"{blanks}{_scalar(key)}:"
    if isinstance(value, Mapping) and value:
        yield head
        for name, each in value.items():
            yield from _pair(str(name), each, indent + 2)
    elif isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
        yield head
        for each in value:
            yield from _item(each, indent + 2)
    elif isinstance(value, list | tuple):
        yield from _listed(head, value, indent)
    elif isinstance(value, str) and (block := _block(key, value, head, indent)):
        yield from block
    else:
        yield f"{head} {'{}' if isinstance(value, Mapping) else _scalar(value)}"


def _item(each: Mapping[str, Any], indent: int) -> Iterator[str]:
    """One mapping of a list: on a line of its own if it fits there."""
    blanks = " " * indent
    if not any(isinstance(value, list | tuple | Mapping) for value in each.values()):
        pairs = ", ".join(f"{_scalar(k, flow=True)}: {_scalar(v, flow=True)}" for k, v in each.items())
        if len(line := f"{blanks}- {{{pairs}}}") <= WIDTH:
            yield line
            return
    mark = f"{blanks}- "
    for key, value in each.items():
        for line in _pair(key, value, indent + 2):
            yield mark + line[indent + 2 :]
            mark = " " * (indent + 2)


def _listed(head: str, values: Sequence[Any], indent: int) -> Iterator[str]:
    """A list of plain values between square brackets, over as many lines as it needs."""
    line = f"{head} ["
    for number, value in enumerate(values):
        text = _scalar(value, flow=True) + ("," if number < len(values) - 1 else "]")
        if number and len(line) + len(text) + 1 > WIDTH:
            yield line
            line = " " * (indent + 2) + text
        else:
            line += text if line.endswith("[") else f" {text}"
    yield line if values else f"{line}]"


def _block(key: str, text: str, head: str, indent: int) -> list[str]:
    """A text as a block, where it is better read so and can be; else nothing."""
    lines = text.split("\n")
    if not text or text != text.strip() or _ESCAPED.search(text) or any(each.endswith(" ") for each in lines):
        return []
    blanks = " " * (indent + 2)
    fits = all(len(blanks) + len(each) <= WIDTH for each in lines)
    foldable = "  " not in text and not any(each.startswith(" ") for each in lines)
    if fits and len(lines) == 1 and key not in _BLOCKS and len(head) + 1 + len(text) <= WIDTH:
        return []
    if not foldable or (fits and (len(lines) > 1 or key in _BLOCKS)):
        return [f"{head} |-", *(blanks + each if each else "" for each in lines)]
    return [f"{head} >-", *_folded(lines, blanks)]


def _folded(lines: Sequence[str], blanks: str) -> Iterator[str]:
    """Break long lines at blanks; an empty line then stands for the end of each line of the text."""
    for number, text in enumerate(lines):
        if number and text and lines[number - 1]:
            yield ""
        line = blanks
        for word in text.split(" "):
            if line != blanks and len(line) + 1 + len(word) > WIDTH:
                yield line
                line = blanks
            line += word if line == blanks else f" {word}"
        yield line.rstrip(" ")


def _scalar(value: Any, *, flow: bool = False) -> str:
    """Write one value on the line it stands on."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return np.format_float_positional(value, trim="-") if isinstance(value, float) else str(value)
    if isinstance(value, date):
        return value.isoformat()
    text = str(value)
    return text if _stands_alone(text, flow) else _quoted(text)


def _stands_alone(text: str, flow: bool) -> bool:
    """Whether a text means itself without quotes, to YAML and to somebody who reads it."""
    if not is_text(text) or text != text.strip() or not (text[0].isalnum() or text[0] in "(<"):
        return False
    if _UNSAFE.search(text) or text.endswith(":") or "\n" in text or _ESCAPED.search(text) or text == "<<":
        return False
    return not (flow and _SIGNS_OF_FLOW.search(text))


def _quoted(text: str) -> str:
    """Between quotes; JSON's escapes are YAML's as well."""
    return _ESCAPED.sub(lambda found: json.dumps(found[0])[1:-1], json.dumps(text, ensure_ascii=False))
