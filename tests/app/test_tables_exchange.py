"""``furrowslice tables export``, ``import``, ``diff``, ``history`` and ``verify`` as somebody types them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.actions.seeding import seed
from service.bookfiles import forms
from service.callers import operator
from service.entries.entry import Entry
from service.entries.writing import entries_of
from service.settings import Settings
from service.site import Site
from service.store import drafts, schema
from service.store.database import Database, make_engine
from service.store.migrating import migrate
from service.tablefiles import check_directory, read_tables
from tests.app.test_command_line import Command, Done, answer
from tests.app.test_command_line import command as furrowslice

__all__ = ["furrowslice"]  # the fixture

CASES = Path(__file__).parents[1] / "cases" / "shown_tables"
SCALE = "vale/phosphorus-heavy"
FILE = "vale/scales/phosphorus-heavy.yaml"
Tables = Callable[..., Done]


@pytest.fixture
def tables(furrowslice: Command) -> Tables:
    return lambda *arguments: furrowslice("tables", *arguments)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of tables to be changed."""
    return shutil.copytree(CASES, tmp_path / "tables")


def with_title(title: str, folder: Path = CASES, table: str = SCALE) -> Entry:
    one = next(each for each in entries_of(read_tables(folder), "vale") if each.id == table)
    return one.model_copy(update={"facts": one.facts | {"title": title}})


def csv_file(path: Path, *found: Entry) -> Path:
    path.write_bytes(forms.write("csv", "vale", found))
    return path


def refused(done: Done, *parts: str) -> None:
    assert done.status == 2, done
    for part in parts:
        assert part in done.err
    assert "To fix it" in done.err


# -------------------------------------------------------------------------------------------------- export


@pytest.mark.parametrize("name", ["vale.xlsx", "vale.csv.zip", "vale.yaml.zip", "folder"])
def test_what_is_exported_does_not_differ(tables: Tables, tmp_path: Path, name: str) -> None:
    done = tables("export", "vale", "--tables", CASES, "--to", tmp_path / name)
    assert (done.status, done.err) == (0, "")
    assert done.out.startswith("8 tables of vale: ")
    side = tmp_path / name / "vale" if name == "folder" else tmp_path / name
    differs = tables("diff", CASES, side)
    assert (differs.status, differs.out) == (0, "Nothing differs.\n")


def test_a_file_edited_by_hand_is_tidied_by_exporting_its_region_onto_itself(
    tables: Tables, folder: Path
) -> None:
    first = tables("export", "vale", "--tables", folder, "--to", folder)
    assert "8 tables of vale" in first.out
    tidy = {path: path.read_bytes() for path in folder.rglob("*.yaml")}
    (folder / FILE).write_text(
        "# mine\n" + (folder / FILE).read_text().replace("round_to: 1", "round_to:   1.0")
    )
    again = tables("export", "vale", "--tables", folder, "--to", folder)
    assert again.out.endswith("1 files written, 7 were so already.\n")
    assert {path: path.read_bytes() for path in folder.rglob("*.yaml")} == tidy
    assert [str(each) for each in check_directory(folder)] == [str(each) for each in check_directory(CASES)]


def test_one_table_is_one_file(tables: Tables, tmp_path: Path) -> None:
    for name in ("p.yaml", "p.xlsx", "p.csv.zip"):
        assert tables("export", SCALE, "--tables", CASES, "--to", tmp_path / name).status == 0
        (only,) = forms.read(name, (tmp_path / name).read_bytes()).entries
        assert only.id == SCALE


