"""``furrowslice verify``: what it prints, its exit status, its JSON, with and without a server's database."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pikepdf
import pytest

from service.cli.answers import ANSWERS
from tests.app.tampering import issue, made_inputs, shipped, with_data
from tests.app.test_command_line import Command, answer, command

__all__ = ["command"]  # the fixture


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Reports as somebody may hold them: sound, changed, and no report at all."""
    here = tmp_path_factory.mktemp("reports")
    sound = issue(made_inputs(), shipped())
    (here / "sound.pdf").write_bytes(sound)
    false = with_data(sound, lambda data: data["advice"]["results"][0].update(class_name="excellent"))
    (here / "false.pdf").write_bytes(false)
    (here / "none.pdf").write_text("hello")
    return here


def test_the_worst_file_decides_the_exit_status(command: Command, folder: Path) -> None:
    assert command("verify", folder / "sound.pdf").status == 0
    assert command("verify", folder / "sound.pdf", folder / "false.pdf").status == 1
    assert command("verify", folder / "none.pdf", folder / "sound.pdf").status == 2
    assert command("verify", folder / "missing.pdf").status == 2
    assert command("verify").status == 2


def test_it_says_what_was_checked_and_what_differs(command: Command, folder: Path) -> None:
    done = command("verify", folder / "sound.pdf", folder / "false.pdf", folder / "none.pdf")
    sound, false, none = (done.out.index(f"{name}.pdf: ") for name in ("sound", "false", "none"))
    assert "sound.pdf: holds (" in done.out
    assert (
        "= The pages were drawn again: the file is what its data say, to the byte." in done.out[sound:false]
    )
    assert "i No database was asked." in done.out[sound:false]
    assert "false.pdf: differs (" in done.out
    assert "x Class of 1 North, P bray1-1:10-colour: the data say excellent" in done.out[false:none]
    assert "none.pdf: not checked" in done.out
    assert "x This is no PDF." in done.out[none:]


def test_the_json_is_as_its_schema_says(command: Command, folder: Path) -> None:
    done = command("verify", folder / "sound.pdf", folder / "false.pdf", "--json")
    sound, false = answer(done, "verify")["files"]
    assert (sound["outcome"], sound["findings"], sound["asked_database"]) == ("holds", [], False)
    assert [(each["key"], each["page"]) for each in false["findings"]] == [("class", None)]
    assert false["findings"][0]["told"]["said"] == "excellent"
    assert "verify" in ANSWERS


def test_a_database_that_is_not_there_is_said(command: Command, folder: Path, tmp_path: Path) -> None:
    done = command("verify", folder / "sound.pdf", "--data", tmp_path / "nothing")
    assert done.status == 2
    assert "there is no database" in done.err


def test_the_schema_of_the_data_is_printed_and_fits_the_attached_file(command: Command, folder: Path) -> None:
    done = command("schema", "report-data")
    assert done.status == 0
    with pikepdf.open(folder / "sound.pdf") as opened:
        (spec,) = opened.attachments.values()
        data = json.loads(spec.get_file().read_bytes())
    jsonschema.Draft202012Validator(json.loads(done.out)).validate(data)
    assert "report-data" in command("schema", "nothing").err
