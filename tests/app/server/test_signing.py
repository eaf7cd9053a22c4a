"""Signing in: two steps, limits of tries, links that work once."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pyotp
import pytest
import segno
import sqlalchemy as sa
from starlette.testclient import TestClient

from service import passwords
from service.actions import people, signing
from service.actions.wrongfields import WrongFields
from service.callers import Caller, Role, Scope, operator
from service.pages.signing import own_path, square
from service.refusals import Conflict, NotFound, TooMany
from service.store import accounts, schema
from service.store.accounts import Session
from service.web.visit import COOKIE
from tests.app.server.conftest import World

GOOD = "teal kettle under nineteen maples"
NOBODY = Caller(None, "", Role.AGENT, Scope(counties=frozenset()), "page", request_id="request")


@pytest.fixture(scope="module")
def kept() -> str:
    """The hash of ``GOOD``, made once: each takes its time."""
    return passwords.hashed(GOOD)


def give_password(world: World, person: str, kept: str, secret: str = "") -> None:
    """Let one of the people have ``GOOD`` as password, and a telephone if ``secret`` is given."""
    with world.site.database.housekeeping(operator()) as look:
        accounts.set_password(look, world.people[person], kept)
        if secret:
            accounts.set_second_factor(look, world.people[person], secret)
            assert accounts.use_code(look, world.people[person], secret, 1)


def code_of(world: World, secret: str, step: int = 0) -> str:
    return pyotp.TOTP(secret).generate_otp(int(world.clock.at.timestamp()) // 30 + step)


def sign_in(
    world: World, person: str = "agent", password: str = GOOD, address: str = "192.0.2.1"
) -> signing.SignedIn:
    return signing.sign_in(world.site, NOBODY, address, f"{person}@soil.example", password)


def found(world: World, token: str) -> tuple[Session, Caller] | None:
    with world.site.database.look(NOBODY, None) as look:
        return accounts.session_of(look, token, idle=timedelta(minutes=30), longest=timedelta(hours=12))


def rows(world: World, table: sa.Table) -> int:
    with world.site.database.look(NOBODY, None) as look:
        return look.connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()


def verbs(world: World) -> list[str]:
    with world.site.database.look(NOBODY, None) as look:
        return list(look.connection.scalars(sa.select(schema.audit.c.verb).order_by("id")))


# ---------------------------------------------------------------------------------------- two steps


def test_a_password_alone_gives_no_rights_and_a_code_gives_another_session(world: World, kept: str) -> None:
    secret = pyotp.random_base32()
    give_password(world, "agent", kept, secret)
    first = sign_in(world)
    assert not first.confirmed
    session, person = found(world, first.token) or pytest.fail("no session")
    assert not session.confirmed
    second = signing.confirm(world.site, person, session, first.token, code_of(world, secret))
    assert second.confirmed
    assert second.token != first.token
    assert found(world, first.token) is None
    confirmed, _ = found(world, second.token) or pytest.fail("no session")
    assert confirmed.confirmed
    assert confirmed.form_token != session.form_token
    assert verbs(world) == ["give password", "sign in"]


def test_signing_in_again_ends_the_session_before(world: World, kept: str) -> None:
    give_password(world, "agent", kept)
    first = sign_in(world)
    second = signing.sign_in(world.site, NOBODY, "192.0.2.1", " AGENT@soil.example ", GOOD, first.token)
    assert found(world, first.token) is None
    assert found(world, second.token) is not None


@pytest.mark.parametrize("step", [-1, 0, 1])
def test_a_code_of_the_step_before_or_after_is_taken(world: World, kept: str, step: int) -> None:
    secret = pyotp.random_base32()
    give_password(world, "agent", kept, secret)
    first = sign_in(world)
    session, person = found(world, first.token) or pytest.fail("no session")
    assert signing.confirm(world.site, person, session, first.token, code_of(world, secret, step)).confirmed


@pytest.mark.parametrize("step", [-2, 2])
def test_a_code_of_two_steps_away_is_refused(world: World, kept: str, step: int) -> None:
    secret = "JBSWY3DPEHPK3PXPJBSWY3DPEHPK3PXP"
    give_password(world, "agent", kept, secret)
    first = sign_in(world)
    session, person = found(world, first.token) or pytest.fail("no session")
    with pytest.raises(WrongFields, match="nobody was signed in") as refused:
        signing.confirm(world.site, person, session, first.token, code_of(world, secret, step))
    assert refused.value.fields == {"code": "this code is wrong, too old, or was used before"}
    assert not (found(world, first.token) or pytest.fail("no session"))[0].confirmed


@pytest.mark.parametrize("later", [0, 1])
def test_a_code_never_works_twice_nor_an_older_one_after_it(world: World, kept: str, later: int) -> None:
    secret = pyotp.random_base32()
    give_password(world, "agent", kept, secret)
    code = code_of(world, secret)
    for number in range(2):
        first = sign_in(world)
        session, person = found(world, first.token) or pytest.fail("no session")
        if number == 0:
            signing.confirm(world.site, person, session, first.token, code_of(world, secret, later))
            continue
        with pytest.raises(WrongFields, match="nobody was signed in"):
            signing.confirm(world.site, person, session, first.token, code)


def test_a_code_comes_within_a_quarter_of_an_hour_of_the_password(world: World, kept: str) -> None:
    secret = pyotp.random_base32()
    give_password(world, "agent", kept, secret)
    first = sign_in(world)
    session, person = found(world, first.token) or pytest.fail("no session")
    world.clock.move(minutes=15, seconds=1)
    with pytest.raises(Conflict, match="the password was given too long ago"):
        signing.confirm(world.site, person, session, first.token, code_of(world, secret))
    world.clock.move(seconds=-1)  # exactly a quarter of an hour
    assert signing.confirm(world.site, person, session, first.token, code_of(world, secret)).confirmed


def test_the_key_for_the_telephone_is_new_until_a_code_was_shown_and_then_never_told(
    world: World, kept: str
) -> None:
    give_password(world, "agent", kept)
    keys = []
    for _ in range(2):
        token = sign_in(world).token
        session, person = found(world, token) or pytest.fail("no session")
        enrolment = signing.enrolment(world.site, person)
        assert enrolment is not None
        keys.append(enrolment.key)
        assert f"secret={enrolment.key}" in enrolment.uri
    assert keys[0] != keys[1]
    with pytest.raises(WrongFields):
        signing.confirm(world.site, person, session, token, code_of(world, keys[0]))
    signing.confirm(world.site, person, session, token, code_of(world, keys[1]))
    assert signing.enrolment(world.site, person) is None
    sign_in(world)
    with world.site.database.look(NOBODY, None) as look:
        assert accounts.second_factor(look, world.people["agent"])[0] == keys[1]


def test_without_the_second_factor_a_password_is_enough(world: World, kept: str) -> None:
    give_password(world, "agent", kept)
    settings = world.site.settings.model_copy(update={"second_factor": False})
    signed = signing.sign_in(replace(world.site, settings=settings), NOBODY, "", "agent@soil.example", GOOD)
    assert signed.confirmed
    assert verbs(world) == ["sign in"]


# ------------------------------------------------------------------------------------ what is refused


def test_a_wrong_password_an_unknown_and_a_closed_account_are_refused_alike(world: World, kept: str) -> None:
    give_password(world, "agent", kept)
    give_password(world, "other-agent", kept)
    people.disable_account(world.site, world.caller("administrator"), world.people["other-agent"])
    told = set()
    for person, password in (
        ("agent", GOOD + "x"),
        ("stranger", GOOD),
        ("other-agent", GOOD),
        ("laboratory", ""),
    ):
        with pytest.raises(WrongFields) as refused:
            sign_in(world, person, password)
        told.add(str(refused.value))
    assert len(told) == 1
    assert rows(world, schema.session) == 0


def test_an_unknown_account_costs_as_many_hashes_as_a_known_one(
    lite_world: World, kept: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The path is the same for both, so the time tells nothing (nothing is timed here)."""
    give_password(lite_world, "agent", kept)
    checked: list[str] = []

    class Counting:
        def verify(self, password: str, against: str) -> bool:
            checked.append(against)
            return False

        def hash(self, password: str) -> str:
            return "of nobody"

    monkeypatch.setattr(passwords, "_hasher", Counting)
    passwords._of_nobody.cache_clear()
    for person in ("agent", "stranger"):
        with pytest.raises(WrongFields):
            sign_in(lite_world, person)
    passwords._of_nobody.cache_clear()
    assert checked == [kept, "of nobody"]


