"""Files that people send: their names do no harm, and nothing of them stays behind."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.uploads import Upload, laid_down


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("BR-0412.csv", "BR-0412.csv"),
        ("BR-0412.XLSX", "BR-0412.XLSX"),
        ("C:\\runs\\BR-0412.csv", "BR-0412.csv"),
        ("/etc/passwd", "passwd"),
        ("a.tar.gz", "a.tar.gz"),
        ("no-ending", "no-ending"),
    ],
)
def test_a_plain_name_keeps_its_last_part(name: str, safe: str) -> None:
    assert Upload(name, b"").safe_name == safe


@pytest.mark.parametrize(
    "name",
    ["../../x y.csv", "..", "", ".csv", "con.csv", "a\u202eb.csv", "x" * 300 + ".csv", "a\0b.csv", "a.c\nd"],
)
def test_a_name_that_could_do_harm_is_made_anew(name: str, tmp_path: Path) -> None:
    safe = Upload(name, b"").safe_name
    assert safe == Path(safe).name
    assert safe.isascii()
    assert safe.isprintable()
    assert 0 < len(safe) < 100
    assert not safe.startswith((".", "-"))
    (tmp_path / safe).write_bytes(b"x")
    assert [path.name for path in tmp_path.iterdir()] == [safe]


def test_files_lie_there_for_the_block_and_no_longer() -> None:
    run, side = Upload("run.csv", b"a"), Upload("run.csv", b"b")  # of one name, and still two files
    with laid_down(run, side) as (path, second):
        assert second is not None
        assert (path.read_bytes(), second.read_bytes()) == (b"a", b"b")
    assert not path.parent.exists()
    with laid_down(run) as (_, second):
        assert second is None
