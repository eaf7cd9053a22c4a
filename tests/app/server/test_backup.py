"""Backups: everything there and back on either engine, whole or not at all, while others write."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import stat
import subprocess
import sys
import threading
import tracemalloc
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx2
import pytest
import sqlalchemy as sa

from interpretation.errors import FurrowsliceError
from service.actions.keeping import backup, restore
from service.backupfile import MANIFEST
from service.cli import app
from service.store import schema
from service.store.database import Database, make_engine
from service.store.migrating import current, migrate, revisions
from tests.app.server.filling import content, fill
from tests.app.server.live import environment, live

KINDS = ("sqlite", "postgresql")
NOW = datetime(2026, 4, 20, 9, 0, tzinfo=UTC)
Made = Callable[[str], Database]


@pytest.fixture
def made(make_url: Callable[[str], str]) -> Iterator[Made]:
    """Make a migrated database without rows."""
    databases: list[Database] = []

    def make(kind: str) -> Database:
        databases.append(Database(make_engine(make_url(kind)), lambda: NOW))
        with databases[-1].engine.begin() as connection:
            connection.execute(schema.table_release.delete())  # the shipped tables, which others begin with
        return databases[-1]

    yield make
    for database in databases:
        database.close()


@pytest.fixture
def filled(made: Made) -> Made:
    """Make a database with rows in every table and something in every column."""

    def make(kind: str) -> Database:
        database = made(kind)
        with database.engine.begin() as connection:
            fill(connection)
        return database

    return make


def everything(database: Database) -> dict[str, list[tuple[object, ...]]]:
    with database.engine.connect() as connection:
        return content(connection)


def without_the_restoring(found: dict[str, list[tuple[object, ...]]]) -> dict[str, list[tuple[object, ...]]]:
    """What is there less the audit line of restoring itself."""
    return found | {"audit": [row for row in found["audit"] if "restore" not in row]}


@pytest.mark.parametrize("there", KINDS)
@pytest.mark.parametrize("here", KINDS)
def test_everything_comes_back_on_either_engine(
    here: str, there: str, filled: Made, made: Made, tmp_path: Path
) -> None:
    kept, file = filled(here), tmp_path / "kept.backup"
    before = everything(kept)
    assert all(
        all(any(row[i] is not None for row in rows) for i in range(len(rows[0]))) for rows in before.values()
    )
    told = backup(kept, file)
    assert (told.rows, told.revision, told.made_at) == (sum(map(len, before.values())), revisions()[-1], NOW)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    target = made(there)
    assert restore(target, file, replace=False) == told
    after = everything(target)
    assert without_the_restoring(after) == before
    assert len(after["audit"]) == len(before["audit"]) + 1
    assert everything(kept) == before


@pytest.mark.parametrize("kind", KINDS)
def test_null_and_a_document_of_null_stay_apart(kind: str, made: Made, tmp_path: Path) -> None:
    kept = made(kind)
    asked = sa.text("SELECT id, before IS NULL FROM audit WHERE verb != 'restore' ORDER BY id")
    with kept.engine.begin() as connection:
        for before in (sa.null(), None, sa.JSON.NULL, {}):
            connection.execute(
                schema.audit.insert().values(
                    at=NOW, who="", door="", verb="", kind="", object_id="", before=before
                )
            )
        told = [tuple(row) for row in connection.execute(asked)]
    assert len({null for _, null in told}) == 2
    backup(kept, tmp_path / "kept")
    for other in KINDS:
        target = made(other)
        restore(target, tmp_path / "kept", replace=False)
        with target.engine.connect() as connection:
            assert [tuple(row) for row in connection.execute(asked)] == told


@pytest.mark.parametrize("kind", KINDS)
def test_new_rows_are_numbered_after_those_that_came_back(
    kind: str, filled: Made, made: Made, tmp_path: Path
) -> None:
    backup(filled("sqlite"), tmp_path / "kept")
    target = made(kind)
    restore(target, tmp_path / "kept", replace=False)
    with target.engine.begin() as connection:
        for table in schema.metadata.sorted_tables:
            if "id" not in table.c or not isinstance(table.c.id.type, sa.Integer):
                continue
            highest = connection.execute(sa.select(sa.func.max(table.c.id))).scalar_one()
            if connection.dialect.name == "postgresql":
                counter = sa.func.nextval(sa.func.pg_get_serial_sequence(table.name, "id"))
                assert connection.execute(sa.select(counter)).scalar_one() == highest + 1, table.name
        added = connection.execute(
            schema.laboratory.insert()
            .values(name="x", card={}, created_at=NOW)
            .returning(schema.laboratory.c.id)
        )
        assert added.scalar_one() > 9


@pytest.mark.parametrize("kind", KINDS)
def test_a_database_that_holds_something_is_kept_unless_told(
    kind: str, filled: Made, made: Made, tmp_path: Path
) -> None:
    backup(filled("sqlite"), tmp_path / "kept")
    target = made(kind)
    with target.engine.begin() as connection:
        connection.execute(schema.county.insert().values(id="upper", name="Upper", region="marrowdale"))
    before = everything(target)
    with pytest.raises(FurrowsliceError) as refused:
        restore(target, tmp_path / "kept", replace=False)
    assert "the database is not empty: there are rows in county" in str(refused.value)
    assert "make a backup of it, then add --replace" in str(refused.value)
    assert everything(target) == before
    restore(target, tmp_path / "kept", replace=True)
    assert ("upper", "Upper", "marrowdale") not in everything(target)["county"]
    assert len(everything(target)["county"]) == 3


@pytest.mark.parametrize("kind", KINDS)
def test_a_backup_is_of_one_moment_while_others_write(kind: str, made: Made, tmp_path: Path) -> None:
    kept = made(kind)
    with kept.engine.begin() as connection:
        connection.execute(schema.laboratory.insert().values(name="x", card={}, created_at=NOW))
    stop, failed = threading.Event(), []

    def write() -> None:
        """Store growers with their farms, whole every time."""
        try:
            while not stop.is_set():
                with kept._writing() as connection:
                    grower = connection.execute(
                        schema.grower.insert()
                        .values(laboratory_id=1, created_at=NOW)
                        .returning(schema.grower.c.id)
                    ).scalar_one()
                    connection.execute(schema.farm.insert().values(grower_id=grower, name="farm"))
        except BaseException as error:
            failed.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    files = [tmp_path / f"{number}.backup" for number in range(5)]
    counts = []
    for file in files:
        parts = {part.table: part.rows for part in backup(kept, file).parts}
        counts.append((parts["grower"], parts["farm"]))
    stop.set()
    writer.join()
    assert failed == []
    assert counts[-1][0] > counts[0][0]  # it was written all the while
    assert all(growers == farms for growers, farms in counts)
    target = made(kind)
    restore(target, files[-1], replace=False)
    pointing = sa.text("SELECT count(*) FROM farm WHERE grower_id NOT IN (SELECT id FROM grower)")
    with target.engine.connect() as connection:
        assert connection.execute(pointing).scalar_one() == 0


@pytest.mark.parametrize("kind", KINDS)
def test_a_row_that_points_at_nothing_is_not_restored(
    kind: str, filled: Made, made: Made, tmp_path: Path
) -> None:
    file = tmp_path / "kept"
    backup(filled("sqlite"), file)
    rewrite(file, "farm", lambda rows: [[row[0], 999, *row[2:]] for row in rows])
    target = made(kind)
    before = everything(target)
    with pytest.raises(FurrowsliceError):
        restore(target, file, replace=False)
    assert everything(target) == before


def rewrite(file: Path, table: str, change: Callable[[list[list[object]]], list[list[object]]]) -> None:
    """Change a table of a backup, with the sums that belong to it."""
    with zipfile.ZipFile(file) as archive:
        held = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(held[MANIFEST])
    name = f"tables/{table}.jsonl"
    rows = change([json.loads(line) for line in held[name].splitlines()])
    held[name] = b"".join(json.dumps(row).encode() + b"\n" for row in rows)
    for part in manifest["parts"]:
        if part["table"] == table:
            part |= {"rows": len(rows), "sha256": hashlib.sha256(held[name]).hexdigest()}
    held[MANIFEST] = json.dumps(manifest).encode()
    with zipfile.ZipFile(file, "w") as archive:
        for name, text in held.items():
            archive.writestr(name, text)


def cut(file: Path) -> None:
    file.write_bytes(file.read_bytes()[:-200])


def letter(file: Path) -> None:
    file.write_text("Dear laboratory,")


def bent(file: Path) -> None:
    """Change one byte in the middle."""
    raw = bytearray(file.read_bytes())
    raw[len(raw) // 3] ^= 0xFF
    file.write_bytes(raw)


def other_rows(file: Path) -> None:
    """Swap a table's content without its sum."""
    with zipfile.ZipFile(file) as archive:
        held = {name: archive.read(name) for name in archive.namelist()}
    held["tables/county.jsonl"] = held["tables/county.jsonl"].replace(b"name 0", b"name 9")
    with zipfile.ZipFile(file, "w") as archive:
        for name, text in held.items():
            archive.writestr(name, text)


