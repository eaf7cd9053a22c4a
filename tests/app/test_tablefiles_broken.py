"""One folder a mistake in tests/broken_tables: laid over sound tables, it gives the message beside it."""

import errno
import hashlib
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from interpretation.agronomy.tables import Material, RateTable, ScaleTable
from interpretation.errors import TableError
from interpretation.methods import Method
from service import tablefiles
from service.tablefiles import check_directory, read_tables
from service.tablewords import explain
from service.yamlfiles import MAX_BYTES

BROKEN = Path(__file__).parents[1] / "broken_tables"
SOUND = BROKEN / "sound"
MISTAKES = sorted(path for path in BROKEN.iterdir() if path.is_dir() and path != SOUND)


def lay_over(mistake: Path, tables: Path) -> Path:
    shutil.copytree(SOUND, tables)
    shutil.copytree(mistake, tables, dirs_exist_ok=True, ignore=shutil.ignore_patterns("expected.txt"))
    return tables


def test_the_sound_tables_have_no_problem():
    assert check_directory(SOUND) == []
    assert read_tables(SOUND).scales["vale/p"].classes[1].lower == 10


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda path: path.name)
def test_one_mistake_one_message(mistake, tmp_path):
    tables = lay_over(mistake, tmp_path / "tables")
    found = "\n".join(str(problem) for problem in check_directory(tables)) + "\n"
    assert found == (mistake / "expected.txt").read_text(encoding="utf-8")


def test_an_error_stops_the_reading_and_a_warning_does_not(tmp_path):
    wrong = lay_over(BROKEN / "classes-falling", tmp_path / "wrong")
    with pytest.raises(
        TableError, match=r"1 error in the tables\nvale/scales/p.yaml:16: error: 'high' begins at 8"
    ):
        read_tables(wrong)
    odd = lay_over(BROKEN / "bound-off-the-step", tmp_path / "odd")
    assert read_tables(odd).scales["vale/p"].classes[2].lower == 20.5


def test_every_problem_is_told_at_once(tmp_path):
    tables = lay_over(BROKEN / "classes-falling", tmp_path / "tables")
    shutil.copy(BROKEN / "unknown-material" / "vale" / "rates" / "p2o5.yaml", tables / "vale" / "rates")
    assert [problem.where for problem in check_directory(tables)] == [
        "vale/rates/p2o5.yaml:16", "vale/scales/p.yaml:16",
    ]  # fmt: skip


def test_a_long_text_in_a_wrong_place_is_quoted_in_part(tmp_path):
    tables = lay_over(SOUND, tmp_path / "tables")
    (tables / "vale" / "scales" / "notes.yaml").write_text("not a table " * 1000, encoding="utf-8")
    (problem,) = check_directory(tables)
    assert problem.message == f"'{'not a table ' * 5}...' is no record"


def test_no_such_folder(tmp_path):
    assert len(check_directory(tmp_path / "nowhere")) == 1
    with pytest.raises(TableError, match="there is no such folder"):
        read_tables(tmp_path / "nowhere")


def test_the_limits_of_the_laboratory_are_read_elsewhere(tmp_path):
    tables = lay_over(BROKEN / "classes-falling", tmp_path / "tables")
    (tables / "limits").mkdir()
    (tables / "limits" / "own.yaml").write_text("anything: [1\n", encoding="utf-8")
    assert len(check_directory(tables)) == 1


def test_pages_about_the_tables_are_passed_over(tmp_path):
    tables = lay_over(SOUND, tmp_path / "tables")
    (tables / "COVERAGE.md").write_text("# Coverage\n", encoding="utf-8")
    assert check_directory(tables) == []
    (tables / "NOTES.md").write_text("anything\n", encoding="utf-8")
    assert [problem.where for problem in check_directory(tables)] == ["NOTES.md"]


def test_hidden_files_are_passed_over(tmp_path):
    tables = lay_over(BROKEN / "bound-off-the-step", tmp_path / "tables")
    (tables / ".git").mkdir()
    (tables / ".git" / "config").write_text("x", encoding="utf-8")
    (tables / "vale" / ".p.yaml.swp").write_bytes(b"\0")
    assert [problem.severity for problem in check_directory(tables)] == ["warning"]


