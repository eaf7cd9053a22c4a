"""Faults around runs and lists: bombs, a full disk, two who release at once, a kill before the release."""

from __future__ import annotations

import signal
import threading
import zipfile
from pathlib import Path

import httpx2
import pytest
import sqlalchemy as sa
from openpyxl import Workbook
from starlette.testclient import TestClient

from service.callers import Role, operator
from service.paths import demo_directory
from service.store import accounts, laboratories, schema
from service.store.database import Database, make_engine
from tests.app.server.bench import NAME, accepted, lay_bench, listed, run_file, write_list
from tests.app.server.conftest import World
from tests.app.server.live import live

ANALYST = "analyst@soil.example"


def _send(world: World, client: TestClient, path: str, file: Path, **fields: str) -> tuple[int, str]:
    answer = client.post(
        path, data={"form_token": world.form_token(client), "layout": "point-comma"} | fields,
        files={"file": (file.name, file.read_bytes())},
    )  # fmt: skip
    return answer.status_code, answer.text


def _bomb(path: Path) -> Path:
    """A workbook of a few kilobytes that unpacks to 60 million bytes."""
    book = Workbook()
    book.worksheets[0].append(list(listed({})[0]))
    book.save(path)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/zeros.bin", bytes(60_000_000))
    assert path.stat().st_size < 100_000
    return path


@pytest.mark.parametrize("path", ["/runs/upload", "/samples/upload"])
def test_a_workbook_that_unpacks_to_too_much_is_refused(lite_world: World, tmp_path: Path, path: str) -> None:
    client = lite_world.client("laboratory")
    status, text = _send(lite_world, client, path, _bomb(tmp_path / "bomb.xlsx"))
    assert status == 422
    assert "the archive unpacks to 60" in text


def test_a_far_away_cell_does_no_harm(lite_world: World, tmp_path: Path) -> None:
    book = Workbook()
    book.worksheets[0].append(list(listed({})[0]))
    book.worksheets[0].cell(1_048_576, 16_384, "x")
    book.save(tmp_path / "far.xlsx")
    client = lite_world.client("laboratory")
    status, text = _send(lite_world, client, "/samples/upload", tmp_path / "far.xlsx")
    assert status == 422
    assert "more than 60 columns or 20000 rows" in text


def test_a_full_disk_keeps_nothing_of_a_list(lite_world: World, tmp_path: Path) -> None:
    engine = lite_world.site.database.engine
    with engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    full = sa.event.listens_for(engine, "connect")

    @full
    def _limit(connection: object, _record: object) -> None:
        connection.execute(f"PRAGMA max_page_count={pages + 4}")  # type: ignore[attr-defined]

    engine.dispose()
    client = lite_world.client("laboratory")
    rows = [{"field_id": f"F-{n}", "field_name": "x" * 150} for n in range(400)]
    status, text = _send(lite_world, client, "/samples/upload", write_list(tmp_path, *rows))
    assert status == 507
    assert "the disk is full, so nothing was stored" in text
    with lite_world.site.database.look(operator(), None) as look:
        for table in (schema.grower, schema.farm, schema.field, schema.sampling, schema.sample, schema.audit):
            assert look.connection.scalar(sa.select(sa.func.count()).select_from(table)) == 0, table.name


def test_two_who_release_from_their_pages_at_once_get_one_release_and_one_409(
    world: World, tmp_path: Path
) -> None:
    lay_bench(world, tmp_path)
    run_id = accepted(world)
    clients = [world.client("laboratory") for _ in range(2)]
    forms = [{"form_token": world.form_token(client), "version": "3"} for client in clients]
    for client, form in zip(
        clients, forms, strict=True
    ):  # every application builds its routes when asked first
        assert client.post(f"/runs/{run_id}/release", data=form | {"version": "1"}).status_code == 409
    together = threading.Barrier(2)
    answers: list[tuple[int, str]] = []

    def release(client: TestClient, form: dict[str, str]) -> None:
        together.wait()
        answer = client.post(f"/runs/{run_id}/release", data=form)
        answers.append((answer.status_code, answer.text))

    threads = [threading.Thread(target=release, args=pair) for pair in zip(clients, forms, strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(status for status, _ in answers) == [303, 409]
    refused = next(text for status, text in answers if status == 409)
    assert "somebody else has changed this run since you looked at it" in refused
    assert "Values released: 20" in refused  # the page shows the run as it is by now


def test_a_server_killed_between_acceptance_and_release_has_released_nothing(tmp_path: Path) -> None:
    with live(tmp_path) as server:
        _lay_live(server.url)
        with _Bench(server.address, server.cookie(ANALYST), server.url) as bench:
            assert bench.upload("/samples/upload", demo_directory() / "samples.csv") == 303
            (tmp_path / "run.csv").write_bytes(run_file().content)
            assert bench.upload("/runs/upload", tmp_path / "run.csv") == 303
            assert bench.step("confirm", version="1") == 303
            assert bench.step("decision", version="2", state="accepted") == 303
        server.stop(signal.SIGKILL)
        assert _state(server.url) == ("accepted", 3, 0)
        server.start()
        with _Bench(server.address, server.cookie(ANALYST), server.url) as bench:
            assert "Release the values" in bench.client.get("/runs/1").text
            assert bench.step("release", version="3") == 303
            assert "Values released: 20" in bench.client.get("/runs/1").text
    assert _state(server.url) == ("released", 4, 20)


class _Bench:
    """An analyst at a live server."""

    def __init__(self, address: str, cookies: dict[str, str], url: str) -> None:
        self.client = httpx2.Client(base_url=address, cookies=cookies, timeout=60)
        engine = make_engine(url)
        with engine.connect() as connection:
            newest = sa.select(schema.session.c.form_token).order_by(schema.session.c.id.desc())
            self.form = {"form_token": connection.scalars(newest).first()}
        engine.dispose()

    def __enter__(self) -> _Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()

    def upload(self, path: str, file: Path) -> int:
        files = {"file": (file.name, file.read_bytes())}
        return int(
            self.client.post(path, data=self.form | {"layout": "point-comma"}, files=files).status_code
        )

    def step(self, step: str, **fields: str) -> int:
        return int(self.client.post(f"/runs/1/{step}", data=self.form | fields).status_code)


def _lay_live(url: str) -> None:
    """Give a live server a laboratory with the demo's limits and counties, and an analyst."""
    database = Database(make_engine(url))
    with database.housekeeping(operator()) as look:
        laboratory_id = laboratories.add_laboratory(look, {"name": "Quillwater", "address": ["4 Weir Lane"]})
        limits = (demo_directory() / "limits.yaml").read_text("utf-8")
        laboratories.set_limits(look, laboratory_id, limits)
        for county in ("upper-marrow", "lower-marrow"):
            laboratories.add_county(look, laboratories.County(id=county, name=county, region="marrowdale"))
        accounts.add(look, email=ANALYST, name="Analyst", role=Role.LABORATORY, laboratory_id=laboratory_id)
    database.engine.dispose()


def _state(url: str) -> tuple[str, int, int]:
    """State and version of the run, and how many values there are."""
    engine = make_engine(url)
    with engine.connect() as connection:
        row = connection.execute(sa.select(schema.run).where(schema.run.c.run_id == NAME)).one()
        values = connection.scalar(sa.select(sa.func.count()).select_from(schema.soil_value)) or 0
    engine.dispose()
    return row.state, row.version, values
