"""The shape of the house, as the contributor's guide draws it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = ("interpretation", "reports", "service")
TOP_LEVEL = {
    ".ci", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "README.md", "interpretation",
    "pyproject.toml", "reports", "requirements.lock", "run", "service", "tables", "tests",
}  # fmt: skip


def tracked() -> list[str]:
    """Files under version control; without git or a repository, every file that is not to be ignored."""
    if shutil.which("git"):
        listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
        if listed.returncode == 0:
            return listed.stdout.split("\n")[:-1]
    lines = (ROOT / ".gitignore").read_text().splitlines()
    ignored = {".git", *(line.strip("/") for line in lines if line.endswith("/"))}
    files = (path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file())
    return [path.as_posix() for path in files if not ignored & set(path.parts)]


def test_top_level_is_as_drawn() -> None:
    assert {name.split("/")[0] for name in tracked()} <= TOP_LEVEL


def test_tables_hold_data_only() -> None:
    assert not [
        name for name in tracked() if name.startswith("tables/") and not name.endswith((".yaml", ".md"))
    ]


def modules() -> list[Path]:
    """Every module, but for the revisions of the database: those are written out by a program, once."""
    found = [path for package in PACKAGES for path in (ROOT / package).rglob("*.py")]
    return [path for path in found if "versions" not in path.parts]


def test_no_module_is_two_rooms() -> None:
    lengths = {path.relative_to(ROOT).as_posix(): len(path.read_text().splitlines()) for path in modules()}
    assert {name: length for name, length in lengths.items() if length > 400} == {}


def test_no_test_folder_is_named_like_a_package() -> None:
    folders = {path.name for path in (ROOT / "tests").rglob("*") if path.is_dir()}
    assert not folders & {"interpretation", "reports", "service", "tables", "laboratory", "agronomy"}


def test_every_public_name_says_what_it_is() -> None:
    import ast

    silent = []
    for path in modules():
        tree = ast.parse(path.read_text())
        nodes = [tree, *[n for n in tree.body if isinstance(n, ast.FunctionDef | ast.ClassDef)]]
        for node in nodes:
            name = getattr(node, "name", path.stem)
            if not name.startswith("_") and path.read_text().strip() and not ast.get_docstring(node):
                silent.append(f"{path.relative_to(ROOT)}: {name}")
    assert silent == []