def without_a_table(file: Path) -> None:
    with zipfile.ZipFile(file) as archive:
        held = {name: archive.read(name) for name in archive.namelist() if "county" not in name}
    with zipfile.ZipFile(file, "w") as archive:
        for name, text in held.items():
            archive.writestr(name, text)


def another_archive(file: Path) -> None:
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("letter.txt", "Dear laboratory,")


def told(**changed: object) -> Callable[[Path], None]:
    """A backup whose manifest says something else."""

    def change(file: Path) -> None:
        with zipfile.ZipFile(file) as archive:
            held = {name: archive.read(name) for name in archive.namelist()}
        held[MANIFEST] = json.dumps(json.loads(held[MANIFEST]) | changed).encode()
        with zipfile.ZipFile(file, "w") as archive:
            for name, text in held.items():
                archive.writestr(name, text)

    return change


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (cut, "it is no backup, or was cut short"),
        (letter, "it is no backup, or was cut short"),
        (bent, "the backup cannot be used"),
        (other_rows, "tables/county.jsonl is not as it was written"),
        (without_a_table, "tables/account_county.jsonl is missing or cannot be read"),
        (another_archive, "it has no manifest"),
        (told(format="another"), "its manifest is of another program"),
        (told(version=2), "the backup is of format 2, which this version does not know"),
        (told(parts=5), "its manifest is not as it was written"),
        (told(revision="9999"), "the backup is at revision 9999, which this version does not know"),
        (told(parts=[]), "the backup's tables are not those of its revision"),
        (Path.unlink, "the backup cannot be read: No such file or directory"),
    ],
)
def test_a_file_that_cannot_be_trusted_changes_nothing(
    damage: Callable[[Path], None], said: str, filled: Made, tmp_path: Path
) -> None:
    kept, file = filled("sqlite"), tmp_path / "kept"
    backup(kept, file)
    before = everything(kept)
    damage(file)
    with pytest.raises(FurrowsliceError) as refused:
        restore(kept, file, replace=True)
    assert said in str(refused.value)
    assert "To fix it: " in str(refused.value)
    assert everything(kept) == before


