"""Role, object, verb: every route of pages and API, asked by everybody (ASVS v5.0.0-8.2.1, 8.2.2, 8.4.1)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
import yaml
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from starlette.routing import BaseRoute, Mount

from interpretation.agronomy.tables import TableSet
from service.callers import operator
from service.server import make_app
from service.store import schema
from service.tokens import sha256
from tests.app.server.conftest import ORIGIN, World, make_world
from tests.app.server.matrix_world import PEOPLE, Filled, fill

API = "/api/v1"
SAFE = ("GET", "HEAD")


@dataclass(frozen=True)
class Row:
    """One route: what is sent, and the status everybody is answered with."""

    door: str
    method: str
    path: str
    expect: tuple[int, ...]
    values: dict[str, str] = field(default_factory=dict)
    query: dict[str, Any] = field(default_factory=dict)
    form: dict[str, Any] | None = None
    json: Any = None
    file: dict[str, list[str]] | None = None
    public: str = ""
    leaves_line: bool = False  # looking is itself a change worth a line, and nothing else

    @property
    def key(self) -> str:
        return f"{self.method} {API if self.door == 'api' else ''}{self.path}"


def rows() -> list[Row]:
    table = yaml.safe_load((Path(__file__).parent / "matrix.yaml").read_text("utf-8"))
    found = []
    for door, routes in table.items():
        for route, told in routes.items():
            method, path = route.split()
            values = told.pop("with", {})
            expect = tuple(told.pop("expect"))
            found.append(Row(door, method, path, expect, values, **told))
    return found


ROWS = rows()


def walk(routes: Sequence[BaseRoute], prefix: str = "") -> Iterator[str]:
    """Every route there is, those of mounted applications too."""
    for each in iter_route_contexts(routes):
        original = each.original_route
        if isinstance(original, Mount) and original.routes:
            yield from walk(original.routes, prefix + original.path)
        elif isinstance(original, Mount):
            yield f"GET {prefix}{original.path}/{{path}}"
        else:
            for method in sorted(each.methods or ()):
                if method != "HEAD":
                    yield f"{method} {prefix}{each.path}"


@pytest.fixture(scope="module")
def filled(
    templates: dict[str, str], tables: TableSet, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Filled]:
    folder = tmp_path_factory.mktemp("matrix")
    path = folder / "filled.sqlite3"
    path.write_bytes(Path(templates["sqlite"]).read_bytes())
    for world in make_world(f"sqlite:///{path}", tables, folder):
        yield fill(world, path)


def ask(filled: Filled, app: FastAPI, row: Row, person: str, form_token: bool = True) -> Any:
    """Send a row's request as one of the people."""
    values = {name: filled.ids.get(value, value) for name, value in row.values.items()}
    path = row.path.replace(":path}", "}").format(**(filled.ids | values))
    if row.door == "api":
        client = filled.program(app, person)
        path = API + path
    else:
        client = filled.browser(app, person)
        client.headers["origin"] = ORIGIN
    sent: dict[str, Any] = {"params": filled.resolved(row.query)}
    if row.form is not None or (row.door == "pages" and row.method == "POST"):
        token = {"form_token": filled.form_tokens.get(person, "none")} if form_token else {}
        sent["data"] = filled.resolved(row.form or {}) | (token if row.door == "pages" else {})
    if row.json is not None:
        sent["json"] = filled.resolved(row.json)
    if row.file is not None:
        files = filled.resolved(row.file).items()
        sent["files"] = {
            name: (named, content.encode() if isinstance(content, str) else content)
            for name, (named, content) in files
        }
    return client.request(row.method, path, **sent)


def stored(world: World) -> dict[str, str]:
    """A digest of each table that a refused request must leave as it was."""
    with world.site.database.look(operator(), None) as look:
        return {
            name: sha256(str(look.connection.execute(sa.select(table)).all()))
            for name, table in schema.metadata.tables.items()
            if name not in ("session", "attempt", "submission")
        }


def test_every_route_has_its_row(filled: Filled) -> None:
    there = set(walk(make_app(filled.world.site).routes))
    known = {row.key for row in ROWS}
    assert there - known == set(), "these routes have no row in matrix.yaml"
    assert known - there == set(), "these rows have no route"
    assert len(known) == len(ROWS)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.key)
def test_everybody_is_answered_as_the_table_says(filled: Filled, row: Row, tmp_path: Path) -> None:
    assert len(row.expect) == len(PEOPLE)
    expected = dict(zip(PEOPLE, row.expect, strict=True))
    changing = {person for person in PEOPLE if may_change(row, person, expected[person])}
    answered = {}
    with filled.copy(tmp_path) as world:
        before, app = stored(world), make_app(world.site)
        for person in PEOPLE:
            if person not in changing:
                answered[person] = ask(filled, app, row, person).status_code
                after = stored(world)
                if row.leaves_line:
                    before["audit"] = after["audit"]
                assert after == before, f"this changed something: {person}"
    for person in changing:
        with filled.copy(tmp_path) as world:
            answered[person] = ask(filled, make_app(world.site), row, person).status_code
    assert answered == expected


def may_change(row: Row, person: str, status: int) -> bool:
    """Whether a request is one that is carried out and may store something."""
    return row.method not in SAFE and person != "nobody" and status < 400


@pytest.mark.parametrize("row", [row for row in ROWS if not row.public], ids=lambda row: row.key)
def test_what_is_refused_is_refused_for_one_of_three_reasons(row: Row) -> None:
    """Nobody: sign in. Another role: not your work. Somebody else's: there is no such thing."""
    assert row.expect[0] == (401 if row.door == "api" else 303)
    assert set(row.expect[1:]) <= {200, 201, 204, 303, 403, 404, 409, 422}
    assert any(status < 400 or status in (409, 422) for status in row.expect[1:]), "nobody may do this"
    agent, other_agent = row.expect[2], row.expect[6]
    assert agent != 403 or other_agent == 403
    laboratory, other_laboratory = row.expect[1], row.expect[5]
    assert other_laboratory != 403 or laboratory == 403
    assert laboratory != 403 or other_laboratory in (403, 404)


FORMS = [row for row in ROWS if row.door == "pages" and row.method == "POST" and not row.public]


@pytest.mark.parametrize("row", FORMS, ids=lambda row: row.key)
def test_no_form_is_taken_without_its_sessions_token(filled: Filled, row: Row, tmp_path: Path) -> None:
    person = next(p for p, status in zip(PEOPLE[1:], row.expect[1:], strict=True) if status not in (403, 404))
    with filled.copy(tmp_path) as world:
        before = stored(world)
        answer = ask(filled, make_app(world.site), row, person, form_token=False)
        assert answer.status_code == 409, answer.text
        assert stored(world) == before


NUMBERED = [row for row in ROWS if row.method == "GET" and re.search(r"\{\w+_id\}", row.path)]


@pytest.mark.parametrize("row", NUMBERED, ids=lambda row: row.key)
def test_a_number_that_no_object_has_is_not_found(filled: Filled, row: Row, tmp_path: Path) -> None:
    person = next(p for p, status in zip(PEOPLE[1:], row.expect[1:], strict=True) if status == 200)
    names = re.findall(r"\{(\w+_id)\}", row.path)
    with filled.copy(tmp_path) as world:
        app = make_app(world.site)
        for number in ("0", "-1", "999999", "2147483648", "9223372036854775808", "x", "1.5", "1e3", "%00"):
            values = row.values | dict.fromkeys(names, number)
            changed = Row(row.door, row.method, row.path, row.expect, values, row.query)
            assert ask(filled, app, changed, person).status_code == 404, number