class Cheap:
    """Stands for the hasher where many tries are counted: refuses everything but ``GOOD``."""

    def verify(self, password: str, against: str) -> bool:
        return password == GOOD

    def hash(self, password: str) -> str:
        return "hash"


@pytest.fixture
def cheap(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(passwords, "_hasher", Cheap)
    passwords._of_nobody.cache_clear()
    yield
    passwords._of_nobody.cache_clear()


@pytest.mark.usefixtures("cheap")
def test_ten_tries_close_an_account_for_a_quarter_of_an_hour(world: World) -> None:
    give_password(world, "agent", "hash")
    for number in range(10):
        with pytest.raises(WrongFields):
            sign_in(world, password="wrong", address=f"192.0.2.{number}")
        world.clock.move(seconds=10)
    with pytest.raises(TooMany) as refused:  # even with the right one, from anywhere
        sign_in(world, address="192.0.2.99")
    assert refused.value.wait_seconds == 15 * 60 - 100
    assert "too many tries" in str(refused.value)
    assert "wait 14 min" in str(refused.value)
    assert rows(world, schema.attempt) == 20  # what was not looked at is not counted
    sign_in_of_another = pytest.raises(WrongFields)
    with sign_in_of_another:
        sign_in(world, "laboratory", "wrong", address="192.0.2.99")
    world.clock.move(seconds=15 * 60 - 101)
    with pytest.raises(TooMany):
        sign_in(world)
    world.clock.move(seconds=1)  # the first of the ten has left the window
    assert sign_in(world).token


@pytest.mark.usefixtures("cheap")
def test_twenty_tries_from_one_address_are_heard_and_no_more(world: World) -> None:
    give_password(world, "agent", "hash")
    for number in range(20):
        with pytest.raises(WrongFields):
            sign_in(world, f"stranger-{number}")
    with pytest.raises(TooMany):
        sign_in(world)
    assert sign_in(world, address="192.0.2.2").token


@pytest.mark.usefixtures("cheap")
def test_a_right_password_is_no_try_and_clears_those_of_its_account(world: World) -> None:
    give_password(world, "agent", "hash")
    for _ in range(25):  # more than either limit
        sign_in(world)
    assert rows(world, schema.attempt) == 0
    for _ in range(2):
        for _ in range(9):
            with pytest.raises(WrongFields):
                sign_in(world, password="wrong")
        sign_in(world)
    assert rows(world, schema.attempt) == 18  # those of the address stay


@pytest.mark.usefixtures("cheap")
def test_wrong_codes_are_counted_over_the_day_as_well(world: World) -> None:
    secret = pyotp.random_base32()
    give_password(world, "agent", "hash", secret)
    wrong = "000000"
    assert wrong not in {code_of(world, secret, step) for step in range(-2, 400)}

    def one_try() -> None:
        first = sign_in(world)
        session, person = found(world, first.token) or pytest.fail("no session")
        signing.confirm(world.site, person, session, first.token, wrong)

    for _ in range(4):
        for _ in range(5):
            with pytest.raises(WrongFields):
                one_try()
        with pytest.raises(TooMany):
            one_try()
        world.clock.move(minutes=15)
    with pytest.raises(TooMany) as refused:
        one_try()
    assert refused.value.wait_seconds == 23 * 3600
    people.reset_second_factor(world.site, world.caller("administrator"), world.people["agent"])
    with pytest.raises(WrongFields):
        one_try()


@pytest.mark.usefixtures("cheap")
def test_old_tries_and_sessions_are_swept(world: World) -> None:
    give_password(world, "agent", "hash")
    with pytest.raises(WrongFields):
        sign_in(world, "stranger")
    sign_in(world)
    world.clock.move(hours=24)
    sign_in(world)
    assert rows(world, schema.attempt) == 0
    assert rows(world, schema.session) == 1


def test_tries_are_kept_without_address_and_name(world: World) -> None:
    with pytest.raises(WrongFields):
        sign_in(world, "stranger")
    with world.site.database.look(NOBODY, None) as look:
        keys = list(look.connection.scalars(sa.select(schema.attempt.c.key)))
    assert sorted(key.split(":")[0] for key in keys) == ["account", "address"]
    assert not any("stranger" in key or "192" in key.split(":")[0] for key in keys)


# ------------------------------------------------------------------------------------------ the link


def token_of(path: str) -> str:
    return path.removeprefix("/set-password/")


def test_a_link_sets_a_password_once(world: World) -> None:
    path = people.invite(world.site, world.caller("administrator"), world.people["agent"])
    old = world.client("agent")
    signed = signing.set_password(world.site, NOBODY, token_of(path), GOOD)
    assert signed is not None
    assert not signed.confirmed  # on to the telephone
    assert old.get("/").status_code == 303  # every session before has ended
    with pytest.raises(NotFound, match="this link does not work"):
        signing.set_password(world.site, NOBODY, token_of(path), GOOD + "!")
    assert sign_in(world).token


def test_a_link_holds_for_two_days_and_a_new_one_ends_it(world: World) -> None:
    administrator, agent = world.caller("administrator"), world.people["agent"]
    first = people.invite(world.site, administrator, agent)
    second = people.invite(world.site, administrator, agent)
    with pytest.raises(NotFound):
        signing.account_of_link(world.site, NOBODY, token_of(first))
    world.clock.move(hours=48, seconds=-1)
    assert signing.account_of_link(world.site, NOBODY, token_of(second)).id == agent
    world.clock.move(seconds=1)
    with pytest.raises(NotFound):
        signing.set_password(world.site, NOBODY, token_of(second), GOOD)


def test_a_link_of_another_purpose_or_a_closed_account_sets_nothing(world: World) -> None:
    administrator, agent = world.caller("administrator"), world.people["agent"]
    token = token_of(people.invite(world.site, administrator, agent))
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.link.update().values(purpose="report"))
    with pytest.raises(NotFound):
        signing.account_of_link(world.site, NOBODY, token)
    token = token_of(people.invite(world.site, administrator, agent))
    people.disable_account(world.site, administrator, agent)
    with pytest.raises(NotFound):
        signing.account_of_link(world.site, NOBODY, token)


