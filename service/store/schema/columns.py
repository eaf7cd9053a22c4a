"""What every table is made of: the names of constraints, instants, and columns that come again."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from service.characters import search_words

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = sa.MetaData(naming_convention=NAMES)


class Utc(sa.types.TypeDecorator[datetime]):
    """An instant. SQLite forgets the zone of a time, so everything is stored as UTC and comes back so."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, _dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant without a time zone cannot be stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, _dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def row_id() -> sa.Column[int]:
    """A row's number, given by the database."""
    return sa.Column("id", sa.Integer, primary_key=True, autoincrement=True)


def text(name: str, **more: Any) -> sa.Column[str]:
    """A text that is never NULL: what is not known is empty."""
    return sa.Column(name, sa.Text, nullable=False, server_default="", **more)


def number(name: str) -> sa.Column[float]:
    """A number; NULL where it is not known."""
    return sa.Column(name, sa.Float(53), nullable=True)


def flag(name: str) -> sa.Column[bool]:
    """Yes or no; no unless it is said."""
    return sa.Column(name, sa.Boolean, nullable=False, server_default=sa.false())


def search_column(*of: str) -> sa.Column[str]:
    """The words by which a row is found: made from other columns when it is added.

    Whoever changes one of those columns later writes this one too, with ``search_words``.
    """

    def made(context: Any) -> str:
        given = context.get_current_parameters()
        return search_words(*(given.get(name) or "" for name in of))

    return sa.Column("words", sa.Text, nullable=False, server_default="", default=made)


def to(name: str, target: str, *, nullable: bool = False, **more: Any) -> sa.Column[int]:
    """A row of another table."""
    return sa.Column(name, sa.ForeignKey(target), nullable=nullable, **more)