def test_a_value_of_the_wrong_kind_changes_nothing(filled: Made, tmp_path: Path) -> None:
    kept, file = filled("sqlite"), tmp_path / "kept"
    backup(kept, file)
    before = everything(kept)
    rewrite(file, "audit", lambda rows: [[row[0], "yesterday", *row[2:]] for row in rows])
    with pytest.raises(FurrowsliceError, match="holds a row that cannot be read"):
        restore(kept, file, replace=True)
    assert everything(kept) == before


@pytest.mark.parametrize("there", KINDS)
@pytest.mark.parametrize("revision", revisions())
def test_a_backup_of_an_older_revision_is_brought_forward(
    revision: str, there: str, make_empty_url: Callable[[str], str], tmp_path: Path
) -> None:
    old, new = (Database(make_engine(make_empty_url(kind)), lambda: NOW) for kind in ("sqlite", there))
    migrate(old.engine, revision)
    with old.engine.begin() as connection:
        fill(connection)
    assert backup(old, tmp_path / "kept").revision == revision
    restore(new, tmp_path / "kept", replace=False)
    assert current(new.engine) == revisions()[-1]
    assert all(len(rows) >= 3 for name, rows in everything(new).items() if name in everything(old))
    for database in (old, new):
        database.close()


def test_an_empty_database_is_not_kept(make_empty_url: Callable[[str], str], tmp_path: Path) -> None:
    database = Database(make_engine(make_empty_url("sqlite")))
    with pytest.raises(FurrowsliceError, match="the database is empty, so there is nothing to keep"):
        backup(database, tmp_path / "kept")
    assert not (tmp_path / "kept").exists()
    assert list(tmp_path.glob(".part-*")) == []
    database.close()


