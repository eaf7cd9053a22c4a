"""Sessions, and what must hold when many try at once. Numbers are requirements of OWASP ASVS 5.0.0.

Beside these: new secret at each step, sign-out, tolerance and single use of codes in ``test_signing``; idle
and longest time in ``test_foundation``; what ends with a closed or changed account in ``test_people``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pyotp
import pytest
import sqlalchemy as sa

from service import passwords
from service.actions import people, signing
from service.callers import Caller, Role, Scope, operator
from service.refusals import Refusal
from service.store import accounts, attempts, schema
from service.tokens import new_token, sha256
from service.web.visit import COOKIE
from tests.app.server.conftest import World

GOOD = "teal kettle under nineteen maples"
NOBODY = Caller(None, "", Role.AGENT, Scope(counties=frozenset()), "page", request_id="request")


class Cheap:
    """Stands for the hasher, whose strength is not the point here."""

    def verify(self, password: str, against: str) -> bool:
        return password == GOOD

    def hash(self, password: str) -> str:
        return "hash"


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(passwords, "_hasher", Cheap)
    passwords._of_nobody.cache_clear()
    yield
    passwords._of_nobody.cache_clear()


def at_once(actions: list[Callable[[], object]]) -> Counter[str]:
    """Do things at the same moment; counts how they ended, by the name of the error."""
    gate = Barrier(len(actions))

    def one(action: Callable[[], object]) -> str:
        gate.wait(timeout=60)
        try:
            action()
        except Refusal as error:
            return type(error).__name__
        return "done"

    with ThreadPoolExecutor(len(actions)) as pool:
        return Counter(pool.map(one, actions))


# ------------------------------------------------------- v5.0.0-7.2.2, 7.2.3, 7.2.4: secrets of sessions


def test_secrets_are_kept_as_digests_alone(world: World) -> None:
    client = world.client("agent")
    path = people.invite(world.site, world.caller("administrator"), world.people["agent"])
    with world.site.database.look(operator(), None) as look:
        kept = [
            value
            for table in (schema.session, schema.link)
            for row in look.connection.execute(sa.select(table))
            for value in row
        ]
    for secret in (client.cookies[COOKIE], path.rpartition("/")[2]):
        assert sha256(secret) in kept
        assert secret not in kept


@pytest.mark.parametrize(
    "value", ["", "x", "../x", "' OR 1=1 --", "a" * 5000, pytest.param(new_token(), id="well-formed")]
)
def test_a_cookie_that_was_not_given_opens_nothing_and_is_not_adopted(lite_world: World, value: str) -> None:
    """v5.0.0-7.2.4: whoever plants a secret in a browser knows nothing after the sign-in."""
    with lite_world.site.database.housekeeping(operator()) as look:
        accounts.set_password(look, lite_world.people["agent"], "hash")
    client = lite_world.client()
    client.cookies.set(COOKIE, value, domain="soil.example", path="/")
    assert client.get("/").status_code == 303
    client.post("/sign-in", data={"email": "agent@soil.example", "password": GOOD})
    with lite_world.site.database.look(operator(), None) as look:
        kept = look.connection.scalars(sa.select(schema.session.c.token_sha256)).all()
    assert len(kept) == 1
    assert kept != [sha256(value)]


def test_one_session_cannot_confirm_another(lite_world: World) -> None:
    """A code shown in one's own session gives no rights to a session of somebody else."""
    secret = pyotp.random_base32()
    with lite_world.site.database.housekeeping(operator()) as look:
        for person in ("agent", "laboratory"):
            accounts.set_password(look, lite_world.people[person], "hash")
            accounts.set_second_factor(look, lite_world.people[person], pyotp.random_base32())
            kept, _ = accounts.second_factor(look, lite_world.people[person])
            accounts.use_code(look, lite_world.people[person], kept, 1)
        accounts.set_second_factor(look, lite_world.people["agent"], secret)
        accounts.use_code(look, lite_world.people["agent"], secret, 1)
    client = lite_world.client()
    client.post("/sign-in", data={"email": "laboratory@soil.example", "password": GOOD})
    code = pyotp.TOTP(secret).at(lite_world.clock.at)  # the agent's code on the laboratory's session
    answer = client.post("/sign-in/code", data={"code": code, "form_token": lite_world.form_token(client)})
    assert answer.status_code == 422
    assert client.get("/").status_code == 303


# ------------------------------------------------------------- v5.0.0-2.3.3, 6.3.1, 15.4.1: many at once


def test_many_tries_at_once_get_no_further_than_one_after_the_other(world: World) -> None:
    def one_try() -> object:
        return signing.sign_in(world.site, NOBODY, "192.0.2.1", "agent@soil.example", "wrong")

    ended = at_once([one_try] * 25)
    assert ended == {"WrongFields": 10, "TooMany": 15}
    with world.site.database.look(operator(), None) as look:
        keys = Counter(look.connection.scalars(sa.select(schema.attempt.c.key)))
    assert sorted(keys.values()) == [10, 10]


def test_one_code_signs_in_once_however_many_show_it_at_once(world: World) -> None:
    secret, agent = pyotp.random_base32(), world.people["agent"]
    with world.site.database.housekeeping(operator()) as look:
        accounts.set_second_factor(look, agent, secret)
        accounts.use_code(look, agent, secret, 1)
        tokens = [accounts.begin_session(look, agent, confirmed=False) for _ in range(4)]
    person = world.caller("agent")
    code = pyotp.TOTP(secret).at(world.clock.at)

    def show(token: str) -> object:
        with world.site.database.look(person, None) as look:
            chosen = sa.select(schema.session).where(schema.session.c.token_sha256 == sha256(token))
            row = look.connection.execute(chosen).one()
        session = accounts.Session(
            id=row.id, account_id=row.account_id, form_token=row.form_token, created_at=row.created_at,
            seen_at=row.seen_at, confirmed=row.confirmed,
        )  # fmt: skip
        return signing.confirm(world.site, person, session, token, code)

    ended = at_once([lambda token=token: show(token) for token in tokens])  # type: ignore[misc]
    assert ended == {"done": 1, "WrongFields": 3}


def test_one_link_sets_one_password_however_many_open_it_at_once(world: World) -> None:
    path = people.invite(world.site, world.caller("administrator"), world.people["agent"])
    token = path.rpartition("/")[2]
    ended = at_once([lambda: signing.set_password(world.site, NOBODY, token, GOOD)] * 4)
    assert ended == {"done": 1, "NotFound": 3}


def test_two_administrators_cannot_close_each_other(world: World) -> None:
    second = people.Person(email="second@soil.example", name="Second", role="administrator")
    account, _ = people.add_account(world.site, world.caller("administrator"), second)
    world.people["second"] = account.id
    first, other = world.caller("administrator"), world.caller("second")
    ended = at_once(
        [
            lambda: people.disable_account(world.site, first, account.id),
            lambda: people.disable_account(world.site, other, world.people["administrator"]),
        ]
    )
    assert ended == {"done": 1, "Conflict": 1}
    with world.site.database.look(operator(), None) as look:
        assert accounts.working_administrators(look) == 1


def test_tries_are_named_by_a_digest() -> None:
    assert attempts.key_of("account", "a@b") == attempts.key_of("account", "a@b")
    assert attempts.key_of("account", "a@b") != attempts.key_of("account", "a@c")
    assert "a@b" not in attempts.key_of("account", "a@b")
