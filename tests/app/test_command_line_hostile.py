"""The command under hostile circumstances: names that look like code, outputs that cannot be written."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from service.paths import demo_directory

DEMO = demo_directory()
BENCH = ("--samples", DEMO / "samples.csv", "--laboratory", DEMO / "laboratory.yaml")
PROGRAM = [sys.executable, "-c", "from service.cli.app import main; main()"]


def furrowslice(
    *arguments: object, redirect: str = "", **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run the command through a shell, so that its output can be closed or full."""
    words = [*PROGRAM, *map(str, arguments)]
    return subprocess.run(
        ["/bin/sh", "-c", f'"$@" {redirect}', "sh", *words],
        capture_output=True,
        text=True,
        env=os.environ | environment,
        check=False,
    )


def samples_called(name: str, folder: Path) -> Path:
    """The demo's sample list with one name for everything that may be named freely."""
    text = (DEMO / "samples.csv").read_text()
    for old in ("North", "Long Meadow", "Thistlecombe Farm", "E. Marlowe-Quint"):
        text = text.replace(f",{old},", f",{name},")
    path = folder / "samples.csv"
    path.write_text(text)
    return path


def test_a_name_that_looks_like_code_prints_as_it_is_written(tmp_path: Path) -> None:
    name = "[/x] [red]x[/red] :cow: {{7*7}} {0.__class__} %s"
    printed = furrowslice("advise", DEMO / "bench.csv", "--samples", samples_called(name, tmp_path))
    assert printed.stderr == ""
    assert f"{name}, {name}: maize" in printed.stdout
    assert f"004811 {name}" in printed.stdout  # in a cell of a table


def test_json_is_ascii_in_every_encoding(tmp_path: Path) -> None:
    path = samples_called("Größe 漢 :cow:", tmp_path)
    done = furrowslice("advise", DEMO / "bench.csv", "--samples", path, "--json", PYTHONIOENCODING="latin-1")
    assert done.stdout.isascii()
    field = json.loads(done.stdout)["fields"][0]
    assert (field["field_name"], field["samples"][0]["label"]) == ("Größe 漢 :cow:", "Größe 漢 :cow:")


def test_a_terminal_without_the_character_gets_its_code(tmp_path: Path) -> None:
    path = samples_called("Größe 漢", tmp_path)
    done = furrowslice("advise", DEMO / "bench.csv", "--samples", path, PYTHONIOENCODING="ascii")
    assert done.stderr == ""
    assert r"Gr\xf6\xdfe \u6f22" in done.stdout


def test_a_full_disk_behind_the_output_is_told() -> None:
    done = furrowslice("tables", "check", redirect="> /dev/full")
    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        "standard output: the system refuses this: No space left on device",
        "Expected: a path that can be used, and room for what is written",
        "To fix it: look at the path, its rights and the room on the disk",
    ]


@pytest.mark.parametrize("redirect", [">&-", "2>&-"])
def test_a_closed_stream_is_no_mistake(redirect: str) -> None:
    done = furrowslice("schema", "measure", redirect=redirect)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_path_the_system_refuses_is_told() -> None:
    done = furrowslice("tables", "check", "n" * 300)
    assert done.returncode == 2
    assert done.stderr.startswith(f"{'n' * 300}: the system refuses this: File name too long")


def test_two_runs_of_one_id_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    text = (DEMO / "bray-p.csv").read_text()
    (tmp_path / "again.csv").write_text(text.replace("Run,QW-0412-P", "Run,qw-0412-p"))
    done = furrowslice(
        "measure", DEMO / "bray-p.csv", tmp_path / "again.csv", *BENCH, "--out", tmp_path / "out"
    )
    assert done.returncode == 2
    assert "again.csv: the run id qw-0412-p is also that of bray-p.csv" in done.stderr
    assert not (tmp_path / "out").exists()


def test_values_that_no_longer_stand_are_removed(tmp_path: Path) -> None:
    # The nitrate run drifts and is held; values from when it was not must not lie beside its sheet.
    (tmp_path / "QW-0413-N.values.csv").write_text("from an earlier measurement")
    done = furrowslice(
        "measure", DEMO / "nitrate.csv", *BENCH, "--limits", DEMO / "limits.yaml", "--out", tmp_path
    )
    assert done.returncode == 1
    assert [path.name for path in tmp_path.iterdir()] == ["QW-0413-N.sheet.pdf"]


def test_a_folder_that_cannot_be_made_ends_the_measurement(tmp_path: Path) -> None:
    (tmp_path / "out").touch()
    done = furrowslice("measure", DEMO / "cec.csv", *BENCH, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "QW-0414-C" in done.stderr
    assert "the file cannot be written: File exists" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
