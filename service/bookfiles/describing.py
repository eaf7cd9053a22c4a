"""What each column means: for people (first sheet of a workbook) and for programs (Table Schema).

The descriptor of a package of CSV follows the Data Package standard, version 2.0 of 26 June 2024
(https://datapackage.org/standard/data-package/), its Table Schema describes each file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from service.bookfiles.sheets import TABLE, Sheet
from service.books import OF_REGION
from service.entries.columns import LONGEST_CELL, Column, Type

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
FORM = "furrowslice-csv-1"
_HOW: dict[Type, str] = {
    "text": "a text", "number": "a number, with a decimal point", "whole": "a whole number",
    "day": "a day such as 2026-01-31", "yes-no": "yes, no or nothing",
    "list": "one or more, with semicolons between them",
    "crops": "ids of crops with semicolons between them, or: any",
    "amount": "a number, a formula, or: none",
}  # fmt: skip
_LIST = {"type": "list", "delimiter": "; ", "itemType": "string"}
_FIELDS: dict[Type, dict[str, Any]] = {
    "text": {"type": "string"}, "number": {"type": "number"}, "whole": {"type": "integer"},
    "day": {"type": "date"}, "yes-no": {"type": "boolean", "trueValues": ["yes"], "falseValues": ["no"]},
    "list": _LIST, "crops": _LIST, "amount": {"type": "string"},
}  # fmt: skip
_KEYS = {"": ["id"], "classes": [TABLE, "name"], "constants": [TABLE, "name"], "soil_groups": [TABLE, "word"]}
_OWNER = "id of the table that the row belongs to"
_ABOUT = (
    "Tables of classes and amounts of one region, cell by cell as they were typed. A text that begins with "
    "one of the signs = + - @ and is no number has an apostrophe before it, so that no spreadsheet "
    "calculates it; the apostrophe is not part of the text."
)


def told(sheet: Sheet) -> Iterator[tuple[str, str]]:
    """Each column of a sheet, and how it is filled in."""
    if sheet.part:
        yield TABLE, _OWNER
    for column in sheet.columns:
        yield column.name, _said(sheet, column)


def _said(sheet: Sheet, column: Column) -> str:
    how = f"one of: {', '.join(column.choices)}" if column.choices else _HOW[column.type]
    field = OF_REGION[sheet.kind].model_fields.get(str(column.path[0])) if not sheet.part else None
    means = f"; {field.description}" if field is not None and field.description else ""
    return f"{how}{means}{' (needed)' if column.needed else ''}"


def package(region: str, sheets: Iterable[Sheet]) -> dict[str, Any]:
    """Describe a package: its files, their columns and keys."""
    return {
        "$schema": PROFILE,
        "name": f"tables-of-{region}" if region else "tables",
        "title": f"Tables of {region}",
        "description": _ABOUT,
        "form": FORM,
        "region": region,
        "resources": [_resource(sheet) for sheet in sheets],
    }


def _resource(sheet: Sheet) -> dict[str, Any]:
    schema: dict[str, Any] = {"fields": list(_fields(sheet)), "missingValues": [""]}
    if key := _KEYS.get(sheet.part):
        schema["primaryKey"] = key
    if sheet.part:
        schema["foreignKeys"] = [{"fields": [TABLE], "reference": {"resource": sheet.kind, "fields": ["id"]}}]
    return {
        "name": sheet.name, "path": f"{sheet.name}.csv", "type": "table", "format": "csv",
        "mediatype": "text/csv", "encoding": "utf-8", "schema": schema,
    }  # fmt: skip


def _fields(sheet: Sheet) -> Iterator[dict[str, Any]]:
    if sheet.part:
        yield _field(TABLE, "text", _OWNER, {"required": True})
    for column in sheet.columns:
        limits: dict[str, Any] = {"required": True} if column.needed else {}
        if column.choices:
            limits["enum"] = list(column.choices)
        if column.type in ("text", "amount"):
            limits["maxLength"] = LONGEST_CELL
        yield _field(column.name, column.type, _said(sheet, column), limits)


def _field(name: str, type_: Type, said: str, limits: dict[str, Any]) -> dict[str, Any]:
    field = {"name": name, "title": name.replace("_", " "), **_FIELDS[type_], "description": said}
    return field | ({"constraints": limits} if limits else {})