def test_a_password_that_cannot_be_taken_leaves_the_link_as_it_was(world: World) -> None:
    token = token_of(people.invite(world.site, world.caller("administrator"), world.people["agent"]))
    with pytest.raises(WrongFields) as refused:
        signing.set_password(world.site, NOBODY, token, "too short")
    assert refused.value.fields == {"password": "a password has at least 15 characters"}
    assert signing.set_password(world.site, NOBODY, token, GOOD) is not None


def test_an_account_with_a_telephone_signs_in_with_its_new_password(world: World, kept: str) -> None:
    give_password(world, "agent", kept, pyotp.random_base32())
    token = token_of(people.invite(world.site, world.caller("administrator"), world.people["agent"]))
    assert signing.set_password(world.site, NOBODY, token, GOOD) is None


# ------------------------------------------------------------------------------------------ the pages


@pytest.mark.parametrize(
    ("wanted", "path"),
    [
        ("/runs", "/runs"), ("/fields?q=a", "/fields?q=a"), ("", "/"), ("runs", "/"),
        ("//elsewhere.example", "/"), ("https://elsewhere.example", "/"),
        ("/\\elsewhere.example", "/"), ("/a\r\nset-cookie: b", "/"),
        ("/\t/elsewhere.example", "/"), ("javascript:alert(1)", "/"),
    ],
)  # fmt: skip
def test_signing_in_leads_only_to_pages_of_this_site(wanted: str, path: str) -> None:
    assert own_path(wanted) == path


