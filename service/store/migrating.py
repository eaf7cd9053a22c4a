"""Bringing a database to the newest revision of its schema, whole or not at all, by one process at a time."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from interpretation.errors import FurrowsliceError
from service.store.database import begin_writing, worded

_FOLDER = Path(__file__).parent / "migrations"
# Any two numbers that no other program on the same PostgreSQL is likely to take.
_REMAKING, _ALONE = 7_283_101, 7_283_102
_SECONDS_FOR_ANOTHER = 300


def _config(connection: sa.Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_FOLDER))
    config.attributes["connection"] = connection
    return config


def reach(engine: sa.Engine) -> None:
    """Make sure that the database answers.

    Raises
    ------
    FurrowsliceError
        With the reason that the driver gives, and without the password.
    """
    try:
        with engine.connect() as connection:
            sa.inspect(connection).get_table_names()
    except sa.exc.DBAPIError as error:
        told = " ".join(str(error.orig).split("\n")[0].split())
        raise FurrowsliceError(
            f"the database cannot be reached: {told}",
            where=engine.url.render_as_string(hide_password=True),
            expected="a database that answers, and that this user may use",
            fix="start it, or correct --database-url or --data (FURROWSLICE_DATABASE_URL, FURROWSLICE_DATA)",
        ) from None


def revisions() -> tuple[str, ...]:
    """Every revision, oldest first."""
    script = ScriptDirectory.from_config(_config())
    return tuple(reversed([each.revision for each in script.walk_revisions()]))


def revision_of(connection: sa.Connection) -> str | None:
    """The revision a database is at; None for an empty one."""
    revision: str | None = MigrationContext.configure(connection).get_current_revision()
    return revision


def current(engine: sa.Engine) -> str | None:
    """The revision a database is at; None for an empty one."""
    with worded(), engine.connect() as connection:
        return revision_of(connection)


def migrate(engine: sa.Engine, to: str = "head") -> None:
    """Bring a database forward, in one transaction; nothing happens to one that is there already.

    Raises
    ------
    FurrowsliceError
        If the database was written by a newer version of this program, or by another program.
    Unavailable, NoRoom
        If the database does not answer, or the disk is full.
    """
    with remaking(engine) as connection:
        advance(connection, to)


def advance(connection: sa.Connection, to: str = "head") -> None:
    """Bring a database forward within a transaction of :func:`remaking`."""
    at = revision_of(connection)
    if at is not None and at not in revisions():
        raise FurrowsliceError(
            f"the database is at revision {at}, which this version does not know",
            where="database",
            expected=f"one of {', '.join(revisions())}",
            fix="install the version of furrowslice that last wrote it, or a newer one",
        )
    strange = [name for name in sa.inspect(connection).get_table_names() if name != "alembic_version"]
    if at is None and strange:
        raise FurrowsliceError(
            f"the database holds tables of another program: {', '.join(sorted(strange)[:3])}",
            where="database",
            expected="an empty database, or one of furrowslice",
            fix="give the server a database of its own",
        )
    command.upgrade(_config(connection), to)


@contextmanager
def remaking(engine: sa.Engine) -> Iterator[sa.Connection]:
    """Open a transaction that may change the schema; a second process waits until it has ended.

    SQLite changes a table by building a new one and dropping the old one, to which other tables point. So
    its foreign keys are not followed on the way, and every one of them is checked at the end instead.
    """
    with worded(), engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            driver = connection.connection.driver_connection
            assert driver is not None
            driver.execute("PRAGMA foreign_keys=OFF")  # heard only outside of a transaction
            try:
                with begin_writing(connection):
                    yield connection
                    _check_foreign_keys(connection)
            finally:
                driver.execute("PRAGMA foreign_keys=ON")
        else:
            with begin_writing(connection):
                connection.execute(sa.text("SET LOCAL lock_timeout = 0"))  # wait for readers to finish
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_REMAKING)))
                yield connection


def _check_foreign_keys(connection: sa.Connection) -> None:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    if broken is not None:
        raise FurrowsliceError(
            f"a row of {broken[0]} would point at a row of {broken[2]} that is not there",
            where="database",
            expected="rows that all point at something",
            fix="nothing was changed; keep the file and tell whoever maintains furrowslice",
        )


@contextmanager
def alone(engine: sa.Engine) -> Iterator[None]:
    """Hold off every other process that starts on the same database until the block ends.

    Several transactions may go on inside: preparing a database is more than its schema. The lock goes with
    the process that holds it, so that a kill leaves nothing to be cleared away.
    """
    path = engine.url.database
    if engine.dialect.name == "sqlite" and path:
        # Beside the database and not in it, where it would hold off our own transactions as well.
        with closing(sqlite3.connect(f"{path}.starting", timeout=_SECONDS_FOR_ANOTHER)) as lock:
            lock.isolation_level = None
            try:
                lock.execute("BEGIN EXCLUSIVE")
            except sqlite3.OperationalError as error:
                raise FurrowsliceError(
                    f"another process is making the database ready: {error}",
                    where=f"{path}.starting",
                    expected=f"that it ends within {_SECONDS_FOR_ANOTHER} seconds",
                    fix="stop the other process, or wait for it and start again",
                ) from None
            yield
    else:
        with worded(), engine.connect() as connection, connection.begin():
            connection.execute(sa.text("SET LOCAL lock_timeout = 0"))
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ALONE)))
            yield
