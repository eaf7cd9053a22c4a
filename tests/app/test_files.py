"""Files are whole or absent; names made from identifiers are safe."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.errors import FurrowsliceError
from service.files import safe_name, write_atomically
from service.paths import layouts_directory, tables_directory

# Stops for ever between the flushed temporary file and the rename: the worst moment for a kill.
STOPS_BEFORE_THE_RENAME = """
import sys, time
from pathlib import Path
from service.files import write_atomically
Path.replace = lambda self, target: (print("ready", flush=True), time.sleep(60))
write_atomically(Path(sys.argv[1]), b"new" * 100_000)
"""
WRITES_FOR_EVER = """
import sys
from pathlib import Path
from service.files import write_atomically
print("ready", flush=True)
while True:
    for letter in (b"a", b"b"):
        write_atomically(Path(sys.argv[1]), letter * 200_000)
"""


def _start(code: str, path: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def _kill(process: subprocess.Popen[str]) -> None:
    assert process.stdout is not None
    process.kill()
    assert process.wait() == -signal.SIGKILL
    process.stdout.close()


def test_a_kill_before_the_rename_leaves_the_old_file(tmp_path: Path) -> None:
    path = write_atomically(tmp_path / "report.pdf", b"old")
    _kill(_start(STOPS_BEFORE_THE_RENAME, path))
    assert path.read_bytes() == b"old"


def test_a_kill_at_any_moment_leaves_a_whole_file(tmp_path: Path) -> None:
    path = write_atomically(tmp_path / "report.pdf", b"a" * 200_000)
    for pause in (0.0, 0.003, 0.02):
        process = _start(WRITES_FOR_EVER, path)
        time.sleep(pause)
        _kill(process)
        assert path.read_bytes() in (b"a" * 200_000, b"b" * 200_000)


def test_a_failure_leaves_no_temporary_file(tmp_path: Path) -> None:
    (tmp_path / "taken").mkdir()
    with pytest.raises(FurrowsliceError, match="taken: the file cannot be written: Is a directory"):
        write_atomically(tmp_path / "taken", b"a folder has this name")
    assert [entry.name for entry in tmp_path.iterdir()] == ["taken"]


@pytest.mark.parametrize(
    ("folder", "said"),
    [
        ("file", "File exists"),
        ("file/below", "Not a directory"),
        ("n" * 300, "File name too long"),
    ],
)
def test_a_folder_that_cannot_be_is_told_with_its_path(tmp_path: Path, folder: str, said: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(FurrowsliceError) as told:
        write_atomically(tmp_path / folder / "page.pdf", b"content")
    assert told.value.what == f"the file cannot be written: {said}"
    assert told.value.where == str(tmp_path / folder / "page.pdf")
    assert told.value.expected == "a folder that can be written to, with room for the file"
    assert "choose another folder" in told.value.fix


def test_a_full_disk_leaves_the_old_file_and_no_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    path = write_atomically(tmp_path / "page.pdf", b"old")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FurrowsliceError, match="cannot be written: No space left on device"):
        write_atomically(path, b"new")
    assert [entry.read_bytes() for entry in tmp_path.iterdir()] == [b"old"]


def test_a_link_at_the_target_is_replaced_and_not_followed(tmp_path: Path) -> None:
    (tmp_path / "other").write_bytes(b"not mine")
    (tmp_path / "page.pdf").symlink_to(tmp_path / "other")
    path = write_atomically(tmp_path / "page.pdf", b"page")
    assert (path.is_symlink(), path.read_bytes()) == (False, b"page")
    assert (tmp_path / "other").read_bytes() == b"not mine"


def test_text_is_written_as_utf8_with_its_own_line_ends(tmp_path: Path) -> None:
    path = write_atomically(tmp_path / "new" / "page.html", "ä\r\nb\n")
    assert path.read_bytes() == b"\xc3\xa4\r\nb\n"
    assert path.stat().st_mode & 0o777 == 0o666 & ~_umask()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("../../etc/passwd", "etc-passwd-"),
        ("a/b", "a-b-"),
        ("CON", "file-CON-"),
        ("lpt1.txt", "file-lpt1.txt-"),
        ("", "file-"),
        ("...", "file-"),
        (".hidden", "hidden-"),
        ("１２", "12-"),
        ("x\r\ny", "x-y-"),
        ("naïve", "na-ve-"),
        ("a" * 300, "a" * 71 + "-"),
    ],
)
def test_a_changed_name_says_so_by_its_digits(text: str, start: str) -> None:
    assert safe_name(text)[:-8] == start


def test_a_safe_name_stays() -> None:
    assert safe_name("BR-0412_v1.2") == "BR-0412_v1.2"


@given(st.text())
def test_every_text_becomes_a_safe_name(text: str) -> None:
    name = safe_name(text)
    assert 1 <= len(name) <= 80
    assert all(c.isascii() and (c.isalnum() or c in "._-") for c in name)
    assert name[0] not in ".-"
    assert name[-1] != "."


@given(st.text(), st.text())
def test_two_texts_do_not_share_a_name(one: str, other: str) -> None:
    assert one == other or safe_name(one) != safe_name(other)


def test_the_data_folders_are_there() -> None:
    assert (tables_directory()).is_dir()
    assert (layouts_directory() / "point-comma.yaml").is_file()
