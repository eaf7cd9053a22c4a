"""Sites for the tests of the server: on SQLite and on PostgreSQL, with people of every role."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa
from fastapi import FastAPI
from starlette.testclient import TestClient

from interpretation.agronomy.tables import TableSet
from service.actions.card import read_laboratory
from service.actions.seeding import seed
from service.callers import RIGHTS, Caller, Role, Scope, operator
from service.logs import configure_log
from service.paths import demo_directory, tables_directory
from service.server import make_app
from service.settings import Settings
from service.site import Site
from service.store import accounts, schema
from service.store.database import Database, make_engine
from service.store.migrating import migrate
from service.tablefiles import read_tables
from service.tokens import sha256
from service.web.visit import COOKIE
from tests.app.server.clusters import Cluster, cluster

START = datetime(2026, 4, 20, 9, 0, tzinfo=UTC)
ORIGIN = "https://soil.example"


@dataclass
class Clock:
    """A clock that stands still until a test moves it."""

    at: datetime = START

    def __call__(self) -> datetime:
        return self.at

    def move(self, **more: float) -> None:
        self.at += timedelta(**more)


@dataclass
class World:
    """A site with two laboratories, two counties and people of every role.

    ``people`` has the roles' names as keys, each in laboratory ``a``, and ``other-laboratory``,
    ``other-agent`` in laboratory ``b`` or in the other county. The agent's county is ``upper``. The
    ``reviewer`` is a second agronomist of the same region.
    """

    site: Site
    clock: Clock
    laboratories: dict[str, int] = field(default_factory=dict)
    people: dict[str, int] = field(default_factory=dict)
    made: FastAPI | None = field(default=None, init=False, repr=False)

    def caller(self, person: str) -> Caller:
        """One of the people, as an action sees them."""
        with self.site.database.look(operator(), None) as look:
            found = accounts.by_id(look, self.people[person])
        assert found is not None
        counties = frozenset(found.counties) if found.role is Role.AGENT else None
        scope = Scope(found.laboratory_id, counties, found.region)
        return Caller(
            found.id, found.name, found.role, scope, "page", RIGHTS[found.role], found.language, "request"
        )

    @property
    def app(self) -> FastAPI:
        """The application of the site, made once as long as the site is the same."""
        if self.made is None or self.made.state.site is not self.site:
            self.made = make_app(self.site)
        return self.made

    def client(self, person: str | None = None) -> TestClient:
        """A browser without script, signed in as one of the people or not at all."""
        client = TestClient(self.app, base_url=ORIGIN, follow_redirects=False, raise_server_exceptions=False)
        if person is not None:
            with self.site.database.housekeeping(operator()) as look:
                token = accounts.begin_session(look, self.people[person], confirmed=True)
            client.cookies.set(COOKIE, token, domain="soil.example", path="/")
        return client

    def form_token(self, client: TestClient) -> str:
        """What a form of this browser's session must carry."""
        digest_of = sha256(client.cookies[COOKIE])
        with self.site.database.look(operator(), None) as look:
            chosen = sa.select(schema.session.c.form_token).where(schema.session.c.token_sha256 == digest_of)
            token: str = look.connection.execute(chosen).scalar_one()
        return token


@pytest.fixture(autouse=True)
def log() -> None:
    """Write the log as the server does, whatever a command of the test before has made of it.

    The library's own way of showing a trace takes a minute for each.
    """
    configure_log()


@pytest.fixture(scope="session")
def tables() -> TableSet:
    """The shipped tables, read once."""
    return read_tables(tables_directory())


@pytest.fixture(scope="session")
def postgres() -> Iterator[Cluster]:
    """The suite's PostgreSQL."""
    with cluster() as running:
        yield running


@pytest.fixture(scope="session")
def templates(
    tmp_path_factory: pytest.TempPathFactory, postgres: Cluster, tables: TableSet
) -> dict[str, str]:
    """A migrated database of each kind that holds the shipped tables alone, to be copied for each test."""
    path = tmp_path_factory.mktemp("template") / "template.sqlite3"
    urls = {"sqlite": f"sqlite:///{path}", "postgresql": postgres.url("template_furrowslice")}
    _administer(postgres, "CREATE DATABASE template_furrowslice")
    for kind, url in urls.items():
        engine = make_engine(url)
        migrate(engine)
        seed(Site(Settings(), Database(engine, Clock()), tables))
        with engine.begin() as connection:
            # A test finds its own lines alone, numbered from 1.
            whole = "TRUNCATE audit RESTART IDENTITY" if kind == "postgresql" else "DELETE FROM audit"
            connection.execute(sa.text(whole))
        engine.dispose()
    return {"sqlite": str(path), "postgresql": "template_furrowslice"}


