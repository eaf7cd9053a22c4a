"""Bringing a database to the newest revision of its schema."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from interpretation.errors import FurrowsliceError

_FOLDER = Path(__file__).parent / "migrations"


def _config(connection: sa.Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_FOLDER))
    config.attributes["connection"] = connection
    return config


def revisions() -> tuple[str, ...]:
    """Every revision, oldest first."""
    script = ScriptDirectory.from_config(_config())
    return tuple(reversed([each.revision for each in script.walk_revisions()]))


def current(engine: sa.Engine) -> str | None:
    """The revision a database is at; None for an empty one."""
    with engine.connect() as connection:
        revision: str | None = MigrationContext.configure(connection).get_current_revision()
        return revision


def migrate(engine: sa.Engine, to: str = "head") -> None:
    """Bring a database forward, in one transaction where the engine can.

    Raises
    ------
    FurrowsliceError
        If the database was written by a newer version of this program.
    """
    at = current(engine)
    if at is not None and at not in revisions():
        raise FurrowsliceError(
            f"the database is at revision {at}, which this version does not know",
            where="database",
            expected=f"one of {', '.join(revisions())}",
            fix="install the version of furrowslice that last wrote it, or a newer one",
        )
    with engine.begin() as connection:
        command.upgrade(_config(connection), to)