def test_an_export_that_is_not_clear_is_refused(tables: Tables, tmp_path: Path, folder: Path) -> None:
    def exported(name: str, to: Path, *more: object) -> Done:
        return tables("export", name, "--tables", folder, "--to", to, *more)

    refused(
        exported("vale", tmp_path / "a.zip"), "it is not clear what a.zip is to hold", "--as csv or --as yaml"
    )
    refused(exported("vale", tmp_path / "a.xlsx", "--as", "csv"), "it is not clear what a.xlsx is to hold")
    refused(exported("vale", tmp_path / "a.zip", "--as", "xlsx"), "a workbook is no .zip")
    refused(exported("vale", tmp_path / "a.yaml"), "a region is more than one file of YAML")
    refused(exported("dale", tmp_path / "a.xlsx"), "there is no region and no region's table 'dale'")
    refused(exported("vale", tmp_path / "a.xlsx", "--in-force"), "cannot be exported at once")
    (folder / FILE).rename(folder / "vale/scales/other.yaml")
    refused(exported("vale", folder), "the folder holds other tables of vale: vale/scales/other.yaml")
    assert not (folder / FILE).exists()


# -------------------------------------------------------------------------------------------------- import


def test_an_import_shows_what_differs_and_writes_that_alone(
    tables: Tables, folder: Path, tmp_path: Path
) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*.yaml")}
    path = csv_file(tmp_path / "p.zip", with_title("Phosphorus anew"))
    asked = tables("import", path, "--into", folder)
    refused(asked, "nobody can be asked whether to write this", "--yes")
    assert "title: Phosphorus of heavy soils -> Phosphorus anew" in asked.out
    assert {path: path.read_bytes() for path in folder.rglob("*.yaml")} == before
    done = tables("import", path, "--into", folder, "--yes")
    assert (done.status, done.out.splitlines()[-1]) == (0, f"1 files written, 0 removed: {folder}")
    now = {path: path.read_bytes() for path in folder.rglob("*.yaml")}
    assert {path for path in now if now[path] != before.get(path)} == {folder / FILE}
    assert "title: Phosphorus anew" in (folder / FILE).read_text()
    again = tables("import", path, "--into", folder)
    assert (again.status, again.out) == (0, "Nothing differs.\n")