def _administer(postgres: Cluster, command: str) -> None:
    with psycopg.connect(
        host="127.0.0.1", port=postgres.port, user="suite", password=postgres.password, dbname="postgres",
        autocommit=True,
    ) as connection:  # fmt: skip
        connection.execute(command)  # type: ignore[arg-type]  # a name of our own


@pytest.fixture
def make_url(templates: dict[str, str], postgres: Cluster, tmp_path: Path) -> Iterator[Callable[[str], str]]:
    """Make an empty database of a kind for one test; returns its URL."""
    made: list[str] = []

    def make(kind: str) -> str:
        if kind == "sqlite":
            path = tmp_path / f"{secrets.token_hex(4)}.sqlite3"
            path.write_bytes(Path(templates["sqlite"]).read_bytes())
            return f"sqlite:///{path}"
        name = f"test_{secrets.token_hex(8)}"
        _administer(postgres, f"CREATE DATABASE {name} TEMPLATE {templates['postgresql']}")
        made.append(name)
        return postgres.url(name)

    yield make
    for name in made:
        _administer(postgres, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def make_empty_url(postgres: Cluster, tmp_path: Path) -> Iterator[Callable[[str], str]]:
    """Make a database of a kind without a single table; returns its URL."""
    made: list[str] = []

    def make(kind: str) -> str:
        name = f"test_{secrets.token_hex(8)}"
        if kind == "sqlite":
            return f"sqlite:///{tmp_path / name}.sqlite3"
        _administer(postgres, f"CREATE DATABASE {name}")
        made.append(name)
        return postgres.url(name)

    yield make
    for name in made:
        _administer(postgres, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def world(
    request: pytest.FixtureRequest, make_url: Callable[[str], str], tables: TableSet, tmp_path: Path
) -> Iterator[World]:
    """The same world on either engine."""
    yield from make_world(make_url(request.param), tables, tmp_path)


@pytest.fixture
def lite_world(make_url: Callable[[str], str], tables: TableSet, tmp_path: Path) -> Iterator[World]:
    """A world on SQLite alone, for tests of pages where the engine makes no difference."""
    yield from make_world(make_url("sqlite"), tables, tmp_path)


def make_world(url: str, tables: TableSet, folder: Path) -> Iterator[World]:
    """Fill an empty database with laboratories, counties and people."""
    clock = Clock()
    engine = make_engine(url)
    settings = Settings(data=folder, database_url=url, public_url=ORIGIN, mode="development")
    site = Site(settings, Database(engine, clock), tables)
    world = World(site, clock)
    card = read_laboratory(demo_directory() / "laboratory.yaml").model_dump(mode="json")
    with site.database.housekeeping(operator()) as look:
        for key, name in (("a", "Quillwater Soil Laboratory"), ("b", "Aldermarsh Soil Laboratory")):
            world.laboratories[key] = look.connection.execute(
                schema.laboratory.insert()
                .values(name=name, card=card | {"name": name}, created_at=look.now)
                .returning(schema.laboratory.c.id)
            ).scalar_one()
        for county in ("upper", "lower"):
            look.connection.execute(
                schema.county.insert().values(id=county, name=county.title(), region="marrowdale")
            )
        a, b = world.laboratories["a"], world.laboratories["b"]
        for person, role, laboratory, more in (
            ("laboratory", Role.LABORATORY, a, {}),
            ("agent", Role.AGENT, a, {"counties": ("upper",)}),
            ("agronomist", Role.AGRONOMIST, None, {"region": "marrowdale"}),
            ("administrator", Role.ADMINISTRATOR, None, {}),
            ("other-laboratory", Role.LABORATORY, b, {}),
            ("other-agent", Role.AGENT, a, {"counties": ("lower",)}),
            ("reviewer", Role.AGRONOMIST, None, {"region": "marrowdale"}),
        ):
            world.people[person] = accounts.add(
                look, email=f"{person}@soil.example", name=person.title(), role=role,
                laboratory_id=laboratory, **more,
            )  # fmt: skip
    yield world
    engine.dispose()
