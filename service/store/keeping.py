"""The whole database, read out to a backup and put back from one, on either engine."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from interpretation.errors import FurrowsliceError
from service.backupfile import Column, Kind, Manifest, Part, Reader, Writer
from service.store import schema
from service.store.database import Look, worded
from service.store.migrating import advance, alone, remaking, revision_of, revisions

_ROWS_AT_ONCE, _FILES_AT_ONCE = 500, 8  # rows that hold files may each be megabytes
_BYTES_AT_ONCE = 8 * 1024**2
_REVISION = "alembic_version"
# JSON comes before what it is made of; a type is of the first kind that it is.
_KINDS: tuple[tuple[type[sa.types.TypeEngine[Any]], Kind], ...] = (
    (sa.JSON, "json"),
    (sa.LargeBinary, "bytes"),
    (sa.DateTime, "instant"),
    (sa.Date, "day"),
    (sa.Boolean, "flag"),
    (sa.Integer, "integer"),
    (sa.Numeric, "double"),
    (sa.Float, "double"),
    (sa.Text, "text"),
    (sa.String, "text"),
)


def is_unused(look: Look) -> bool:
    """Whether there is no laboratory yet."""
    return look.connection.execute(sa.select(schema.laboratory.c.id).limit(1)).first() is None


def save(engine: sa.Engine, writer: Writer, now: datetime) -> Manifest:
    """Write every table as it is at one moment, whatever is written meanwhile.

    Raises
    ------
    FurrowsliceError
        If the database is empty or of a newer version.
    Unavailable
        If it does not answer.
    """
    options: dict[str, Any] = {}
    if engine.dialect.name == "postgresql":
        options = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
    # SQLite gives a reader the database as it is at the first row read, until its transaction ends.
    with worded(), engine.connect().execution_options(**options) as connection, connection.begin():
        revision = revision_of(connection)
        if revision not in revisions():
            raise FurrowsliceError(
                f"the database is at revision {revision}, which this version does not know"
                if revision
                else "the database is empty, so there is nothing to keep",
                where="database",
                expected=f"a database of furrowslice at one of the revisions {', '.join(revisions())}",
                fix="look at --data and --database-url; use the version of furrowslice that wrote it",
            )
        for table in _tables(connection):
            columns = [Column(name=each.name, kind=_kind(each)) for each in table.c]
            writer.table(table.name, columns, _rows(connection, table))
        return writer.finish(revision, now)


def _tables(connection: sa.Connection) -> list[sa.Table]:
    """The tables that are there, which an older revision may have fewer of."""
    found = sa.MetaData()
    found.reflect(connection, only=lambda name, _: name != _REVISION, resolve_fks=False)
    return sorted(found.tables.values(), key=lambda table: table.name)


def _kind(column: sa.Column[Any]) -> Kind:
    return next(kind for kinds, kind in _KINDS if isinstance(column.type, kinds))


def _rows(connection: sa.Connection, table: sa.Table) -> Iterator[sa.Row[Any]]:
    as_text = sa.cast if connection.dialect.name == "postgresql" else sa.type_coerce
    chosen = [as_text(each, sa.Text) if _kind(each) == "json" else each for each in table.c]
    read = sa.select(*chosen).order_by(*table.primary_key.columns)
    at_once = _FILES_AT_ONCE if any(_kind(each) == "bytes" for each in table.c) else _ROWS_AT_ONCE
    yield from connection.execution_options(yield_per=at_once).execute(read)


def load(engine: sa.Engine, reader: Reader, now: datetime, *, replace: bool) -> None:
    """Put a backup in the place of what the database holds, in one transaction.

    The tables are made as they were when the backup was written, filled, and then brought to the newest
    revision, as that database itself would be.

    Raises
    ------
    FurrowsliceError
        If the backup is of a newer version, or the database holds something and ``replace`` is not set.
    Unavailable, NoRoom
        If the database does not answer, or the disk is full.
    """
    manifest = reader.manifest
    if manifest.revision not in revisions():
        raise FurrowsliceError(
            f"the backup is at revision {manifest.revision}, which this version does not know",
            where="manifest.json",
            expected=f"one of {', '.join(revisions())}",
            fix="install the version of furrowslice that wrote it, or a newer one; nothing was changed",
        )
    with alone(engine), remaking(engine) as connection:
        _make_room(connection, replace=replace)
        advance(connection, manifest.revision)
        with _foreign_keys_off(connection):
            _fill(connection, reader)
        _set_counters(connection)
        advance(connection)
        _hold_mails(connection)
        connection.execute(
            schema.audit.insert().values(
                at=now, who="command line", door="command", verb="restore", kind="database", object_id="",
                after={"made_at": manifest.made_at.isoformat(), "rows": manifest.rows}, reason="",
            )
        )  # fmt: skip


def _hold_mails(connection: sa.Connection) -> None:
    """Hold every mail that was waiting: since the backup was taken it may have gone."""
    row = schema.delivery.c
    connection.execute(
        schema.delivery.update()
        .where(row.state.in_(("waiting", "sending")), row.way != "paper")
        .values(state="held", reason="restored", next_at=None)
    )


def _make_room(connection: sa.Connection, *, replace: bool) -> None:
    """Take away every table; refuse where one holds a row that nobody gave up."""
    tables = _tables(connection)
    strange = sorted({table.name for table in tables} - set(schema.metadata.tables))
    filled = [table.name for table in tables if connection.execute(sa.select(table).limit(1)).first()]
    if strange and revision_of(connection) is None:
        raise FurrowsliceError(
            f"the database holds tables of another program: {', '.join(strange[:3])}", where="database",
            expected="an empty database, or one of furrowslice", fix="restore into a database of its own",
        )  # fmt: skip
    if filled and not replace:
        raise FurrowsliceError(
            f"the database is not empty: there are rows in {', '.join(filled[:5])}",
            where="database",
            expected="an empty database, or --replace",
            fix="make a backup of it, then add --replace to lose what it holds",
        )
    quoted = connection.dialect.identifier_preparer.quote
    behind = " CASCADE" if connection.dialect.name == "postgresql" else ""
    for name in sa.inspect(connection).get_table_names():
        connection.exec_driver_sql(f"DROP TABLE {quoted(name)}{behind}")


@contextmanager
def _foreign_keys_off(connection: sa.Connection) -> Iterator[None]:
    """Let rows come before what they point at; every one is checked afterwards.

    SQLite has them off already, and checked at the end: see :func:`remaking`.
    """
    if connection.dialect.name == "sqlite":
        yield
        return
    found = connection.execute(
        sa.text(
            "SELECT conrelid::regclass::text AS owner, quote_ident(conname) AS name,"
            " pg_get_constraintdef(oid) AS definition FROM pg_constraint"
            " WHERE contype = 'f' AND connamespace = current_schema()::regnamespace"
        )
    ).all()
    for each in found:
        connection.exec_driver_sql(f"ALTER TABLE {each.owner} DROP CONSTRAINT {each.name}")
    yield
    for each in found:
        connection.exec_driver_sql(f"ALTER TABLE {each.owner} ADD CONSTRAINT {each.name} {each.definition}")


def _fill(connection: sa.Connection, reader: Reader) -> None:
    tables = {table.name: table for table in _tables(connection)}
    parts = {part.table: part for part in reader.manifest.parts}
    if tables.keys() != parts.keys():
        raise _unlike(", ".join(sorted(tables.keys() ^ parts.keys())))
    for name, part in parts.items():
        table = tables[name]
        if {each.name: _kind(each) for each in table.c} != {each.name: each.kind for each in part.columns}:
            raise _unlike(name)
        connection.execute(table.delete())  # what the revision itself put there is in the backup
        insert = _insert(connection, table)
        for rows in _batches(reader, part):
            connection.execute(insert, rows)


def _unlike(what: str) -> FurrowsliceError:
    return FurrowsliceError(
        f"the backup's tables are not those of its revision: {what}",
        where="manifest.json",
        expected="a backup of a database whose tables nobody changed by hand",
        fix="use an earlier backup; nothing was changed",
    )


def _insert(connection: sa.Connection, table: sa.Table) -> sa.Insert:
    """An insert that takes documents as the text they are stored as."""
    values: dict[str, Any] = {}
    for each in table.c:
        if _kind(each) != "json":
            values[each.name] = sa.bindparam(each.name, type_=each.type)
        elif connection.dialect.name == "sqlite":
            each.type = sa.Text()  # or SQLAlchemy would write a document of the text
            values[each.name] = sa.bindparam(each.name, type_=sa.Text())
        else:
            values[each.name] = sa.cast(sa.bindparam(each.name, type_=sa.Text()), each.type)
    return table.insert().values(values)


def _batches(reader: Reader, part: Part) -> Iterator[list[dict[str, Any]]]:
    """Rows in groups that are small in number and in bytes."""
    names = [each.name for each in part.columns]
    batch: list[dict[str, Any]] = []
    size = 0
    for row in reader.rows(part):
        batch.append(dict(zip(names, row, strict=True)))
        size += sum(len(value) for value in row if isinstance(value, (str, bytes)))
        if len(batch) >= _ROWS_AT_ONCE or size >= _BYTES_AT_ONCE:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def _set_counters(connection: sa.Connection) -> None:
    """Let PostgreSQL number new rows after the highest there is; SQLite does so by itself."""
    if connection.dialect.name != "postgresql":
        return
    for table in _tables(connection):
        for column in table.primary_key.columns:
            counter = connection.execute(
                sa.select(sa.func.pg_get_serial_sequence(f'"{table.name}"', column.name))
            ).scalar()
            if counter is not None:
                highest = connection.execute(sa.select(sa.func.max(column))).scalar()
                connection.execute(
                    sa.select(sa.func.setval(counter, highest or 1, highest is not None))
                ).scalar()