def test_a_file_that_cannot_be_opened(tmp_path):
    tables = lay_over(BROKEN / "bound-off-the-step", tmp_path / "tables")
    (tables / "crops" / "gone.yaml").symlink_to(tmp_path / "nowhere")
    assert str(check_directory(tables)[0]) == (
        "crops/gone.yaml: error: the file cannot be opened (No such file or directory)\n"
        "Expected: a file\nTo fix it: look at its path and rights"
    )


def test_size_at_and_over_the_cap(tmp_path):
    tables = lay_over(BROKEN / "bound-off-the-step", tmp_path / "tables")
    (tables / "crops" / "large.yaml").write_bytes(b"#" * MAX_BYTES)
    assert "characters" in str(check_directory(tables)[0])  # all in one-byte characters: the other cap
    (tables / "crops" / "large.yaml").write_bytes(b"#" * (MAX_BYTES + 1))
    assert check_directory(tables)[0].message == "more than 800000 bytes"


def test_too_many_files_are_not_walked(tmp_path, monkeypatch):
    monkeypatch.setattr(tablefiles, "MAX_FILES", 5)
    assert "more than 5 files" in str(check_directory(SOUND)[0])


def test_a_folder_that_cannot_be_opened_is_not_an_empty_one(monkeypatch):
    opened = os.scandir

    def guarded(folder):
        if str(folder).endswith("rates"):
            raise PermissionError(errno.EACCES, "Permission denied", str(folder))
        return opened(folder)

    monkeypatch.setattr(os, "scandir", guarded)
    assert str(check_directory(SOUND)[0]) == (
        f"{SOUND / 'vale' / 'rates'}: error: the folder cannot be opened (Permission denied)\n"
        "Expected: a folder that can be read\n"
        "To fix it: look at its rights"
    )
    with pytest.raises(TableError, match="the folder cannot be opened"):
        read_tables(SOUND)


def test_a_link_to_a_folder_is_told_and_not_passed_over(tmp_path):
    tables = shutil.copytree(SOUND, tmp_path / "tables")
    (tables / "linked").symlink_to(tables / "vale")
    assert str(check_directory(tables)[0]).startswith("linked: error: this is no table file")


def test_fingerprints_are_those_of_the_records():
    # Canonical JSON of the record as its file says it, whatever its remarks and the order of its keys.
    tables = read_tables(SOUND)
    said = (
        '{"adequate_from":"medium","analyte":"P","basis":"air-dry","classes":[{"from":0,"name":"low"},'
        '{"from":10,"name":"medium"},{"from":20,"name":"high"}],"crops":["maize","soybean"],'
        '"depth_cm":[0,20],"effective_from":"2025-01-01","effective_to":"2025-12-31","id":"vale/p",'
        '"method":"bray","region":"vale","round_to":1,"scale_top":40,"sources":["vale-tables"],'
        '"standing":"invented","title":"Phosphorus","unit":"mg/kg"}'
    )
    assert tables.fingerprints["vale/p"] == hashlib.sha256(said.encode()).hexdigest()
    assert tables.fingerprints["methods/olsen"] != tables.fingerprints["methods/ph-water"]  # one file
    # 2 regions, 4 methods, 2 crops, 2 materials, 1 note, 3 sources, 2 scales, 3 rates, 1 conversion
    assert len(tables.fingerprints) == 20


KEYS = ["id", "crops", "classes", "from", "rate", "by_class", "{x}"]
LEAVES = [
    st.none(),
    st.booleans(),
    st.integers(-5, 3000),
    st.floats(),
    st.sampled_from(["P", "maize", "{x}", "%"]),
]
VALUES = st.recursive(
    st.one_of(LEAVES),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=4),
    max_leaves=8,
)


@pytest.mark.parametrize("model", [ScaleTable, RateTable, Method, Material])
@given(value=VALUES)
def test_whatever_is_wrong_in_a_record_is_explained(model, value):
    with pytest.raises(ValidationError) as caught:
        model.model_validate(value, strict=True)
    for detail in caught.value.errors(include_url=False):
        assert all(explain(detail, "keys"))
