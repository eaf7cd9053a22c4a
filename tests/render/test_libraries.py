"""Without the libraries or the fonts nothing starts, and the line to type is printed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from interpretation.errors import FurrowsliceError
from reports import fonts
from reports.libraries import APT_LINE
from reports.render import check_libraries
from service.cli import app, options, serving

# A process in which one library cannot be loaded; ``lost`` is a part of its name.
WITHOUT = """
import sys, cffi
genuine = cffi.FFI.dlopen
def dlopen(self, name, *rest):
    if lost in str(name) and not (lost == "harfbuzz" and "subset" in str(name)):
        raise OSError(f"cannot load library '{name}'")
    return genuine(self, name, *rest)
cffi.FFI.dlopen = dlopen
"""
# A process in which one package of fonts is not installed.
FONTLESS = "import sys; sys.modules[lost] = None\n"
CHECK = """
from interpretation.errors import FurrowsliceError
from reports.render import check_libraries
try:
    check_libraries()
except FurrowsliceError as error:
    print(error.what, error.fix, sep="|")
"""


def said_without(lost: str, how: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", f"lost = {lost!r}\n{how}{CHECK}"],
        capture_output=True, text=True, check=True, timeout=60,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )  # fmt: skip


@pytest.mark.parametrize(
    "lost", ["gobject-2.0", "pango-1.0", "pangoft2", "harfbuzz", "harfbuzz-subset", "fontconfig"]
)
def test_without_a_library_the_line_to_type_is_named(lost: str) -> None:
    said = said_without(lost, WITHOUT)
    what, fix = said.stdout.strip().split("|")  # one line: nothing of what the library itself prints
    assert what.startswith("the libraries that draw text are not installed (cannot load library")
    assert lost in what
    assert fix == f"as root: {APT_LINE}"
    assert said.stderr == ""


@pytest.mark.parametrize("lost", fonts.FAMILIES)
def test_without_a_family_of_fonts_its_package_is_named(lost: str) -> None:
    what, fix = said_without(lost, FONTLESS).stdout.strip().split("|")
    assert what == f"fonts of the reports are missing: {lost}"
    assert fix.startswith("pip install ")
    assert lost.replace("_", "-") in fix


def test_without_one_file_of_a_family_the_file_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fonts, "WEIGHTS", ("Regular", "Imagined"))
    with pytest.raises(FurrowsliceError, match=r"are missing: .*FiraSans-Imagined\.ttf, .*Mukta-Imagined"):
        fonts.font_files()


def test_with_all_of_them_nothing_is_said() -> None:
    said = said_without("nothing-of-the-kind", WITHOUT)
    assert (said.stdout, said.stderr) == ("", "")
    check_libraries()


@pytest.mark.parametrize(
    "command",
    [
        ["report", "values.csv", "--samples", "s.csv", "--laboratory", "l.yaml"],
        ["demo"],
        ["measure", "run.csv", "--samples", "s.csv", "--laboratory", "l.yaml"],
    ],
)
def test_commands_refuse_before_they_work(
    command: list[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(options, "check_libraries", refuse)
    monkeypatch.chdir(tmp_path)
    for name in ("values.csv", "s.csv", "l.yaml", "run.csv"):
        (tmp_path / name).touch()
    monkeypatch.setattr(sys, "argv", ["furrowslice", *command])
    with pytest.raises(SystemExit) as end:
        app.main()
    assert end.value.code == 2
    assert APT_LINE in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "out").exists()


def test_the_server_refuses_before_it_opens_its_database(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(serving, "check_libraries", refuse)
    monkeypatch.setattr(serving, "reach", lambda *_: pytest.fail("the database was opened"))
    monkeypatch.setattr(
        sys, "argv", ["furrowslice", "serve", "--data", str(tmp_path / "data"), "--port", "0"]
    )
    with pytest.raises(SystemExit) as end:
        app.main()
    assert end.value.code == 2
    assert APT_LINE in " ".join(capsys.readouterr().err.split())


def refuse() -> None:
    raise FurrowsliceError("the libraries that draw text are not installed", fix=f"as root: {APT_LINE}")
