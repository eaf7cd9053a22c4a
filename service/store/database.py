"""Connections and transactions: a look reads, a change writes and leaves an audit line.

SQLite and PostgreSQL are used through the same SQL. Every look and change names the right it needs, so that
no action can forget to ask.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
import structlog
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, OperationalError

from service.callers import Caller, Right, Scope
from service.refusals import Conflict, Invalid, NoRoom, NotAllowed, Refusal, Unavailable
from service.store import schema

SECONDS_TO_WAIT = 5  # for another writer, or for a database that does not answer
AT_ONCE = 40  # connections that are kept: as many as there are threads that answer requests
_WRITING = "furrowslice_writing"
log = structlog.get_logger("furrowslice.database")


@dataclass(frozen=True)
class Look:
    """An open transaction that only reads."""

    connection: sa.Connection
    caller: Caller
    now: datetime

    @property
    def scope(self) -> Scope:
        """The part of the records that is the caller's."""
        return self.caller.scope


@dataclass(frozen=True)
class Change(Look):
    """An open transaction that writes; it is committed whole, or not at all."""

    _notes: list[str] = field(default_factory=list)

    def note(
        self,
        verb: str,
        kind: str,
        object_id: int | str,
        before: Mapping[str, Any] | None = None,
        after: Mapping[str, Any] | None = None,
        reason: str = "",
    ) -> None:
        """Write the audit line of what is changed: who, when, what, before and after.

        Personal data of growers do not belong in ``before`` and ``after``: name the fields that changed.
        """
        caller = self.caller
        self.connection.execute(
            schema.audit.insert().values(
                at=self.now, account_id=caller.account_id, who=caller.name, door=caller.door, verb=verb,
                kind=kind, object_id=str(object_id), before=before, after=after, reason=reason,
                request_id=caller.request_id,
            )
        )  # fmt: skip
        self._notes.append(verb)


def make_engine(url: str) -> sa.Engine:
    """Make the engine for a URL; nothing is connected yet.

    What rows hold never gets into the text of an error, and so never into the log.
    """
    if url.startswith("sqlite"):
        engine = sa.create_engine(
            url,
            connect_args={"timeout": SECONDS_TO_WAIT},
            pool_size=AT_ONCE,
            max_overflow=10,
            hide_parameters=True,
        )
        sa.event.listen(engine, "connect", _prepare_sqlite)
        sa.event.listen(engine, "begin", _begin_sqlite)
        return engine
    return sa.create_engine(
        url, pool_pre_ping=True, pool_size=AT_ONCE, max_overflow=10, pool_timeout=SECONDS_TO_WAIT,
        hide_parameters=True,
        connect_args={
            "connect_timeout": SECONDS_TO_WAIT,
            "tcp_user_timeout": 1000 * SECONDS_TO_WAIT,  # a server that went without a word
            "options": f"-c lock_timeout={1000 * SECONDS_TO_WAIT}",
        },
    )  # fmt: skip


def _prepare_sqlite(connection: Any, _record: object) -> None:
    connection.isolation_level = None  # the driver begins no transaction of its own: see _begin_sqlite
    # WAL lets readers go on while one writes; FULL keeps what was committed through a power cut.
    for pragma in ("synchronous=FULL", "foreign_keys=ON"):
        connection.execute(f"PRAGMA {pragma}")
    _keep_wal(connection)


def _keep_wal(connection: Any) -> None:
    """Turn a new file to WAL; while another process does so, SQLite says "locked" without waiting at all."""
    give_up = time.monotonic() + SECONDS_TO_WAIT
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError:
            if time.monotonic() > give_up:
                raise
            time.sleep(0.01)


