"""From a record to cells, in one way only, so that what is read again is the same record."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np

from interpretation.agronomy.tables import TableSet
from interpretation.results import Record
from service.entries.celltext import NONE
from service.entries.columns import FACTS, KINDS, Kind
from service.entries.entry import Entry, Row, entry


def entry_of(kind: Kind, record: Record, number: int = 0) -> Entry:
    """Write a record into cells.

    Parameters
    ----------
    number
        Of the entry in its draft.

    Notes
    -----
    A key that the record's author left out leaves its cell empty.
    """
    said = record.model_dump(by_alias=True, exclude_unset=True)
    facts = {}
    for column in FACTS[kind]:
        value: Any = said
        for part in column.path:
            value = value.get(part) if isinstance(value, Mapping) else value and value[part]
        facts[column.name] = cell_text(value)
    return entry(kind, facts, _rows(said), number)


def entries_of(tables: TableSet, region: str) -> tuple[Entry, ...]:
    """Write every record of a region's book, numbered from 1."""
    made = [
        (kind, record)
        for kind in KINDS
        for _, record in sorted(getattr(tables, kind).items())
        if region in (getattr(record, "region", None), record.id if kind == "regions" else None)
    ]
    return tuple(entry_of(kind, record, number) for number, (kind, record) in enumerate(made, 1))


def cell_text(value: Any) -> str:
    """Write one value: numbers with the digits that they need, lists with semicolons."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return np.format_float_positional(value, trim="-")
    if isinstance(value, tuple | list):
        return "; ".join(map(str, value))
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def _rows(said: dict[str, Any]) -> dict[str, list[Row]]:
    amounts: list[Row] = []
    if said.get("by_class") is not None:
        amounts = [{"class": name, "rate": _amount(rate)} for name, rate in said["by_class"].items()]
    elif said.get("by_value") is not None:
        amounts = [
            {"from": cell_text(step["from"]), "rate": _amount(step["rate"])} for step in said["by_value"]
        ]
    groups = said.get("soil_groups")
    return {
        "classes": [{k: cell_text(v) for k, v in each.items()} for each in said.get("classes", ())],
        "amounts": amounts,
        "constants": [
            {"name": name, "value": cell_text(value)} for name, value in said.get("values", {}).items()
        ],
        "credits": [row for each in said.get("credits", ()) for row in _credit(each)],
        "soil_groups": [
            {"word": word, "meaning": meaning}
            for word, meaning in (groups if isinstance(groups, dict) else {}).items()
        ],
    }  # fmt: skip


def _amount(rate: Any) -> str:
    return NONE if rate is None else cell_text(rate)


def _credit(credit: dict[str, Any]) -> list[Row]:
    if credit.get("by_previous_crop") is None:
        return [{"key": credit["key"], "formula": credit.get("formula") or ""}]
    return [
        {"key": credit["key"], "previous_crop": crop, "amount": cell_text(amount)}
        for crop, amount in credit["by_previous_crop"].items()
    ]
