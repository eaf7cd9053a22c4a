"""Work that one process on a database does at a time: a lock that goes with the process that holds it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass

import sqlalchemy as sa

from service.store.database import worded

# A number that no other program on the same PostgreSQL is likely to take; see also migrating.
MAILING = 7_283_103
_FILES = {MAILING: "mailing"}


@dataclass(frozen=True)
class Turn:
    """A lock that is held.

    On PostgreSQL it is lost when its connection is: with a restart of the database, or a broken network.
    """

    connection: sa.Connection | None  # None: SQLite, where it is a file that cannot be lost

    def is_held(self) -> bool:
        """Whether the lock is still ours."""
        if self.connection is None:
            return True
        try:
            self.connection.execute(sa.select(1))
        except sa.exc.SQLAlchemyError:
            return False
        return True


@contextmanager
def turn(engine: sa.Engine, work: int) -> Iterator[Turn | None]:
    """Hold a lock for the length of a block; None where another process holds it.

    A kill leaves nothing to be cleared away.
    """
    path = engine.url.database
    if engine.dialect.name != "sqlite":
        with worded(), engine.connect() as opened:
            connection = opened.execution_options(isolation_level="AUTOCOMMIT")
            if not connection.scalar(sa.select(sa.func.pg_try_advisory_lock(work))):
                yield None
                return
            try:
                yield Turn(connection)
            finally:
                # Back in the pool it would go on holding the lock; a connection that broke holds none.
                with suppress(sa.exc.SQLAlchemyError):
                    connection.scalar(sa.select(sa.func.pg_advisory_unlock(work)))
        return
    # Beside the database and not in it, where it would hold off our own transactions as well.
    with closing(sqlite3.connect(f"{path}.{_FILES[work]}", timeout=0, isolation_level=None)) as lock:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError:
            yield None
            return
        yield Turn(None)