def _begin_sqlite(connection: sa.Connection) -> None:
    """Begin at once as a writer where the transaction will write: two that read first would deadlock."""
    writing = connection.get_execution_options().get(_WRITING, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


@contextmanager
def begin_writing(connection: sa.Connection) -> Iterator[None]:
    """Begin a transaction that writes on a connection that has none yet."""
    connection.execution_options(**{_WRITING: True})
    with connection.begin():
        yield


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Database:
    """The database of one server.

    Parameters
    ----------
    engine
        From :func:`make_engine`.
    now
        The clock; tests give their own.
    """

    def __init__(self, engine: sa.Engine, now: Callable[[], datetime] = _utc_now) -> None:
        self.engine = engine
        self.now = now

    def close(self) -> None:
        """Let go of every connection."""
        self.engine.dispose()

    @contextmanager
    def look(self, caller: Caller, right: Right | None) -> Iterator[Look]:
        """Open a transaction that reads.

        Parameters
        ----------
        caller
            Who asks.
        right
            What the caller must be allowed; None where everybody who got here is.

        Raises
        ------
        NotAllowed
            If the caller may not.
        Unavailable
            If the database does not answer.
        """
        _check(caller, right)
        with worded(), self.engine.connect() as connection, connection.begin():
            yield Look(connection, caller, self.now())

    @contextmanager
    def change(self, caller: Caller, right: Right | None) -> Iterator[Change]:
        """Open a transaction that writes; commit at the end of the block, roll back on any error.

        Raises
        ------
        NotAllowed, Unavailable
            As :meth:`look`.
        Conflict
            If somebody else has just stored the same thing.
        NoRoom
            If the disk is full.
        """
        _check(caller, right)
        with worded(), self._writing() as connection:
            change = Change(connection, caller, self.now())
            yield change
            assert change._notes, "a change must leave an audit line"
            if caller.submission_id is not None:
                _carried_out(change, caller.submission_id)

    @contextmanager
    def housekeeping(self, caller: Caller) -> Iterator[Look]:
        """Open a transaction that writes what is no change of a record: sessions seen, tries counted."""
        with worded(), self._writing() as connection:
            yield Look(connection, caller, self.now())

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        with self.engine.connect() as connection, begin_writing(connection):
            yield connection


def _check(caller: Caller, right: Right | None) -> None:
    if right is not None and not caller.may(right):
        raise NotAllowed(
            "this is not part of your work here",
            where=right.value,
            expected="an account whose role does this",
            fix="ask the administrator, or go back to your own pages",
        )


def _carried_out(change: Change, submission_id: int) -> None:
    """Mark the submission together with what it stores: whatever breaks later, it is not done twice."""
    row = schema.submission
    marked = change.connection.execute(
        row.update().where(row.c.id == submission_id).values(carried_out=True)
    ).rowcount
    if marked != 1:
        raise Conflict(
            "this request took so long that its idempotency key was given to another try",
            where="Idempotency-Key",
            expected="one try at a time",
            fix="wait for the answer to the other try",
        )


@contextmanager
def worded() -> Iterator[None]:
    """Say in words what the database says in its own."""
    try:
        yield
    except IntegrityError as error:
        raise Conflict(
            "somebody has just stored the same, or removed what this belongs to",
            where="database",
            expected="something new",
            fix="load the page again and look at what is there now",
        ) from error
    except sa.exc.TimeoutError as error:  # every connection is in use
        raise _refusal(str(error)) from error
    except DataError as error:  # such as NUL, which PostgreSQL holds in no text
        raise Invalid(
            "something that was typed can neither be stored nor looked for",
            where="database",
            expected="characters that can be seen, and numbers in their range",
            fix="type it again",
        ) from error
    except DBAPIError as error:
        told = str(error.orig)  # the driver's words alone: the statement and its values could say anything
        if _is_ours(error, told):
            raise
        raise _refusal(told) from error


def _is_ours(error: DBAPIError, told: str) -> bool:
    """Whether the program asked for something impossible, which no waiting mends."""
    if not isinstance(error, OperationalError):
        return not error.connection_invalidated
    return told.startswith(("no such ", 'near "'))  # SQLite has no class of its own for these


def _refusal(told: str) -> Refusal:
    log.warning("database", told=told.partition("\n")[0])
    text = told.casefold()
    if "is full" in text or "no space left" in text:
        return NoRoom(
            "the disk is full, so nothing was stored",
            where="database",
            expected="room for what was sent",
            fix="make room on the server's disk, then send it again",
        )
    return Unavailable(
        "the database does not answer, so nothing was stored",
        where="database",
        expected="an answer within a few seconds",
        fix="wait a moment and send it again; if it goes on, tell whoever runs the server",
    )