def test_the_person_at_the_terminal_is_asked(
    tables: Tables, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = csv_file(tmp_path / "p.zip", with_title("Phosphorus anew"))
    monkeypatch.setattr("service.cli.tablefiles.sys.stdin.isatty", lambda: True, raising=False)
    for said, status in ((False, 1), (True, 0)):
        monkeypatch.setattr("service.cli.tablefiles.typer.confirm", lambda _text, said=said: said)
        assert tables("import", path, "--into", folder).status == status
        assert ("Phosphorus anew" in (folder / FILE).read_text()) == said


def test_a_new_table_gets_a_file_and_one_that_the_region_lacks_is_removed(
    tables: Tables, folder: Path, tmp_path: Path
) -> None:
    new = with_title("New")
    new = new.model_copy(
        update={
            "facts": new.facts
            | {"id": "vale/new", "effective_from": "2001-01-01", "effective_to": "2002-01-01"}
        }
    )
    done = tables("import", csv_file(tmp_path / "n.zip", new), "--into", folder, "--yes")
    assert "vale/new (New), scale of classes: added" in done.out
    assert (folder / "vale/scales/new.yaml").is_file()
    kept = [each for each in entries_of(read_tables(folder), "vale") if each.id != "vale/new"]
    done = tables("import", csv_file(tmp_path / "w.zip", *kept), "--into", folder, "--yes", "--whole")
    assert "vale/new (New), scale of classes: removed" in done.out
    assert not (folder / "vale/scales/new.yaml").exists()


def test_a_record_keeps_the_file_it_has(tables: Tables, folder: Path, tmp_path: Path) -> None:
    (folder / FILE).rename(folder / "vale/scales/other.yaml")
    done = tables("import", csv_file(tmp_path / "p.zip", with_title("Anew")), "--into", folder, "--yes")
    assert done.status == 0
    assert "title: Anew" in (folder / "vale/scales/other.yaml").read_text()
    assert not (folder / FILE).exists()


def test_an_import_that_would_break_the_folder_is_refused(
    tables: Tables, folder: Path, tmp_path: Path
) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*.yaml")}

    def imported(*found: Entry, more: tuple[str, ...] = ()) -> Done:
        return tables("import", csv_file(tmp_path / "p.zip", *found), "--into", folder, "--yes", *more)

    wrong = with_title("Anew")
    refused(
        imported(wrong.model_copy(update={"facts": wrong.facts | {"method": "unknown"}})),
        "the folder would not pass the check, so nothing was written", "vale/scales/phosphorus-heavy.yaml",
    )  # fmt: skip
    refused(
        imported(wrong.model_copy(update={"facts": wrong.facts | {"round_to": "one"}})),
        "'one' is no number", f"scales {SCALE}, round_to",
    )  # fmt: skip
    text = (folder / FILE).read_text()
    (folder / FILE).write_text("- " + text.replace("\n", "\n  ").rstrip() + "\n")
    before[folder / FILE] = (folder / FILE).read_bytes()
    refused(imported(with_title("Anew")), f"{SCALE} stands in a file with other tables")
    assert {path: path.read_bytes() for path in folder.rglob("*.yaml")} == before


def test_an_import_that_says_no_place_or_no_file_is_refused(
    tables: Tables, folder: Path, tmp_path: Path
) -> None:
    path = csv_file(tmp_path / "p.zip", with_title("Anew"))
    refused(tables("import", path), "it is not said where the tables go")
    refused(tables("import", path, "--into", folder, "--draft"), "it is not said where the tables go")
    refused(tables("import", tmp_path / "no.xlsx", "--into", folder), "the file cannot be opened")
    refused(tables("import", CASES, "--into", folder), "the folder is not that of one region")
    refused(tables("import", path, "--into", tmp_path / "no"), "there is no such folder")


# ---------------------------------------------------------------------------------------------------- diff


def test_what_differs_is_told_in_words_and_as_json(tables: Tables, folder: Path) -> None:
    text = (folder / FILE).read_text()
    (folder / FILE).write_text(
        text.replace("from: 25", "from: 26").replace("title: Phosphorus of", "title: P of")
    )
    (folder / "vale/rates/nitrogen-oats.yaml").unlink()
    done = tables("diff", CASES, folder)
    assert done.status == 1
    assert done.out.splitlines() == [
        "vale/phosphorus-heavy (P of heavy soils), scale of classes: changed",
        "    title: Phosphorus of heavy soils -> P of heavy soils",
        "    classes, medium: from: 25 -> 26",
        "vale/nitrogen-oats (Nitrogen for oats after a nitrate test), table of amounts: removed",
        "",
        "1 changed, 1 removed.",
    ]
    printed = answer(tables("diff", CASES, folder, "--json"), "tables-diff")
    assert [(each["id"], each["what"]) for each in printed["changes"]] == [
        (SCALE, "changed"), ("vale/nitrogen-oats", "removed"),
    ]  # fmt: skip
    assert printed["changes"][0]["cells"][1] == {
        "sheet": "classes", "row": "medium", "column": "from", "before": "25", "after": "26",
    }  # fmt: skip


def test_a_diff_with_what_is_not_there_is_refused(tables: Tables, tmp_path: Path) -> None:
    refused(tables("diff", CASES, tmp_path / "no.xlsx"), "the file cannot be opened")
    refused(tables("diff", CASES, "vale@1", "--data", tmp_path), "there is no database", "--data")


# ------------------------------------------------------------------------------------- a server's database


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """The data folder of a server that has run with these tables."""
    settings = Settings(data=tmp_path / "data", tables=CASES)
    settings.data.mkdir()
    engine = make_engine(settings.url)
    migrate(engine)
    site = Site(settings, Database(engine, lambda: datetime(2026, 4, 20, tzinfo=UTC)), read_tables(CASES))
    seed(site)
    engine.dispose()
    return settings.data


def test_a_release_is_exported_and_told_from_a_folder(
    tables: Tables, data: Path, folder: Path, tmp_path: Path
) -> None:
    for number, which in enumerate((("--release", "1"), ("--in-force",))):
        place = tmp_path / f"{number}.xlsx"
        assert tables("export", "vale", "--to", place, *which, "--data", data).status == 0
        assert tables("diff", place, "vale@in-force", "--data", data).status == 0
    assert tables("export", SCALE, "--to", tmp_path / "p.yaml", "--in-force", "--data", data).status == 0
    assert tables("diff", "vale@1", folder, "--data", data).status == 0
    (folder / FILE).write_text((folder / FILE).read_text().replace("from: 25", "from: 26"))
    assert tables("diff", "vale@1", folder, "--data", data).status == 1
    refused(
        tables("export", "vale", "--to", tmp_path / "a.xlsx", "--release", "7", "--data", data),
        "there is no release 7 of 'vale'", "furrowslice tables history",
    )  # fmt: skip
    refused(
        tables("diff", "dale@1", folder, "--data", data), "there is no release of 'dale'", "one of hill, vale"
    )
    refused(
        tables("export", "vale/no", "--to", tmp_path / "a.yaml", "--in-force", "--data", data),
        "the release has no table 'vale/no'",
    )  # fmt: skip


def test_a_file_becomes_a_draft_for_review(tables: Tables, data: Path, tmp_path: Path) -> None:
    path = csv_file(tmp_path / "p.zip", with_title("Phosphorus anew"))
    done = tables("import", path, "--draft", "--why", "New trials.", "--data", data)
    assert done.status == 0
    assert "title: Phosphorus of heavy soils -> Phosphorus anew" in done.out
    assert done.out.splitlines()[-1] == "Draft 1 of vale. Mistakes to be mended before it is submitted: 0."
    database = Database(make_engine(Settings(data=data).url))
    with database.look(operator(), None) as look:
        assert (drafts.the_draft(look, 1).state, drafts.the_draft(look, 1).why) == ("open", "New trials.")
        assert next(e for e in drafts.entries(look, 1) if e.id == SCALE).facts["title"] == "Phosphorus anew"
    database.close()
    refused(tables("import", path, "--draft", "--data", data), "no reason is given", "say it with --why")
    refused(
        tables("import", path, "--draft", "--why", "x", "--region", "dale", "--data", data),
        "these are tables of vale",
    )  # fmt: skip


def test_history_and_verify_say_what_the_chain_is(tables: Tables, data: Path) -> None:
    told = tables("history", "vale", "--data", data)
    assert told.status == 0
    assert "Taken over from the files" in told.out
    (release,) = answer(tables("history", "vale", "--json", "--data", data), "tables-history")["releases"]
    assert (release["number"], release["standing"], release["effective_on"]) == (1, "in-force", "2026-04-20")
    whole = tables("verify", "--data", data)
    assert (whole.status, whole.out) == (
        0,
        "hill: 1 release, whole\nshared: 1 release, whole\nvale: 1 release, whole\n",
    )
    refused(tables("verify", "dale", "--data", data), "there is no release of 'dale'")
    engine = make_engine(Settings(data=data).url)
    with engine.begin() as connection:
        row = schema.table_release
        text = connection.execute(sa.select(row.c.content).where(row.c.book == "vale")).scalar_one()
        connection.execute(
            row.update().where(row.c.book == "vale").values(content=text.replace("25", "26", 1))
        )
    engine.dispose()
    broken = tables("verify", "vale", "--data", data)
    assert broken.status == 2
    assert broken.out == (
        "vale: 1 release, broken\n    release 1 is not what was published: its content has another digest\n"
    )
    said = json.loads(tables("verify", "--json", "--data", data).out)
    assert [(each["book"], len(each["breaks"])) for each in said["books"]] == [
        ("hill", 0),
        ("shared", 0),
        ("vale", 1),
    ]


def test_a_database_that_this_version_has_not_written_is_refused(tables: Tables, tmp_path: Path) -> None:
    refused(tables("history", "vale", "--data", tmp_path), "there is no database", "--data")
    engine = make_engine(Settings(data=tmp_path).url)
    migrate(engine, "0001")
    engine.dispose()
    refused(
        tables("verify", "--data", tmp_path),
        "the database is at revision 0001",
        "start the server with it once",
    )
