"""The set-up script, on machines that lack things, played with stand-in commands."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def run_on(
    tmp_path: Path, *, uid: int, sudo: bool, apt: bool = True, task: str = "setup", has: tuple[str, ...] = ()
) -> subprocess.CompletedProcess[str]:
    """Run a task where Python is too old and no command can change the machine.

    ``has`` names what the machine has for the suite: chromium, libatomic1, postgresql, qpdf.
    """
    clone, commands = tmp_path / "clone", tmp_path / "commands"
    clone.mkdir()
    commands.mkdir()
    for name in ("run", "requirements.lock", "pyproject.toml"):
        shutil.copy(ROOT / name, clone / name)
    for tool in ("sh", "cat", "cksum", "dirname", "sed", "env"):
        (commands / tool).symlink_to(shutil.which(tool) or tool)
    stand_ins = {
        "python3": "exit 1",
        "id": f"echo {uid}",
        "ldconfig": "echo libfontconfig.so.1" + (" libatomic.so.1" if "libatomic1" in has else ""),
        "ls": "exit 0" if "postgresql" in has else "exit 2",
        **{name: "exit 0" for name in ("chromium", "qpdf") if name in has},
        **({"apt-get": 'echo "apt-get $*"'} if apt else {}),
        **({"sudo": 'if [ "$1" = -n ]; then exit 0; fi; shift; exec "$@"'} if sudo else {}),
    }
    for name, body in stand_ins.items():
        (commands / name).write_text(f"#!/bin/sh\n{body}\n")
        (commands / name).chmod(0o755)
    return subprocess.run(
        [str(commands / "sh"), str(clone / "run"), task],
        env={"PATH": str(commands), "HOME": os.environ.get("HOME", "/")},
        capture_output=True,
        text=True,
        check=False,
    )


def test_without_rights_it_prints_the_exact_line_and_stops(tmp_path: Path) -> None:
    done = run_on(tmp_path, uid=1000, sudo=False)
    assert done.returncode == 1
    assert "Type this, then run this again:" in done.stderr
    assert (
        "sudo sh -c 'apt-get update && apt-get install -y --no-install-recommends ca-certificates python3 "
        "python3-venv libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0'"
    ) in done.stderr


def test_as_root_it_installs_what_is_missing_and_only_that(tmp_path: Path) -> None:
    done = run_on(tmp_path, uid=0, sudo=False)
    assert "apt-get install -y --no-install-recommends ca-certificates python3 python3-venv" in done.stderr
    assert "fontconfig" not in done.stderr  # this machine has it


def test_the_suite_needs_a_browser_and_a_second_engine_besides(tmp_path: Path) -> None:
    done = run_on(tmp_path, uid=1000, sudo=False, task="test")
    assert done.returncode == 1
    assert (
        "libharfbuzz-subset0 chromium libatomic1 postgresql qpdf'" in done.stderr
    )  # at the end of the line to type


@pytest.mark.parametrize(
    ("has", "installed", "left_alone"),
    [
        ((), " chromium libatomic1 postgresql qpdf", ()),
        (("chromium",), " libatomic1 postgresql qpdf", ("chromium",)),
        (("libatomic1", "postgresql", "qpdf"), " chromium", ("libatomic1", "postgresql", "qpdf")),
        (("chromium", "libatomic1", "postgresql"), " qpdf", ("chromium", "libatomic1", "postgresql")),
        (
            ("chromium", "libatomic1", "postgresql", "qpdf"),
            "",
            ("chromium", "libatomic1", "postgresql", "qpdf"),
        ),
    ],
)
def test_as_root_the_suite_gets_what_it_lacks_and_only_that(
    tmp_path: Path, has: tuple[str, ...], installed: str, left_alone: tuple[str, ...]
) -> None:
    done = run_on(tmp_path, uid=0, sudo=False, task="test", has=has)
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("apt-get install")]
    assert line.endswith(f"libharfbuzz-subset0{installed}")
    assert not any(name in line for name in left_alone)


@pytest.mark.parametrize("task", ["setup", "demo", "check", "bench", "furrowslice"])
def test_nothing_else_needs_them(tmp_path: Path, task: str) -> None:
    done = run_on(tmp_path, uid=1000, sudo=False, task=task)
    assert done.returncode == 1
    assert "libharfbuzz-subset0'" in done.stderr


def test_without_apt_it_names_the_packages(tmp_path: Path) -> None:
    done = run_on(tmp_path, uid=0, sudo=False, apt=False)
    assert done.returncode == 1
    assert "Missing: python3 python3-venv libpango-1.0-0" in done.stderr


def test_the_command_reads_and_writes_where_it_was_called(tmp_path: Path) -> None:
    clone, here = tmp_path / "clone", tmp_path / "here"
    (clone / ".venv" / "bin").mkdir(parents=True)
    here.mkdir()
    for name in ("run", "requirements.lock", "pyproject.toml"):
        shutil.copy(ROOT / name, clone / name)
    script = (clone / "run").read_text().replace("setup; command=", "command=")  # nothing is installed here
    (clone / "run").write_text(script)
    stand_in = clone / ".venv" / "bin" / "furrowslice"
    stand_in.write_text('#!/bin/sh\necho "$(pwd) $*"\n')
    stand_in.chmod(0o755)
    done = subprocess.run(
        ["sh", "../clone/run", "furrowslice", "calibrate", "run.csv"],
        cwd=here,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == f"{here} calibrate run.csv\n"


@pytest.mark.parametrize(
    ("processors", "arguments", "shared"),
    [
        (1, [], "-n 0"),
        (2, [], "-n 2"),
        (16, ["-q", "tests/compute"], "-n 2"),
        (2, ["tests/compute/test_flags.py"], "-n 0"),
        (2, ["-q", "tests/compute/test_flags.py::test_one[a b]"], "-n 0"),
    ],
)
def test_two_processes_share_the_suite_where_that_helps(
    tmp_path: Path, processors: int, arguments: list[str], shared: str
) -> None:
    script = (ROOT / "run").read_text().replace("setup test; .venv/bin/python", '"$PYTHON"')
    (tmp_path / "run").write_text(script)
    for name, body in (("nproc", f"echo {processors}"), ("python", 'echo "$*"')):
        (tmp_path / name).write_text(f"#!/bin/sh\n{body}\n")
        (tmp_path / name).chmod(0o755)
    done = subprocess.run(
        ["sh", "run", "test", *arguments],
        cwd=tmp_path,
        env=os.environ | {"PYTHON": str(tmp_path / "python"), "PATH": f"{tmp_path}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=True,
    )
    given = f"-m pytest {shared} --dist loadfile --no-loadscope-reorder"
    assert done.stdout == " ".join([given, *arguments]) + "\n"


def test_help_lists_every_task() -> None:
    done = subprocess.run([str(ROOT / "run")], capture_output=True, text=True, check=True)
    for task in ("demo", "test", "check", "bench", "lock", "setup", "furrowslice"):
        assert f"./run {task}" in done.stdout
