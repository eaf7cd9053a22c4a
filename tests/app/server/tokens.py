"""Access tokens for the tests of the API."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from starlette.testclient import TestClient

from service.callers import RIGHTS, Right, operator
from service.store import schema
from service.tokens import new_token, sha256
from tests.app.server.conftest import ORIGIN, World


def make_token(world: World, person: str, rights: Iterable[Right] | None = None) -> str:
    """Make an access token of one of the people, with all rights of the role or some."""
    token = new_token()
    with world.site.database.housekeeping(operator()) as look:
        given = RIGHTS[world.caller(person).role] if rights is None else rights
        look.connection.execute(
            schema.access_token.insert().values(
                token_sha256=sha256(token), account_id=world.people[person], name="test",
                rights=sorted(right.value for right in given), created_at=look.now,
                expires_at=look.now + timedelta(days=1),
            )
        )  # fmt: skip
    return token


def program(
    world: World, person: str | None, rights: Iterable[Right] | None = None, app: object = None
) -> TestClient:
    """Make a program that asks as one of the people, or as nobody."""
    client = TestClient(
        app or world.app, base_url=ORIGIN, follow_redirects=False, raise_server_exceptions=False
    )  # type: ignore[arg-type]
    if person is not None:
        client.headers["authorization"] = f"Bearer {make_token(world, person, rights)}"
    return client