def test_no_row_is_held_in_memory_for_long(made: Made, tmp_path: Path) -> None:
    """A document is written before the next is read: 80 of 1 MiB go through in less than half."""
    kept = made("sqlite")
    with kept._writing() as connection:
        for number in range(80):
            connection.execute(
                schema.document.insert().values(sha256=str(number), content=os.urandom(2**20), created_at=NOW)
            )
    target = made("sqlite")
    tracemalloc.start()
    backup(kept, tmp_path / "kept")
    restore(target, tmp_path / "kept", replace=False)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 40 * 2**20


def test_a_kill_in_the_middle_leaves_no_backup(filled: Made, tmp_path: Path) -> None:
    kept, file = filled("sqlite"), tmp_path / "kept"
    stuck = (
        "import sys, time, service.backupfile as b\n"
        "b.Writer.finish = lambda *_: (print('written', flush=True), time.sleep(60))\n"
        "from service.cli.app import main; main()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", stuck, "backup", str(file), "--data", str(tmp_path)],
        env=environment(), stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    Path(str(kept.engine.url.database)).rename(tmp_path / "furrowslice.sqlite3")
    assert process.stdout is not None
    assert process.stdout.readline() == "written\n"
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    assert not file.exists()


@pytest.mark.parametrize("kind", KINDS)
def test_a_server_goes_on_over_backup_and_restore(
    kind: str, make_empty_url: Callable[[str], str], tmp_path: Path
) -> None:
    url = make_empty_url(kind)
    file = tmp_path / "kept"
    with live(tmp_path, "--no-demo", database_url=url) as server:
        client = httpx2.Client(base_url=server.address, cookies=server.cookie("administrator@localhost"))
        database = Database(make_engine(url))
        for _ in range(8):  # so often that a driver prepares its statements
            assert client.get("/counties").status_code == 200
        backup(database, file)
        with database._writing() as connection:
            connection.execute(schema.county.insert().values(id="east", name="Eastmost", region="marrowdale"))
        assert "Eastmost" in client.get("/counties").text
        restore(database, file, replace=True)
        for _ in range(8):
            page = client.get("/counties")
            assert page.status_code == 200  # the session is in the backup as well
            assert "Eastmost" not in page.text
        assert client.get("/changes").status_code == 200
        client.close()
        database.close()


def test_the_commands_say_what_they_did(
    filled: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    url, file = str(filled("sqlite").engine.url), tmp_path / "kept"

    def run(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["furrowslice", *arguments])
        status = 0
        try:
            app.main()
        except SystemExit as end:
            status = int(end.code or 0)
        printed = capsys.readouterr()
        return status, printed.out, printed.err

    status, out, _ = run("backup", str(file), "--database-url", url)
    assert status == 0
    assert out.startswith("Backed up: ")
    assert str(file) in out
    status, out, _ = run("restore", str(file), "--data", str(tmp_path / "new"))
    assert status == 0
    assert out.startswith("Restored: ")
    database = tmp_path / "new" / "furrowslice.sqlite3"
    assert stat.S_IMODE(database.stat().st_mode) == 0o600
    status, _, err = run("restore", str(file), "--data", str(tmp_path / "new"))
    assert status == 2
    assert "the database is not empty" in err
    status, out, _ = run("restore", str(file), "--data", str(tmp_path / "new"), "--replace")
    assert status == 0
    status, _, err = run("backup", str(file), "--data", str(tmp_path / "nowhere"))
    assert status == 2
    assert "there is no database to keep" in err
    assert not (tmp_path / "nowhere").exists()
