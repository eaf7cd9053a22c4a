"""The revisions of the schema: from each of them forward with data in it, whole or not at all."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from interpretation.errors import FurrowsliceError
from service.store import migrating
from service.store.database import make_engine
from service.store.migrating import alone, current, migrate, remaking, revisions
from service.store.schema import metadata
from tests.app.server.filling import ROWS, content, fill, found_tables

KINDS = ("sqlite", "postgresql")
BREAKS = """
from alembic import op
import sqlalchemy as sa

revision, down_revision = "breaks", {last!r}

def upgrade():
    op.create_table("novelty", sa.Column("id", sa.Integer, primary_key=True))
    with op.batch_alter_table("laboratory") as batch:
        batch.add_column(sa.Column("novel", sa.Text))
    op.execute("DELETE FROM audit")
    op.execute({then!r})
"""


@pytest.fixture(params=KINDS)
def engine(request: pytest.FixtureRequest, make_empty_url: Callable[[str], str]) -> Iterator[sa.Engine]:
    """An engine on a database without tables."""
    made = make_engine(make_empty_url(request.param))
    yield made
    made.dispose()


@pytest.fixture
def one_more(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[str], None]:
    """Add a revision after the last, which ends with a statement."""
    folder = tmp_path / "migrations"

    def add(then: str) -> None:
        last = revisions()[-1]
        (folder / "versions").mkdir(parents=True)
        for path in (*migrating._FOLDER.glob("*.*"), *migrating._FOLDER.glob("versions/*.py")):
            (folder / path.relative_to(migrating._FOLDER)).write_bytes(path.read_bytes())
        (folder / "versions" / "rev_breaks.py").write_text(BREAKS.format(last=last, then=then))
        monkeypatch.setattr(migrating, "_FOLDER", folder)

    return add


def shape(engine: sa.Engine) -> dict[str, list[str]]:
    with engine.connect() as connection:
        return {table.name: sorted(table.c.keys()) for table in found_tables(connection)}


@pytest.mark.parametrize("revision", revisions())
def test_what_an_older_revision_holds_is_there_after_migrating(engine: sa.Engine, revision: str) -> None:
    migrate(engine, revision)
    with engine.begin() as connection:
        fill(connection)
        before = content(connection)
    assert all(len(rows) == ROWS for rows in before.values())
    migrate(engine)
    assert current(engine) == revisions()[-1]
    with engine.connect() as connection:
        after = content(connection)
    assert before.keys() <= after.keys()
    for name, rows in before.items():
        assert len(after[name]) >= len(rows), name
    if revision == revisions()[-1]:
        assert after == before


def test_the_revisions_lead_to_the_schema_of_the_code(engine: sa.Engine) -> None:
    migrate(engine)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_migrating_twice_changes_nothing(engine: sa.Engine) -> None:
    migrate(engine)
    with engine.begin() as connection:
        fill(connection)
        before = content(connection)
    migrate(engine)
    with engine.connect() as connection:
        assert content(connection) == before


def test_a_revision_that_is_not_known_is_refused_in_words(engine: sa.Engine) -> None:
    migrate(engine)
    with engine.begin() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(FurrowsliceError) as refused:
        migrate(engine)
    assert "at revision 9999, which this version does not know" in str(refused.value)
    assert f"Expected: one of {', '.join(revisions())}" in str(refused.value)
    assert "To fix it: install the version of furrowslice that last wrote it" in str(refused.value)


def test_the_database_of_another_program_is_left_alone(engine: sa.Engine) -> None:
    with engine.begin() as connection:
        connection.execute(sa.text("CREATE TABLE stock (id INTEGER PRIMARY KEY)"))
    with pytest.raises(FurrowsliceError, match="tables of another program: stock"):
        migrate(engine)
    assert shape(engine) == {"stock": ["id"]}


@pytest.mark.parametrize(
    "then",
    ["INSERT INTO nowhere VALUES (1)", "DELETE FROM laboratory"],
    ids=["fails in the middle", "would leave rows that point at nothing"],
)
def test_a_migration_that_fails_leaves_everything_as_it_was(
    engine: sa.Engine, one_more: Callable[[str], None], then: str
) -> None:
    migrate(engine)
    with engine.begin() as connection:
        fill(connection)
        before = content(connection)
    shaped, at = shape(engine), current(engine)
    one_more(then)
    with pytest.raises((FurrowsliceError, sa.exc.DBAPIError)):
        migrate(engine)
    assert shape(engine) == shaped
    with engine.connect() as connection:
        assert content(connection) == before
        assert migrating.revision_of(connection) == at


def test_a_table_that_others_point_at_can_be_rebuilt(
    engine: sa.Engine, one_more: Callable[[str], None]
) -> None:
    migrate(engine)
    with engine.begin() as connection:
        fill(connection)
        before = content(connection)
    one_more("UPDATE laboratory SET novel = name")
    migrate(engine)
    with engine.connect() as connection:
        after = content(connection)
    assert "novel" in shape(engine)["laboratory"]
    assert len(after["laboratory"]) == len(before["laboratory"])
    assert after["grower"] == before["grower"]  # which point at laboratories


def test_foreign_keys_are_followed_again_after_a_migration(engine: sa.Engine) -> None:
    migrate(engine)
    with engine.connect() as connection, connection.begin():
        orphan = sa.text("INSERT INTO farm (grower_id) VALUES (12345)")
        with pytest.raises(sa.exc.IntegrityError):
            connection.execute(orphan)


def test_two_that_migrate_at_once_do_it_once(engine: sa.Engine) -> None:
    failed: list[BaseException] = []
    together = threading.Barrier(4)

    def one() -> None:
        together.wait()
        try:
            migrate(engine)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=one) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert current(engine) == revisions()[-1]


def test_a_second_one_waits_until_the_first_has_ended(engine: sa.Engine) -> None:
    order: list[str] = []
    inside, go_on = threading.Event(), threading.Event()

    def first() -> None:
        with remaking(engine):
            inside.set()
            go_on.wait(10)
            order.append("first ends")

    def second() -> None:
        with remaking(engine):
            order.append("second begins")

    threads = [threading.Thread(target=first), threading.Thread(target=second)]
    threads[0].start()
    assert inside.wait(10)
    threads[1].start()
    threads[1].join(0.3)
    assert order == []  # it is waiting
    go_on.set()
    for thread in threads:
        thread.join()
    assert order == ["first ends", "second begins"]


def test_a_process_that_hangs_while_it_starts_is_named(
    make_empty_url: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = make_engine(make_empty_url("sqlite"))
    monkeypatch.setattr(migrating, "_SECONDS_FOR_ANOTHER", 0.1)
    with alone(engine):
        other = alone(engine)
        with pytest.raises(FurrowsliceError, match="another process is making the database ready"), other:
            pytest.fail("both were let in")
    with alone(engine):  # and it is free again
        pass
    engine.dispose()
