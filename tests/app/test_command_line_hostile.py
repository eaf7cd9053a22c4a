"""The command under hostile circumstances: names that look like code, outputs that cannot be written."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from interpretation.errors import FurrowsliceError
from service.actions.card import read_laboratory
from service.actions.runs import values_csv
from service.cli.fields import comments_by_field
from service.cli.runs import exclusions
from service.paths import demo_directory
from service.samplefiles import read_bench, read_samples

DEMO = demo_directory()
BENCH = ("--samples", DEMO / "samples.csv", "--laboratory", DEMO / "laboratory.yaml")
HALF = b"\xff".decode(errors="surrogateescape")  # how a byte that is no text arrives from the shell
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


@pytest.mark.parametrize("command", ["measure", "report"])
def test_a_folder_whose_name_is_no_text_is_refused(tmp_path: Path, command: str) -> None:
    done = furrowslice(command, DEMO / "cec.csv", *BENCH, "--out", str(tmp_path / "out") + HALF)
    assert done.returncode == 2
    assert done.stderr.startswith("--out: the text holds the invisible character U+DCFF\nExpected: ")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_ends_the_measurement(tmp_path: Path) -> None:
    (tmp_path / "out").touch()
    done = furrowslice("measure", DEMO / "cec.csv", *BENCH, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "QW-0414-C" in done.stderr
    assert "the file cannot be written: File exists" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (f"name: {'n' * 201}\naddress: [x]\n", "line 1: name: String should have at most 200 characters"),
        ('name: " "\naddress: [x]\n', "line 1: name: this must not be blank"),
        ('name: "a\\u202eb"\naddress: [x]\n', "card.yaml:1: the invisible character U+202E"),
        ("name: A\naddress: []\n", "line 2: address: Tuple should have at least 1 item"),
        (f"name: A\naddress: [{'x,' * 13}]\n", "line 2: address: Tuple should have at most 12 items"),
        (f"name: A\naddress: [{'x' * 201}]\n", "line 2: address.0: String should have at most 200"),
        ("name: A\naddress: [x]\ntested_from: 0\n", "line 3: tested_from: this must be a day"),
        ('name: A\naddress: [x]\ntested_to: "2026-04-01"\n', "line 3: tested_to: this must be a day"),
    ],
)
def test_a_card_that_no_page_has_room_for_is_refused(tmp_path: Path, lines: str, message: str) -> None:
    (tmp_path / "card.yaml").write_text(lines)
    with pytest.raises(FurrowsliceError) as told:
        read_laboratory(tmp_path / "card.yaml")
    assert message in str(told.value)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["9=" + "x" * 199], "--exclude: a text of 201 characters\nExpected: at most 200 characters"),
        (["9=bubble\u202e"], "--exclude: the text holds the invisible character U+202E"),
        ([f"9={HALF}"], "--exclude: the text holds the invisible character U+DCFF"),
        (["9=a", "9=b"], "cannot read --exclude '9=b'\nExpected: POSITION=REASON"),
        (["٩=a"], "cannot read --exclude '٩=a'"),
    ],
)
def test_a_reason_is_a_text_that_can_be_printed(options: list[str], message: str) -> None:
    with pytest.raises(FurrowsliceError) as told:
        exclusions(options)
    assert str(told.value).startswith(message)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["F=" + "x" * 4001], "--comment for 'F': a text of 4001 characters"),
        ([f"F={HALF}"], "--comment for 'F': the text holds the invisible character U+DCFF"),
        (["F=a", "F=b"], "cannot place --comment 'F=b'\nExpected: FIELD=TEXT, once for a field from F"),
    ],
)
def test_a_comment_is_a_text_that_can_be_printed(options: list[str], message: str) -> None:
    assert comments_by_field(["F=" + "x" * 4000], ["F"]) == {"F": "x" * 4000}
    with pytest.raises(FurrowsliceError) as told:
        comments_by_field(options, ["F"])
    assert str(told.value).startswith(message)


def test_a_run_of_standards_alone_is_calibrated_and_not_measured(tmp_path: Path) -> None:
    lines = (DEMO / "bray-p.csv").read_text().splitlines()
    path = tmp_path / "standards.csv"
    path.write_text("\n".join(line for line in lines if not re.match(r"\d+,(?!standard)", line)))
    calibrated = furrowslice("calibrate", path)
    assert (calibrated.returncode, calibrated.stderr) == (0, "")
    measured = furrowslice("measure", path, *BENCH, "--out", tmp_path / "out")
    assert measured.returncode == 2
    assert "standards.csv: the run has no samples" in measured.stderr
    assert "a run of standards alone can be calibrated, not measured" in measured.stderr


@pytest.mark.parametrize(
    ("value", "uncertainty", "written"),
    [
        (8_901_500.0, 12_345_678.0, "8901500,ug/kg,air-dry,12350000"),
        (0.000012345678, 0.00000012345, "0.0000123457,ug/kg,air-dry,0.0000001235"),
        (22.475, float("nan"), "22.475,ug/kg,air-dry,"),
        (0.0, 0.0, "0,ug/kg,air-dry,0"),
    ],
)
def test_values_are_written_as_they_are_read(
    tmp_path: Path, value: float, uncertainty: float, written: str
) -> None:
    context = read_samples(DEMO / "samples.csv").context
    values = read_bench(DEMO / "bench.csv", context).iloc[:2]
    values = values.assign(
        analyte="Zn",
        form="Zn",
        unit="ug/kg",
        basis="air-dry",
        value=[value, float("nan")],
        below=[float("nan"), 0.00004],
        standard_uncertainty=uncertainty,
    )
    text = values_csv(values)
    assert written in text
    assert ",<0.00004," in text
    (tmp_path / "values.csv").write_text(text)
    assert read_bench(tmp_path / "values.csv", context)["value"][0] == pytest.approx(value, rel=5e-6)
