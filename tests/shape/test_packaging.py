"""The distribution: an sdist, the wheel built from it, and the command run with the clone out of sight."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tarfile
import urllib.request
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build sdist, unpack it, build the wheel from what was unpacked."""
    work = tmp_path_factory.mktemp("build")
    hatch = [sys.executable, "-m", "hatchling", "build", "-d", str(work)]
    subprocess.run([*hatch, "-t", "sdist"], cwd=ROOT, check=True, capture_output=True)
    (sdist,) = work.glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        # Python before 3.11.4 has no filters, later ones insist on one.
        archive.extraction_filter = getattr(tarfile, "data_filter", lambda member, _: member)
        archive.extractall(work)
    (unpacked,) = (path for path in work.iterdir() if path.is_dir())
    subprocess.run([*hatch, "-t", "wheel"], cwd=unpacked, check=True, capture_output=True)
    (built,) = work.glob("*.whl")
    return built


def test_wheel_holds_three_packages_and_the_tables(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert {name.split("/")[0] for name in names if ".dist-info" not in name} == {
        "interpretation",
        "reports",
        "service",
    }
    for needed in (
        "service/_tables/README.md",
        "service/_tables/marrowdale/region.yaml",
        "service/layouts/README.md",
        "service/demo/samples.csv",
        "reports/wording/report.pot",
        "reports/wording/es/report.po",
        "service/pages/static/site.css",
        "service/pages/static/site.js",
        "service/pages/static/mark.svg",
        "service/store/migrations/versions/rev_0001_first.py",
    ):
        assert needed in names
    assert {name for name in names if name.endswith(".j2")} == {
        path.relative_to(ROOT).as_posix()
        for package in ("reports", "service")
        for path in (ROOT / package).rglob("*.j2")
    }
    in_clone = {path.relative_to(ROOT / "tables").as_posix() for path in (ROOT / "tables").rglob("*.yaml")}
    in_wheel = {
        name.removeprefix("service/_tables/") for name in names if name.startswith("service/_tables/")
    }
    assert in_clone <= in_wheel


def test_installed_command_runs_with_the_clone_out_of_sight(wheel: Path, tmp_path: Path) -> None:
    site, elsewhere = tmp_path / "site", tmp_path / "elsewhere"
    elsewhere.mkdir()
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index"]
    subprocess.run([*pip, "--target", str(site), str(wheel)], check=True, capture_output=True)
    program = (
        "import service, sys; print(service.__file__); "
        "from service.cli.app import main; sys.argv[1:] = {}; main()"
    )

    environment = os.environ | {"PYTHONPATH": str(site)}

    def command(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", program.format(list(arguments))],
            cwd=elsewhere,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )

    checked = command("tables", "check")
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert str(site) in checked.stdout

    done = command("demo", "--out", "demo")
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(list((elsewhere / "demo").rglob("*.pdf"))) >= 10

    serve = [sys.executable, "-c", program.format(["serve", "--port", "0", "--no-demo"])]
    with subprocess.Popen(serve, cwd=elsewhere, env=environment, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        heard = next(line for line in server.stdout if '"listening"' in line)
        address = json.loads(heard)["address"]
        for path, expected in (("/sign-in", "<form"), ("/static/site.css", "--paper")):
            with urllib.request.urlopen(address + path) as answer:
                assert expected in answer.read().decode()
        server.terminate()
        server.communicate()
    assert server.returncode == 0
