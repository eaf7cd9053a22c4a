"""A region's tables as one book: taken out of all tables, put back, written in one way only, and read again.

A release keeps a book as canonical JSON (RFC 8785, JSON Canonicalization Scheme), so that everybody who holds
the text can work out its SHA-256 again. What every region shares (methods, crops, materials, notes, sources)
is a book of its own, called :data:`SHARED`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
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
    """Write a record as plain JSON: what its author said, and nothing that was left out."""
    return record.model_dump(mode="json", by_alias=True, exclude_unset=True)


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
            name: model.model_validate_json(canonical(value), strict=True)
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
