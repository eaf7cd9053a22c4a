"""The README's client of the API is run as it is printed, against a server as it is installed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import sqlalchemy as sa

from service.actions.card import read_laboratory
from service.actions.demo import COUNTIES
from service.callers import RIGHTS, Role, operator
from service.paths import demo_directory
from service.store import accounts, schema
from service.store.database import Database, make_engine
from service.tokens import new_token, sha256
from tests.app.server.live import live

ROOT = Path(__file__).parents[3]


def client() -> str:
    """The one Python program of the README's section about the API."""
    section = (ROOT / "README.md").read_text("utf-8").split("\n## The API\n")[1].split("\n## ")[0]
    (code,) = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    assert isinstance(code, str)
    return code


def make_laboratory(url: str) -> str:
    """A laboratory with a person and counties; returns an access token of that person."""
    token = new_token()
    database = Database(make_engine(url))
    card = read_laboratory(demo_directory() / "laboratory.yaml").model_dump(mode="json")
    with database.housekeeping(operator()) as look:
        added = schema.laboratory.insert().values(name=card["name"], card=card, created_at=look.now)
        laboratory = look.connection.execute(added.returning(schema.laboratory.c.id)).scalar_one()
        look.connection.execute(schema.county.insert(), [county.model_dump() for county in COUNTIES])
        account = accounts.add(
            look, email="bench@soil.example", name="A. Bench", role=Role.LABORATORY, laboratory_id=laboratory
        )
        look.connection.execute(
            schema.access_token.insert().values(
                token_sha256=sha256(token), account_id=account, name="lists and runs",
                rights=sorted(right.value for right in RIGHTS[Role.LABORATORY]), created_at=look.now,
                expires_at=datetime.now(UTC) + timedelta(days=1),
            )
        )  # fmt: skip
    database.close()
    return token


def test_the_readmes_client_goes_from_a_list_to_a_pdf(tmp_path: Path) -> None:
    work = tmp_path / "work"
    work.mkdir()
    for name in ("samples.csv", "bray-p.csv"):
        (work / name).write_bytes((demo_directory() / name).read_bytes())
    (work / "client.py").write_text(client(), "utf-8")
    with live(tmp_path, "--no-demo") as server:
        told = {"FURROWSLICE": server.address, "TOKEN": make_laboratory(server.url)}
        run = subprocess.run(
            [sys.executable, "client.py"], cwd=work, env=os.environ | told, capture_output=True, text=True,
            timeout=120, check=False,
        )  # fmt: skip
        assert (run.returncode, run.stderr) == (0, "")
        lines = run.stdout.splitlines()
        assert re.fullmatch(r"[1-9]\d* values released", lines[0])
        assert len(lines) == 2
        assert " TC-1 " in lines[1]
        assert (work / "report.pdf").read_bytes().startswith(b"%PDF-")
        again = subprocess.run(
            [sys.executable, "client.py"], cwd=work, env=os.environ | told, capture_output=True, text=True,
            timeout=120, check=False,
        )  # fmt: skip
        assert again.returncode == 1
        assert "TransportError" not in again.stderr
        assert again.stderr.strip(), "the same list again is refused in words"
        database = Database(make_engine(server.url))
        with database.look(operator(), None) as look:
            assert look.connection.scalar(sa.select(sa.func.count()).select_from(schema.report)) == 1
        database.close()
