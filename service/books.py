"""A region's tables as one book: taken out of all tables, put back, written in one way only, and read again.

A release keeps a book as canonical JSON (RFC 8785, JSON Canonicalization Scheme), so that everybody who holds
the text can work out its SHA-256 again. What every region shares (methods, crops, materials, notes, sources)
is a book of its own, called :data:`SHARED`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from copy import deepcopy
from dataclasses import fields
from hashlib import sha256
from typing import Any

import rfc8785

from interpretation.agronomy.tables import (
    Conversion,
    Crop,
    Material,
    NoteRule,
    RateTable,
    Region,
    ScaleTable,
    Source,
    TableSet,
)
from interpretation.methods import Method
from interpretation.results import Record

SHARED = "shared"
KEY_ORDER = "key_order"
OF_SHARED: dict[str, type[Record]] = {
    "methods": Method, "crops": Crop, "materials": Material, "notes": NoteRule, "sources": Source,
}  # fmt: skip
OF_REGION: dict[str, type[Record]] = {
    "regions": Region, "scales": ScaleTable, "rates": RateTable, "conversions": Conversion, "sources": Source,
}  # fmt: skip
Written = dict[str, dict[str, Any]]  # kind -> id -> record as plain JSON


def kinds_of(book: str) -> Mapping[str, type[Record]]:
    """What a book holds."""
    return OF_SHARED if book == SHARED else OF_REGION


def canonical(value: Any) -> str:
    """Write a plain value in the one way of RFC 8785.

    Examples
    --------
    >>> canonical({"b": [1.0, None], "a": "é"})
    '{"a":"é","b":[1,null]}'
    """
    return rfc8785.dumps(value).decode()


def digest(text: str) -> str:
    """SHA-256 of a text in UTF-8, as hexadecimal digits."""
    return sha256(text.encode()).hexdigest()


def plain(record: Record) -> dict[str, Any]:
    """Write a record as plain JSON: what its author said, and nothing that was left out.

    Canonical JSON sorts keys. Amounts by class run from the poorest soil to the richest, though, and a page
    shows them so: an order of keys that the author chose is written beside the record, as :data:`KEY_ORDER`.
    """
    said: dict[str, Any] = record.model_dump(mode="json", by_alias=True, exclude_unset=True)
    order = dict(_orders(record, ()))
    return said | {KEY_ORDER: order} if order else said


def _orders(record: Record, path: tuple[str, ...]) -> Iterator[tuple[str, list[str]]]:
    """Keys of each mapping in a record, where they are not in the order of canonical JSON."""
    for name, field in type(record).model_fields.items():
        value, place = getattr(record, name), (*path, field.alias or name)
        if isinstance(value, dict):
            if (keys := list(value)) != sorted(keys, key=lambda key: key.encode("utf-16-be")):
                yield "/".join(place), keys
        elif isinstance(value, tuple):
            for number, each in enumerate(value):
                if isinstance(each, Record):
                    yield from _orders(each, (*place, str(number)))


def _in_order(value: dict[str, Any]) -> str:
    """The JSON of a record with its author's order of keys."""
    kept = deepcopy({name: each for name, each in value.items() if name != KEY_ORDER})
    for path, keys in value.get(KEY_ORDER, {}).items():
        *parts, last = path.split("/")
        inner: Any = kept
        for part in parts:
            inner = inner[int(part)] if isinstance(inner, list) else inner[part]
        inner[last] = {key: inner[last][key] for key in keys} | inner[last]
    return json.dumps(kept)


def fingerprint(record: Record) -> str:
    """SHA-256 of a record's canonical JSON; remarks in a file and its layout do not count."""
    return digest(canonical(plain(record)))


def written(book: str, tables: TableSet) -> Written:
    """Write the records of a book, kind by kind."""
    return {
        kind: {name: plain(record) for name, record in sorted(getattr(tables, kind).items())}
        for kind in kinds_of(book)
    }


def read(book: str, records: Written) -> TableSet:
    """Read the records of a book again.

    Raises
    ------
    pydantic.ValidationError
        If a record is none: the text was not written by :func:`written`, or by a newer version.
    """
    found: dict[str, Any] = {"fingerprints": {}}
    for kind, model in kinds_of(book).items():
        found[kind] = {
            name: model.model_validate_json(_in_order(value), strict=True)
            for name, value in records.get(kind, {}).items()
        }
        found["fingerprints"] |= {
            label(kind, name): digest(canonical(value)) for name, value in records.get(kind, {}).items()
        }
    return TableSet(**found)


def label(kind: str, name: str) -> str:
    """Key of a fingerprint. A region's tables share one name space: a report pins them by id alone."""
    return name if kind in ("scales", "rates", "conversions") else f"{kind}/{name}"


def books_of(tables: TableSet) -> dict[str, TableSet]:
    """Take all tables apart: the shared book, and a book for each region."""

    def those(region: str | None, *kinds: str) -> dict[str, dict[str, Any]]:
        return {
            kind: {name: each for name, each in getattr(tables, kind).items() if each.region == region}
            for kind in kinds
        }

    shared = {kind: getattr(tables, kind) for kind in OF_SHARED if kind != "sources"}
    taken = {SHARED: TableSet(**shared, **those(None, "sources"))}
    for name, region in sorted(tables.regions.items()):
        own = those(name, "scales", "rates", "conversions", "sources")
        taken[name] = TableSet(regions={name: region}, **own)
    return taken


def merged(books: Iterable[TableSet]) -> TableSet:
    """Put books together; of two records with one id the later book's counts."""
    made: dict[str, Any] = {each.name: {} for each in fields(TableSet)}
    for book in books:
        for name, records in made.items():
            records |= getattr(book, name)
    return TableSet(**made)
