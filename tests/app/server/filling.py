"""Rows in every column of every table, made from the schema as it is found, whatever the revision."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from typing import Any

import sqlalchemy as sa

ROWS = 3
AWKWARD = 'Über "quoted", \\ back\nslash, comma; ½ ✓ 𝛼 </b> {x} %s'
DOUBLES = (0.1 + 0.2, -5e-324, 1.7976931348623157e308)  # no digit may be lost
START = datetime(2026, 3, 29, 0, 59, 59, 123456, tzinfo=UTC)  # in the hour that clocks skip in Europe


def found_tables(connection: sa.Connection) -> list[sa.Table]:
    """Every table of a database but Alembic's own, as reflected."""
    found = sa.MetaData()
    found.reflect(connection)
    return [found.tables[name] for name in sorted(found.tables) if name != "alembic_version"]


def fill(connection: sa.Connection, rows: int = ROWS) -> None:
    """Put rows into every table, with something in every column; the last row has NULL wherever it may."""
    with _any_order(connection):
        for table in found_tables(connection):
            for number in range(rows):
                connection.execute(table.insert().values(_row(table, number, rows)))


def _row(table: sa.Table, number: int, rows: int) -> dict[str, Any]:
    row = {}
    for column in table.c:
        may_be_null = column.nullable and not column.primary_key
        row[column.name] = None if may_be_null and number == rows - 1 else _value(column, number)
    if table.name == "soil_value":  # a number or a limit, and never both
        row |= {"value": None, "below": 0.5} if number else {"value": 0.1 + 0.2, "below": None}
    return {name: sa.null() if value is None else value for name, value in row.items()}


def _value(column: sa.Column[Any], number: int) -> Any:
    kind = column.type
    if column.primary_key and not column.foreign_keys and isinstance(kind, sa.Integer):
        return number + 7
    if column.foreign_keys:
        (key,) = column.foreign_keys
        return _value(key.column, number)
    if isinstance(kind, sa.JSON):
        return {"text": AWKWARD, "list": [number, 0.1, None, True], "nested": {"b": 1, "a": 2}}
    if isinstance(kind, sa.Boolean):
        return number % 2 == 0
    if isinstance(kind, sa.LargeBinary):
        return bytes(range(256)) + bytes([number])
    if isinstance(kind, sa.DateTime):
        return START + timedelta(days=number)
    if isinstance(kind, sa.Date):
        return date(2026, 2, 27) + timedelta(days=number)
    if isinstance(kind, sa.Integer):
        return 2**31 - 1 - number
    if isinstance(kind, sa.Numeric | sa.Float):
        return DOUBLES[number % len(DOUBLES)]
    assert isinstance(kind, sa.Text | sa.String), kind
    return f"{column.name} {number} {AWKWARD}"


@contextmanager
def _any_order(connection: sa.Connection) -> Iterator[None]:
    """Let a row come before what it points at, until the block ends."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA defer_foreign_keys=ON")
        yield
        return
    connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
    yield
    connection.exec_driver_sql("SET LOCAL session_replication_role = origin")


def content(connection: sa.Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Everything in a database, in a form that is the same on either engine."""
    return {
        table.name: [
            tuple(_comparable(value) for value in row)
            for row in connection.execute(
                sa.select(*(table.c[name] for name in sorted(table.c.keys()))).order_by(*table.primary_key)
            )
        ]
        for table in found_tables(connection)
    }


def _comparable(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    if isinstance(value, float):
        return value.hex()
    return ("document", json.dumps(value)) if isinstance(value, dict | list) else value