def test_the_picture_of_the_key_has_every_dark_square_and_an_edge() -> None:
    text = "otpauth://totp/Furrowslice:agent%40soil.example?secret=JBSWY3DPEHPK3PXP&issuer=Furrowslice"
    drawn = square(text)
    code = segno.make_qr(text, error="m")
    dark = {(x + 4, y + 4) for y, row in enumerate(code.matrix) for x, each in enumerate(row) if each}
    assert drawn.size == len(code.matrix) + 8
    found = re.findall(r"M(\d+) (\d+)h1v1h-1z", drawn.path)
    assert {(int(x), int(y)) for x, y in found} == dark
    assert len(dark) > 100


def walk_in(world: World, client: TestClient, kept: str) -> str:
    """Sign in on the pages as the agent; returns the key of the telephone."""
    give_password(world, "agent", kept)
    answer = client.post("/sign-in", data={"email": "agent@soil.example", "password": GOOD, "next": "/me"})
    assert answer.headers["location"] == "/sign-in/code?next=/me"
    page = client.get(answer.headers["location"])
    key = "".join((re.search(r'<code class="key">([^<]+)<', page.text) or pytest.fail(page.text))[1].split())
    assert "<svg" in page.text
    assert page.text.count("style=") == 0
    assert client.get("/").headers["location"] == "/sign-in?next=/"  # no rights yet
    before = client.cookies[COOKIE]
    form = {"code": code_of(world, key), "next": "/me", "form_token": world.form_token(client)}
    answer = client.post("/sign-in/code", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/me")
    assert client.cookies[COOKIE] != before
    return key


def test_the_pages_sign_a_person_in_and_really_out(lite_world: World, kept: str) -> None:
    client = lite_world.client()
    walk_in(lite_world, client, kept)
    assert client.get("/").status_code == 200
    assert client.get("/sign-in?next=/me").headers["location"] == "/me"
    stolen = client.cookies[COOKIE]
    answer = client.post("/sign-out", data={"form_token": lite_world.form_token(client)})
    assert answer.headers["location"] == "/sign-in?done=signing.done-signed-out"
    assert "max-age=0" in answer.headers["set-cookie"].casefold()
    assert "You have signed out" in client.get(answer.headers["location"]).text
    other = lite_world.client()
    other.cookies.set(COOKIE, stolen, domain="soil.example", path="/")
    assert other.get("/").status_code == 303
    assert rows(lite_world, schema.session) == 0


def test_a_code_needs_the_form_of_its_session(lite_world: World, kept: str) -> None:
    client = lite_world.client()
    give_password(lite_world, "agent", kept)
    client.post("/sign-in", data={"email": "agent@soil.example", "password": GOOD})
    answer = client.post("/sign-in/code", data={"code": "123456", "form_token": "another"})
    assert answer.status_code == 409
    assert client.post("/sign-in/code", data={"code": "123456"}).status_code == 409


def test_the_page_says_what_is_wrong_in_the_language_of_the_browser(lite_world: World) -> None:
    form = {"email": "agent@soil.example", "password": "<b>wrong</b>", "next": "https://elsewhere.example"}
    english = lite_world.client().post("/sign-in", data=form)
    assert english.status_code == 422
    assert "do not fit together" in english.text
    assert "elsewhere" not in english.text
    assert "wrong" not in english.text.replace("wrong-", "").split("</form>")[0].split("<form")[1]
    spanish = lite_world.client().post("/sign-in", data=form, headers={"accept-language": "es-MX,en;q=0.5"})
    assert "no corresponden" in spanish.text


@pytest.mark.usefixtures("cheap")
def test_too_many_tries_are_answered_with_the_time_to_wait(lite_world: World) -> None:
    client = lite_world.client()
    answers = [
        client.post("/sign-in", data={"email": f"{number}@soil.example", "password": "wrong"})
        for number in range(21)
    ]
    assert [answer.status_code for answer in answers] == [422] * 20 + [429]
    assert answers[-1].headers["retry-after"] == "900"
    assert "Wait 15 min" in answers[-1].text


def test_the_page_of_a_link_sets_a_password_and_leads_to_the_telephone(lite_world: World) -> None:
    path = people.invite(lite_world.site, lite_world.caller("administrator"), lite_world.people["agent"])
    client = lite_world.client()
    page = client.get(path)
    assert page.status_code == 200
    assert 'autocomplete="new-password"' in page.text
    refused = client.post(path, data={"password": "agent@soil.example"})
    assert refused.status_code == 422
    assert "made from your own name or address" in refused.text
    answer = client.post(path, data={"password": GOOD})
    assert answer.headers["location"] == "/sign-in/code"
    assert "Set up your telephone" in client.get("/sign-in/code").text
    for again in (client.get(path), client.post(path, data={"password": GOOD})):
        assert again.status_code == 404
        assert "This link does not work" in again.text
