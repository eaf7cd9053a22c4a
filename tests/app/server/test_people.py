"""Accounts, laboratories, counties, changes, and what everybody does for themselves."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pyotp
import pytest
import sqlalchemy as sa

from service import passwords
from service.actions import laboratories, myself, people, wrongfields
from service.actions.laboratories import Card
from service.actions.people import Person
from service.actions.wrongfields import WrongFields
from service.callers import RIGHTS, Right, Role, operator
from service.refusals import Conflict, NotAllowed, NotFound, TooMany
from service.store import accounts, audit, schema
from service.store.audit import Filter
from service.tokens import sha256
from service.web.templates import catalogue
from service.web.visit import COOKIE
from tests.app.server.conftest import World
from tests.app.server.tokens import program

GOOD, OTHER = "teal kettle under nineteen maples", "ninety amber otters rowing home"


class Cheap:
    """Stands for the hasher where its strength is not the point."""

    def verify(self, password: str, against: str) -> bool:
        return against == f"hash of {password}"

    def hash(self, password: str) -> str:
        return f"hash of {password}"


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(passwords, "_hasher", Cheap)
    passwords._of_nobody.cache_clear()
    yield
    passwords._of_nobody.cache_clear()


def person(world: World, **more: object) -> Person:
    fields = {
        "email": "New.Person@soil.example", "name": "New Person", "role": "agent",
        "laboratory_id": world.laboratories["a"], "counties": ("upper",),
    }  # fmt: skip
    return Person.model_validate(fields | more)


def last_line(world: World) -> audit.Line:
    lines, _ = people.list_changes(world.site, world.caller("administrator"), Filter())
    return lines[0]


# ----------------------------------------------------------------------------------- administrator


def test_the_first_administrator_gets_a_link_and_there_is_only_one_first(world: World) -> None:
    assert people.first_administrator(world.site) is None
    with world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.account_county.delete())
        look.connection.execute(schema.account.delete())
    path = people.first_administrator(world.site)
    assert path is not None
    assert re.fullmatch(r"/set-password/[A-Za-z0-9_-]{43}", path)
    with world.site.database.look(operator(), None) as look:
        (only,) = accounts.everybody(look)
    assert (only.email, only.name, only.role) == (
        "administrator@localhost",
        "Administrator",
        Role.ADMINISTRATOR,
    )
    assert people.first_administrator(world.site) is None


def test_an_account_is_added_with_a_link_and_an_audit_line(world: World) -> None:
    account, path = people.add_account(world.site, world.caller("administrator"), person(world))
    assert (account.email, account.counties) == ("new.person@soil.example", ("upper",))
    assert not account.has_password
    line = last_line(world)
    assert (line.who, line.verb, line.kind, line.object_id) == (
        "Administrator",
        "add",
        "account",
        str(account.id),
    )
    assert line.after["counties"] == ["upper"]
    assert path.removeprefix("/set-password/") not in str(line)


@pytest.mark.parametrize(
    ("more", "field", "told"),
    [
        ({"email": "nobody"}, "email", "this is no e-mail address"),
        ({"email": "no body@soil.example"}, "email", "this is no e-mail address"),
        ({"email": ""}, "email", "this is needed"),
        ({"email": "a" * 190 + "@soil.example"}, "email", "this is too long"),
        ({"email": "AGENT@soil.example"}, "email", "somebody else has this e-mail address"),
        ({"name": "  "}, "name", "this is needed"),
        ({"name": "n" * 201}, "name", "this is too long"),
        ({"name": "Ann\x00"}, "name", "this holds characters that cannot be seen"),
        ({"name": "Ann\nB"}, "name", "this holds characters that cannot be seen"),
        ({"name": "Ann\u202e"}, "name", "this holds characters that cannot be seen"),
        ({"email": "a\x00@soil.example"}, "email", "this holds characters that cannot be seen"),
        ({"role": "owner"}, "role", "there is no such role"),
        ({"language": "xx"}, "language", "the pages are not written in this language"),
        ({"laboratory_id": None}, "laboratory_id", "this role needs a laboratory"),
        ({"laboratory_id": 999}, "laboratory_id", "this role needs a laboratory"),
        ({"counties": ()}, "counties", "an agent needs at least one county"),
        ({"counties": ("upper", "nowhere")}, "counties", "an agent needs at least one county"),
        ({"role": "laboratory", "laboratory_id": None}, "laboratory_id", "this role needs a laboratory"),
        ({"role": "agronomist", "region": "atlantis"}, "region", "choose a region of the tables"),
    ],
)
def test_an_account_that_does_not_fit_is_refused_field_by_field(
    lite_world: World, more: dict[str, object], field: str, told: str
) -> None:
    with pytest.raises(WrongFields, match="the account was not stored") as refused:
        people.add_account(lite_world.site, lite_world.caller("administrator"), person(lite_world, **more))
    assert list(refused.value.fields) == [field]
    assert refused.value.fields[field].startswith(told)
    assert told in str(refused.value)


def test_what_a_role_has_nothing_to_do_with_is_left_empty(lite_world: World) -> None:
    account, _ = people.add_account(
        lite_world.site,
        lite_world.caller("administrator"),
        person(lite_world, role="administrator", region="marrowdale"),
    )
    assert (account.laboratory_id, account.counties, account.region) == (None, (), "")


def test_a_change_of_reach_ends_the_sessions_and_a_change_of_name_does_not(world: World) -> None:
    administrator, agent = world.caller("administrator"), world.people["agent"]
    client = world.client("agent")
    same = {"email": "agent@soil.example", "name": "Renamed"}
    people.change_account(world.site, administrator, agent, person(world, **same))
    assert client.get("/").status_code == 200
    assert (last_line(world).before, last_line(world).after) == ({"name": "Agent"}, {"name": "Renamed"})
    people.change_account(
        world.site, administrator, agent, person(world, **same, counties=("lower", "upper"))
    )
    assert client.get("/").status_code == 303
    assert last_line(world).after == {"counties": ["lower", "upper"]}
    client = world.client("agent")
    people.change_account(world.site, administrator, agent, person(world, **same, role="laboratory"))
    assert client.get("/").status_code == 303
    assert world.caller("agent").scope.counties is None
    assert world.caller("agent").may(Right.RELEASE_RUNS)


@pytest.mark.parametrize(
    ("role", "laboratory", "counties", "works"),
    [("agent", "a", ("lower",), True), ("laboratory", "a", (), True), ("agent", "b", ("upper",), False)],
)
def test_a_token_does_not_move_to_another_laboratory(
    world: World, role: str, laboratory: str, counties: tuple[str, ...], works: bool
) -> None:
    client = program(world, "agent")
    assert client.get("/api/v1/me").status_code == 200
    given = person(
        world, email="agent@soil.example", role=role, laboratory_id=world.laboratories[laboratory],
        counties=counties,
    )  # fmt: skip
    people.change_account(world.site, world.caller("administrator"), world.people["agent"], given)
    assert client.get("/api/v1/me").status_code == (200 if works else 401)
    assert len(myself.show_myself(world.site, world.caller("agent")).tokens) == works


def test_a_closed_account_is_out_at_once_with_its_tokens_and_links(world: World) -> None:
    administrator, agent = world.caller("administrator"), world.people["agent"]
    client = world.client("agent")
    _, secret = myself.make_token(world.site, world.caller("agent"), "maps", ["fields:read"], 30)
    api = world.client()
    bearer = {"authorization": f"Bearer {secret}"}
    assert api.get("/api/v1/me", headers=bearer).status_code == 200
    people.invite(world.site, administrator, agent)
    people.disable_account(world.site, administrator, agent)
    assert client.get("/").status_code == 303
    assert api.get("/api/v1/me", headers=bearer).status_code == 401
    with pytest.raises(Conflict, match="this account is closed, so no link was made"):
        people.invite(world.site, administrator, agent)
    people.enable_account(world.site, administrator, agent)
    assert client.get("/").status_code == 303  # the old session and token stay ended
    assert api.get("/api/v1/me", headers=bearer).status_code == 401
    with world.site.database.look(operator(), None) as look:
        unused = sa.select(schema.link.c.id).where(schema.link.c.used_at.is_(None))
        assert look.connection.execute(unused).all() == []


def test_links_are_swept_a_month_after_they_expired(world: World) -> None:
    def links() -> int:
        with world.site.database.look(operator(), None) as look:
            return look.connection.execute(sa.select(sa.func.count()).select_from(schema.link)).scalar_one()

    people.invite(world.site, world.caller("administrator"), world.people["agent"])
    world.clock.move(hours=48, days=30, seconds=-1)
    people.invite(world.site, world.caller("administrator"), world.people["laboratory"])
    assert links() == 2
    world.clock.move(seconds=1)
    people.invite(world.site, world.caller("administrator"), world.people["laboratory"])
    assert links() == 2  # the first is gone, two of the laboratory's are there


def test_one_administrator_always_stays(world: World) -> None:
    administrator, own = world.caller("administrator"), world.people["administrator"]
    with pytest.raises(Conflict, match="nobody closes their own account"):
        people.disable_account(world.site, administrator, own)
    with pytest.raises(Conflict, match="nobody would be left who keeps the accounts"):
        people.disable_account(world.site, operator(), own)
    as_agent = person(world, email="administrator@soil.example")
    with pytest.raises(Conflict, match="add another administrator first"):
        people.change_account(world.site, administrator, own, as_agent)
    second = person(world, role="administrator")
    people.add_account(world.site, administrator, second)
    people.change_account(world.site, administrator, own, as_agent)
    assert world.caller("administrator").role is Role.AGENT


def test_resetting_the_second_factor_forgets_the_telephone_and_ends_sessions(world: World) -> None:
    secret = pyotp.random_base32()
    with world.site.database.housekeeping(operator()) as look:
        accounts.set_second_factor(look, world.people["agent"], secret)
        accounts.use_code(look, world.people["agent"], secret, 5)
    client = world.client("agent")
    people.reset_second_factor(world.site, world.caller("administrator"), world.people["agent"])
    assert client.get("/").status_code == 303
    with world.site.database.look(operator(), None) as look:
        assert accounts.second_factor(look, world.people["agent"]) == ("", 0)
    assert last_line(world).verb == "reset second factor"


CARD, SOMEBODY = Card(name="x", address=("y",)), Person(email="a@b", name="x", role="agent")
ADMINISTRATORS_ONLY = {
    "list": lambda site, caller: people.list_accounts(site, caller),
    "show": lambda site, caller: people.show_account(site, caller, 1),
    "after": lambda site, caller: people.accounts_after(site, caller, 0, 5),
    "close": lambda site, caller: people.disable_account(site, caller, 1),
    "open": lambda site, caller: people.enable_account(site, caller, 1),
    "invite": lambda site, caller: people.invite(site, caller, 1),
    "reset": lambda site, caller: people.reset_second_factor(site, caller, 1),
    "changes": lambda site, caller: people.list_changes(site, caller, Filter()),
    "changes after": lambda site, caller: people.changes_after(site, caller, Filter(), 0, 5),
    "filters": lambda site, caller: people.what_changes_are_about(site, caller),
    "laboratories": lambda site, caller: laboratories.list_laboratories(site, caller),
    "laboratory": lambda site, caller: laboratories.show_laboratory(site, caller, 1),
    "counties": lambda site, caller: laboratories.list_counties(site, caller),
    "county": lambda site, caller: laboratories.add_county(site, caller, "x", "x", "marrowdale"),
    "card": lambda site, caller: laboratories.add_laboratory(site, caller, CARD),
    "card change": lambda site, caller: laboratories.change_laboratory(site, caller, 1, CARD),
    "add": lambda site, caller: people.add_account(site, caller, SOMEBODY),
    "change": lambda site, caller: people.change_account(site, caller, 1, SOMEBODY),
}  # fmt: skip


@pytest.mark.parametrize("name", ADMINISTRATORS_ONLY)
def test_only_administrators_keep_accounts(lite_world: World, name: str) -> None:
    for other in ("laboratory", "agent", "agronomist"):
        with pytest.raises(NotAllowed, match="this is not part of your work here"):
            ADMINISTRATORS_ONLY[name](lite_world.site, lite_world.caller(other))


@pytest.mark.parametrize("name", ["show", "close", "open", "invite", "reset", "change"])
def test_what_is_not_there_is_not_found(lite_world: World, name: str) -> None:
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.account_county.delete())
        look.connection.execute(schema.account.delete().where(schema.account.c.id == 1))
    with pytest.raises(NotFound, match="there is no such account"):
        ADMINISTRATORS_ONLY[name](lite_world.site, operator())


# --------------------------------------------------------------------------- laboratories and counties


def test_a_laboratory_is_added_and_changed_without_losing_the_rest_of_its_card(world: World) -> None:
    administrator = world.caller("administrator")
    card = Card(name="Third Laboratory", address=("1 Mill Lane", "", "Ford"), authorised_by="A. Wren")
    added = laboratories.add_laboratory(world.site, administrator, card)
    found = laboratories.show_laboratory(world.site, administrator, added)
    assert found.card["address"] == ["1 Mill Lane", "Ford"]
    a = world.laboratories["a"]
    before = laboratories.show_laboratory(world.site, administrator, a).card
    assert before["place_of_work"] is not None
    renamed = Card(name="Renamed", address=("2 Mill Lane",))
    laboratories.change_laboratory(world.site, administrator, a, renamed)
    after = laboratories.show_laboratory(world.site, administrator, a)
    assert after.name == after.card["name"] == "Renamed"
    assert after.card == before | renamed.model_dump(mode="json")
    assert last_line(world).after["name"] == "Renamed"


@pytest.mark.parametrize(
    ("more", "field", "told"),
    [
        ({"name": ""}, "name", "this is needed"),
        ({"name": "Quillwater Soil Laboratory"}, "name", "there is one already"),
        ({"address": ()}, "address", "this is needed"),
        ({"address": ("x",) * 13}, "address", "this is too long"),
        ({"contact": "c" * 201}, "contact", "this is too long"),
        ({"phone": "5\x00"}, "phone", "this holds characters that cannot be seen; type it again"),
        (
            {"address": ("1 Mill Lane", "x\u200b")},
            "address",
            "this holds characters that cannot be seen; type it again",
        ),
    ],
)
def test_a_laboratory_that_does_not_fit_is_refused(
    lite_world: World, more: dict[str, object], field: str, told: str
) -> None:
    card = Card.model_validate({"name": "Another", "address": ("1 Mill Lane",)} | more)
    with pytest.raises(WrongFields, match="the laboratory was not stored") as refused:
        laboratories.add_laboratory(lite_world.site, lite_world.caller("administrator"), card)
    assert refused.value.fields == {field: told}


@pytest.mark.parametrize(
    ("county", "field", "told"),
    [
        (("Upper", "Name", "marrowdale"), "id", "an id has small letters"),
        (("a" * 61, "Name", "marrowdale"), "id", "an id has small letters"),
        (("upper", "Name", "marrowdale"), "id", "there is one already"),
        (("east", " ", "marrowdale"), "name", "this is needed"),
        (("east", "n" * 201, "marrowdale"), "name", "this is too long"),
        (("east", "East", "atlantis"), "region", "choose a region of the tables"),
    ],
)
def test_a_county_that_does_not_fit_is_refused(
    lite_world: World, county: tuple[str, str, str], field: str, told: str
) -> None:
    with pytest.raises(WrongFields, match="the county was not stored") as refused:
        laboratories.add_county(lite_world.site, lite_world.caller("administrator"), *county)
    assert refused.value.fields[field].startswith(told)


def test_a_county_is_added(world: World) -> None:
    laboratories.add_county(world.site, world.caller("administrator"), "east-2", "East", "marrowdale")
    names = [each.name for each in laboratories.list_counties(world.site, world.caller("administrator"))]
    assert names == ["East", "Lower", "Upper"]


# -------------------------------------------------------------------------------------------- changes


def test_changes_are_walked_from_the_newest_and_narrowed(world: World) -> None:
    administrator = world.caller("administrator")
    for number in range(3):
        laboratories.add_county(world.site, administrator, f"east-{number}", "East", "marrowdale")
        world.clock.move(hours=12)
    people.invite(world.site, operator(), world.people["agent"])
    first, below = people.list_changes(world.site, administrator, Filter(), limit=3)
    assert [line.object_id for line in first[1:]] == ["east-2", "east-1"]
    rest, end = people.list_changes(world.site, administrator, Filter(), below, limit=3)
    assert ([line.object_id for line in rest], end) == (["east-0"], None)

    def objects(**which: object) -> list[str]:
        lines, _ = people.list_changes(world.site, administrator, Filter.model_validate(which))
        return [line.object_id for line in lines]

    assert objects(kind="account") == objects(account_id=0) == [str(world.people["agent"])]
    assert objects(account_id=administrator.account_id, kind="county", day="2026-04-20") == [
        "east-1",
        "east-0",
    ]
    assert objects(day="2026-04-21", kind="county") == ["east-2"]
    kinds, everybody = people.what_changes_are_about(world.site, administrator)
    assert kinds == ("account", "county")
    assert len(everybody) == 7
    rising = people.changes_after(world.site, administrator, Filter(kind="county"), 0, 2)
    assert [line.object_id for line in rising] == ["east-0", "east-1"]


# --------------------------------------------------------------------------------------------- myself


def kept(world: World, name: str, password: str = GOOD) -> None:
    with world.site.database.housekeeping(operator()) as look:
        accounts.set_password(look, world.people[name], passwords.hashed(password))


def test_a_new_password_needs_the_old_one_and_ends_every_session(world: World) -> None:
    kept(world, "agent")
    elsewhere = world.client("agent")
    with pytest.raises(WrongFields) as refused:
        myself.change_password(world.site, world.caller("agent"), OTHER, OTHER)
    assert refused.value.fields == {"old": "this is not the present password"}
    with pytest.raises(WrongFields) as refused:
        myself.change_password(world.site, world.caller("agent"), GOOD, "short")
    assert refused.value.fields == {"new": "a password has at least 15 characters"}
    assert elsewhere.get("/").status_code == 200
    token = myself.change_password(world.site, world.caller("agent"), GOOD, OTHER)
    assert elsewhere.get("/").status_code == 303
    here = world.client()
    here.cookies.set(COOKIE, token, domain="soil.example", path="/")
    assert here.get("/").status_code == 200
    with world.site.database.look(operator(), None) as look:
        assert accounts.password_hash(look, world.people["agent"]) == f"hash of {OTHER}"


def test_an_open_session_does_not_lend_itself_to_guessing(world: World) -> None:
    kept(world, "agent")
    for _ in range(10):
        with pytest.raises(WrongFields):
            myself.change_password(world.site, world.caller("agent"), "guess", OTHER)
    with pytest.raises(TooMany, match="too many tries"):
        myself.change_password(world.site, world.caller("agent"), GOOD, OTHER)


def test_a_token_has_some_of_ones_own_rights_and_ends_by_itself(world: World) -> None:
    agent = world.caller("agent")
    made, secret = myself.make_token(world.site, agent, " maps ", ["fields:read"], 365)
    assert (made.name, made.rights) == ("maps", (Right.READ_FIELDS,))
    api = world.client()
    bearer = {"authorization": f"Bearer {secret}"}
    assert api.get("/api/v1/me", headers=bearer).json()["rights"] == ["fields:read"]
    with world.site.database.look(operator(), None) as look:
        assert look.connection.scalars(sa.select(schema.access_token.c.token_sha256)).all() == [
            sha256(secret)
        ]
    assert secret not in str(last_line(world))
    world.clock.move(days=365, seconds=-1)
    assert api.get("/api/v1/me", headers=bearer).status_code == 200
    world.clock.move(seconds=1)
    assert api.get("/api/v1/me", headers=bearer).status_code == 401
    assert myself.show_myself(world.site, agent).tokens == ()


@pytest.mark.parametrize(
    ("name", "rights", "days", "field", "told"),
    [
        ("", ["fields:read"], 1, "name", "this is needed"),
        ("n" * 101, ["fields:read"], 1, "name", "this is too long"),
        ("a\x00b", ["fields:read"], 1, "name", "this holds characters that cannot be seen; type it again"),
        ("maps", [], 1, "rights", "choose at least one, and only what your role does"),
        (
            "maps",
            ["fields:read", "accounts:manage"],
            1,
            "rights",
            "choose at least one, and only what your role does",
        ),
        ("maps", ["everything"], 1, "rights", "choose at least one, and only what your role does"),
        ("maps", ["fields:read"], 0, "days", "a token holds from 1 to 365 days"),
        ("maps", ["fields:read"], 366, "days", "a token holds from 1 to 365 days"),
    ],
)
def test_a_token_that_does_not_fit_is_refused(
    lite_world: World, name: str, rights: list[str], days: int, field: str, told: str
) -> None:
    with pytest.raises(WrongFields, match="no token was made") as refused:
        myself.make_token(lite_world.site, lite_world.caller("agent"), name, rights, days)
    assert refused.value.fields == {field: told}


def test_a_token_loses_what_its_account_loses(world: World) -> None:
    _, secret = myself.make_token(
        world.site, world.caller("agent"), "plans", ["fields:plan", "fields:read"], 30
    )
    changed = person(world, email="agent@soil.example", role="laboratory")
    people.change_account(world.site, world.caller("administrator"), world.people["agent"], changed)
    answer = world.client().get("/api/v1/me", headers={"authorization": f"Bearer {secret}"})
    assert answer.json()["rights"] == ["fields:read"]


def test_tokens_and_sessions_of_others_are_not_found(world: World) -> None:
    agent, other = world.caller("agent"), world.caller("other-agent")
    made, secret = myself.make_token(world.site, agent, "maps", ["fields:read"], 30)
    client = world.client("agent")
    (session,) = myself.show_myself(world.site, agent).sessions
    with pytest.raises(NotFound, match="there is no such token"):
        myself.revoke_token(world.site, other, made.id)
    with pytest.raises(NotFound, match="there is no such session"):
        myself.end_session(world.site, other, session.id)
    assert client.get("/").status_code == 200
    myself.revoke_token(world.site, agent, made.id)
    myself.end_session(world.site, agent, session.id)
    assert client.get("/").status_code == 303
    assert world.client().get("/api/v1/me", headers={"authorization": f"Bearer {secret}"}).status_code == 401
    with pytest.raises(NotFound, match="there is no such token"):
        myself.revoke_token(world.site, agent, made.id)


def test_the_language_is_kept(world: World) -> None:
    with pytest.raises(WrongFields) as refused:
        myself.choose_language(world.site, world.caller("agent"), "xx")
    assert refused.value.fields == {"language": "the pages are not written in this language"}
    myself.choose_language(world.site, world.caller("agent"), "es")
    assert world.caller("agent").language == "es"
    with pytest.raises(NotFound, match="the command line has no account"):
        myself.show_myself(world.site, operator())


# ---------------------------------------------------------------------------------------------- words


def test_every_mistake_and_right_has_words_in_both_languages() -> None:
    english, spanish = catalogue("en"), catalogue("es")
    for key, sentence in wrongfields.SENTENCES.items():
        assert english[f"people.wrong-{key}"] == sentence
        assert spanish[f"people.wrong-{key}"] != sentence
    for name in [f"right-{right}" for right in Right] + [f"role-{role}" for role in Role]:
        assert english[f"people.{name}"]
        assert spanish[f"people.{name}"]
    for area in ("people", "signing"):
        keys = {key for key in english if key.startswith(f"{area}.")}
        assert keys == {key for key in spanish if key.startswith(f"{area}.")}
        fields = re.compile(r"\{\w+\}")
        assert all(
            sorted(fields.findall(english[key])) == sorted(fields.findall(spanish[key])) for key in keys
        )


def test_every_change_has_words_in_both_languages() -> None:
    told = set()
    for path in Path(str(people.__file__)).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr == "note"
            ):
                for prefix, given in zip(("verb", "kind"), node.args, strict=False):
                    if isinstance(given, ast.Constant):
                        told.add(f"people.{prefix}-{str(given.value).replace(' ', '-')}")
    assert {"people.verb-sign-out", "people.kind-run"} <= told
    for language in ("en", "es"):
        assert told <= catalogue(language).keys(), language


# ---------------------------------------------------------------------------------------------- pages


def test_the_administrator_walks_through_an_account(lite_world: World) -> None:
    client = lite_world.client("administrator")
    form = {"form_token": lite_world.form_token(client)}
    assert "other-agent@soil.example" in client.get("/accounts").text
    assert client.get("/accounts/new").status_code == 200
    fields = {
        "email": "<i>@soil.example", "name": "<b>New</b>", "role": "agent", "counties": "upper",
        "laboratory_id": str(lite_world.laboratories["a"]),
    }  # fmt: skip
    wrong = client.post("/accounts", data=form | fields | {"laboratory_id": "x"})
    assert wrong.status_code == 422
    assert "this role needs a laboratory" in wrong.text
    assert "&lt;b&gt;New&lt;/b&gt;" in wrong.text
    made = client.post("/accounts", data=form | fields)
    assert made.status_code == 200
    assert re.search(r'<code class="secret">https://soil.example/set-password/[A-Za-z0-9_-]{43}<', made.text)
    assert (
        "22 Apr 2026 09:00 UTC" in made.text or "Apr 22, 2026" in made.text or "April 22, 2026" in made.text
    )
    with lite_world.site.database.look(operator(), None) as look:
        new = (accounts.by_email(look, "<i>@soil.example") or pytest.fail("not stored")).id
    page = client.get(f"/accounts/{new}")
    assert "&lt;b&gt;New&lt;/b&gt;" in page.text
    assert "<b>New" not in page.text
    again = client.post(f"/accounts/{new}", data=form | fields | {"name": "Newer", "language": "es"})
    assert again.headers["location"] == "/accounts?done=people.done-account"
    assert "Newer" in client.get(again.headers["location"]).text
    assert "/set-password/" in client.post(f"/accounts/{new}/link", data=form).text
    assert client.post(f"/accounts/{new}/second-factor", data=form).status_code == 303
    assert client.post(f"/accounts/{new}/close", data=form).status_code == 303
    assert "Open the account again" in client.get(f"/accounts/{new}").text
    assert client.post(f"/accounts/{new}/open", data=form).status_code == 303
    assert client.get("/accounts/99999").status_code == 404
    changes = client.get("/changes").text
    assert "Newer" in changes
    assert "close" in changes
    assert "There are no such changes" in client.get("/changes?day=2020-01-01").text
    assert ">account " in changes
    myself.choose_language(lite_world.site, lite_world.caller("administrator"), "es")
    spanish = client.get("/changes").text
    assert "cerrar" in spanish
    assert "cuenta " in spanish
    myself.choose_language(lite_world.site, lite_world.caller("administrator"), "en")
    assert "this is no day" in client.get("/changes?day=yesterday&who=0&kind=account&before=5").text


def test_the_administrator_keeps_laboratories_and_counties(lite_world: World) -> None:
    client = lite_world.client("administrator")
    form = {"form_token": lite_world.form_token(client)}
    card = form | {"name": "Third Laboratory", "address": "1 Mill Lane\r\nFord", "authorised_by": "A. Wren"}
    assert client.post("/laboratories", data=card).status_code == 303
    assert "1 Mill Lane, Ford" in client.get("/laboratories").text
    refused = client.post("/laboratories", data=card)
    assert refused.status_code == 422
    assert "there is one already" in refused.text
    a = lite_world.laboratories["a"]
    assert "Quillwater" in client.get(f"/laboratories/{a}").text
    assert client.post(f"/laboratories/{a}", data=card).status_code == 422
    assert client.post(f"/laboratories/{a}", data=card | {"name": "Renamed"}).status_code == 303
    assert client.get("/laboratories/99999").status_code == 404
    county = form | {"id": "east", "name": "East", "region": "marrowdale"}
    assert client.post("/counties", data=county).status_code == 303
    assert client.post("/counties", data=county).status_code == 422
    assert "East" in client.get("/counties").text


def test_my_page_does_what_it_says(lite_world: World) -> None:
    kept(lite_world, "agent")
    other, client = lite_world.client("agent"), lite_world.client("agent")
    form = {"form_token": lite_world.form_token(client)}
    page = client.get("/me")
    assert page.text.count("/end") == 1  # the other session, not this one
    wrong = client.post("/me/tokens", data=form | {"name": "maps", "days": "many", "rights": "fields:read"})
    assert wrong.status_code == 422
    assert "from 1 to 365 days" in wrong.text
    made = client.post("/me/tokens", data=form | {"name": "maps", "days": "30", "rights": ["fields:read"]})
    secret = re.search(r'<code class="secret">([A-Za-z0-9_-]{43})<', made.text)
    assert secret
    assert secret[1] not in client.get("/me").text
    path = re.search(r'action="(/me/tokens/\d+/revoke)"', client.get("/me").text)
    assert path
    assert client.post(path[1], data=form).headers["location"] == "/me?done=people.done-revoked"
    path = re.search(r'action="(/me/sessions/\d+/end)"', client.get("/me").text)
    assert path
    assert client.post(path[1], data=form).status_code == 303
    assert other.get("/").status_code == 303
    assert client.post("/me/language", data=form | {"language": "xx"}).status_code == 422
    assert client.post("/me/language", data=form | {"language": "es"}).status_code == 303
    assert "Su cuenta" in client.get("/me").text
    assert client.post("/me/password", data=form | {"old": "x", "new": OTHER}).status_code == 422
    before = client.cookies[COOKIE]
    assert client.post("/me/password", data=form | {"old": GOOD, "new": OTHER}).status_code == 303
    assert client.cookies[COOKIE] != before
    assert client.get("/me").status_code == 200


def test_pages_of_the_administrator_are_closed_to_others(lite_world: World) -> None:
    client = lite_world.client("agent")
    form = {"form_token": lite_world.form_token(client)}
    for path in (
        "/accounts",
        "/accounts/new",
        "/accounts/1",
        "/laboratories",
        "/laboratories/1",
        "/counties",
        "/changes",
    ):
        assert client.get(path).status_code == 403, path
    for path in (
        "/accounts",
        "/accounts/1",
        "/accounts/1/link",
        "/accounts/1/close",
        "/counties",
        "/laboratories",
    ):
        assert client.post(path, data=form).status_code in (403, 422), path
        assert lite_world.client("administrator").post(path, data=form).status_code == 409, (
            path
        )  # another's form


def test_what_no_engine_can_hold_is_answered_and_breaks_nothing(world: World) -> None:
    client = world.client("administrator")
    form = {"form_token": world.form_token(client)}
    kept(world, "administrator")
    strange = "a\x00\u202e\ufffe"
    large = str(2**63)
    for path in (
        f"/accounts/{large}",
        "/accounts/-1",
        f"/laboratories/{large}",
        f"/growers/{large}/personal-data",
    ):
        assert client.get(path).status_code == 404, path
    assert client.get(f"/changes?before={large}").status_code == 422
    assert client.get("/changes", params={"kind": strange, "who": large, "day": strange}).status_code == 200
    assert client.get("/accounts", params={"page": large}).status_code == 200
    fields = dict.fromkeys(
        ("name", "email", "role", "region", "language", "counties", "laboratory_id"), strange
    )
    for path in ("/accounts", "/laboratories", "/counties", "/me/tokens", "/me/language", "/me/password"):
        more = {
            "address": strange,
            "id": strange,
            "rights": strange,
            "days": strange,
            "old": strange,
            "new": strange,
        }
        assert client.post(path, data=form | fields | more).status_code == 422, path
    signed = world.client().post("/sign-in", data={"email": strange, "password": strange, "next": strange})
    assert signed.status_code == 422
    assert world.client().get("/set-password/%00").status_code == 404
    assert world.client().get("/r/%00").status_code == 404
    headers = bearer(world, "administrator")
    assert client.get("/api/v1/changes", params={"kind": strange}, headers=headers).status_code == 422


# ------------------------------------------------------------------------------------------------ API


def bearer(world: World, name: str) -> dict[str, str]:
    caller = replace(world.caller(name), rights=RIGHTS[world.caller(name).role])
    _, secret = myself.make_token(world.site, caller, "test", [right.value for right in caller.rights], 30)
    return {"authorization": f"Bearer {secret}"}


def test_the_api_keeps_accounts(world: World) -> None:
    api, headers = world.client(), bearer(world, "administrator")
    given = {"email": "new@soil.example", "name": "New", "role": "agent", "counties": ["upper"]}
    refused = api.post("/api/v1/accounts", json=given, headers=headers)
    assert refused.status_code == 422
    (error,) = refused.json()["errors"]
    assert (error["pointer"], error["message"]) == ("#/laboratory_id", "this role needs a laboratory")
    given["laboratory_id"] = world.laboratories["a"]
    made = api.post("/api/v1/accounts", json=given, headers=headers)
    assert made.status_code == 201
    assert made.json()["link"].startswith("https://soil.example/set-password/")
    new = made.json()["account"]["id"]
    assert api.post("/api/v1/accounts", json=given | {"id": 5}, headers=headers).status_code == 422
    changed = api.put(f"/api/v1/accounts/{new}", json=given | {"name": "Newer"}, headers=headers)
    assert changed.json()["name"] == "Newer"
    assert api.post(f"/api/v1/accounts/{new}/link", headers=headers).status_code == 201
    assert api.delete(f"/api/v1/accounts/{new}/second-factor", headers=headers).status_code == 204
    assert api.delete(f"/api/v1/accounts/{new}", headers=headers).status_code == 204
    assert api.get(f"/api/v1/accounts/{new}", headers=headers).json()["closed_at"] is not None
    assert api.post(f"/api/v1/accounts/{new}/open", headers=headers).json()["closed_at"] is None
    first = api.get("/api/v1/accounts?limit=4", headers=headers).json()
    rest = api.get(f"/api/v1/accounts?limit=4&after={first['next']}", headers=headers).json()
    assert [len(first["items"]), len(rest["items"]), rest["next"]] == [4, 4, None]
    changes = api.get(
        f"/api/v1/changes?kind=account&account_id={world.people['administrator']}", headers=headers
    )
    verbs = [line["verb"] for line in changes.json()["items"]]
    assert verbs == ["make token", "add", "change", "make link", "reset second factor", "close", "open"]


def test_the_api_keeps_laboratories_and_counties(lite_world: World) -> None:
    api, headers = lite_world.client(), bearer(lite_world, "administrator")
    card = {"name": "Third", "address": ["1 Mill Lane"], "authorised_by": "A. Wren"}
    made = api.post("/api/v1/laboratories", json=card, headers=headers)
    assert made.status_code == 201
    assert made.json() == card | {"id": made.json()["id"], "contact": "", "phone": "", "logo": ""}
    renamed = api.put(
        f"/api/v1/laboratories/{made.json()['id']}", json=card | {"name": "Fourth"}, headers=headers
    )
    assert renamed.json()["name"] == "Fourth"
    assert len(api.get("/api/v1/laboratories", headers=headers).json()) == 3
    county = {"id": "east", "name": "East", "region": "marrowdale"}
    assert api.post("/api/v1/counties", json=county, headers=headers).json() == county
    assert len(api.get("/api/v1/counties", headers=headers).json()) == 3


def test_the_api_refuses_who_is_no_administrator(lite_world: World) -> None:
    api, headers = lite_world.client(), bearer(lite_world, "agent")
    for path in ("accounts", "accounts/1", "changes", "laboratories", "counties"):
        assert api.get(f"/api/v1/{path}", headers=headers).status_code == 403, path
        assert api.get(f"/api/v1/{path}").status_code == 401, path
    mine = api.get("/api/v1/me", headers=headers).json()
    assert (mine["email"], mine["counties"]) == ("agent@soil.example", ["upper"])
