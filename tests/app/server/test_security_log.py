"""The log: who did what and when, nothing secret, nobody's name, one line an event."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from datetime import date, datetime

import pyotp
import pytest
import structlog

from service import passwords
from service.actions import myself, people, privacy
from service.callers import operator
from service.logs import configure_log
from service.store import accounts, schema
from service.tokens import sha256
from service.web.guard import without_secrets
from service.web.visit import COOKIE
from tests.app.server.conftest import World

GOOD, NAME = "teal kettle under nineteen maples", "Orla Fenwick-Strand"


@pytest.fixture(autouse=True)
def written() -> Iterator[None]:
    """The log as the server writes it."""
    before = structlog.get_config()
    configure_log(logging.INFO)
    yield
    structlog.configure(**before)


def lines(capsys: pytest.CaptureFixture[str]) -> list[dict[str, object]]:
    told = capsys.readouterr()
    assert told.err == ""
    return [json.loads(line) for line in told.out.splitlines()]


def test_no_secret_and_no_name_gets_into_the_log(
    lite_world: World, capsys: pytest.CaptureFixture[str]
) -> None:
    """v5.0.0-14.2.1, 16.2.5: a walk through everything that carries a secret or a grower."""
    world, secrets = lite_world, [GOOD, NAME]
    report = add_report(world)
    path = people.invite(world.site, world.caller("administrator"), world.people["agent"])
    report_path = privacy.report_link(world.site, world.caller("agent"), report)
    client = world.client()
    client.get(path)
    client.post(path, data={"password": GOOD})
    secrets += [path.rpartition("/")[2], report_path.rpartition("/")[2], client.cookies[COOKIE]]
    with world.site.database.look(operator(), None) as look:
        key, _ = accounts.second_factor(look, world.people["agent"])
    form = {"code": pyotp.TOTP(key).at(world.clock.at), "form_token": world.form_token(client)}
    client.post("/sign-in/code", data=form | {"code": "x" + NAME})
    client.post("/sign-in/code", data=form)
    secrets += [key, form["form_token"], client.cookies[COOKIE]]
    own = {"form_token": world.form_token(client)}
    client.post("/me/tokens", data=own | {"name": NAME, "days": "3", "rights": "fields:read"})
    _, token = myself.make_token(world.site, world.caller("agent"), NAME, ["personal-data:handle"], 3)
    secrets += [own["form_token"], token]
    client.get("/api/v1/growers/1/personal-data", headers={"authorization": f"Bearer {token}"})
    client.get(f"/fields?q={NAME}&search={NAME}")
    client.post("/growers/1/personal-data/export", data=own)
    client.post("/sign-in", data={"email": GOOD, "password": "wrong"})  # a password in the wrong field
    for end in ("", "/pdf", "/nowhere"):
        client.get(report_path + end)
        client.get(path + end)
    client.post("/growers/1/personal-data/erase", data=own | {"sure": "yes"})
    client.post("/sign-out", data=own)
    told = capsys.readouterr().out
    assert told.count('"event": "request"') > 15
    assert '"path": "/r/.../pdf"' in told
    assert '"path": "/set-password/..."' in told
    for secret in secrets:
        assert secret not in told, secret
        assert sha256(secret) not in told
        assert secret.replace(" ", "%20") not in told


def add_report(world: World) -> int:
    """A grower with everything down to a report; returns the report's id."""
    a, at = world.laboratories["a"], world.clock.at

    def add(table: object, **values: object) -> int:
        with world.site.database.housekeeping(operator()) as look:
            made = look.connection.execute(table.insert().values(values))  # type: ignore[attr-defined]
            return int(made.inserted_primary_key[0]) if str(made.inserted_primary_key[0]).isdigit() else 0

    grower = add(schema.grower, laboratory_id=a, name=NAME, created_at=at)
    farm = add(schema.farm, grower_id=grower, name=NAME)
    field = add(
        schema.field, laboratory_id=a, farm_id=farm, code="9", code_folded="9", county_id="upper",
        region="marrowdale", created_at=at,
    )  # fmt: skip
    day = date(2026, 4, 1)
    sampling = add(
        schema.sampling, field_id=field, sampled_on=day, crop="maize", other_crops=[], registered_at=at,
        registered_by="Agent",
    )  # fmt: skip
    add(schema.document, sha256="d", content=b"%PDF", created_at=at)
    return add(
        schema.report, laboratory_id=a, sampling_id=sampling, report_id="AAAA", issued_on=day, issued_at=at,
        issued_by="Agent", crop="maize", language="en", units="metric", paper="a4", advice={}, card={},
        tables_sha256="t", document_sha256="d",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("/set-password/abc", "/set-password/..."), ("/r/abc", "/r/..."), ("/r/abc/pdf", "/r/.../pdf"),
        ("/runs/1", "/runs/1"), ("/reports/abc", "/reports/abc"), ("/r/", "/r/"),
    ],
)  # fmt: skip
def test_a_path_is_logged_without_the_secret_of_a_link(path: str, told: str) -> None:
    assert without_secrets(path) == told


def test_every_sign_in_is_logged_with_who_when_and_how_it_ended(
    lite_world: World, capsys: pytest.CaptureFixture[str]
) -> None:
    """v5.0.0-16.2.1, 16.2.2, 16.3.1, 16.3.3."""
    agent = lite_world.people["agent"]
    with lite_world.site.database.housekeeping(operator()) as look:
        accounts.set_password(look, agent, passwords.hashed(GOOD))
    client = lite_world.client()
    capsys.readouterr()
    client.post("/sign-in", data={"email": "agent@soil.example", "password": "wrong"})
    client.post("/sign-in", data={"email": "stranger@soil.example", "password": "wrong"})
    client.post("/sign-in", data={"email": "agent@soil.example", "password": GOOD})
    client.post("/sign-in/code", data={"code": "0", "form_token": lite_world.form_token(client)})
    told = lines(capsys)
    events = [line["event"] for line in told]
    assert events == [
        "sign-in refused", "request", "sign-in refused", "request", "request", "code refused", "request",
    ]  # fmt: skip
    assert [line.get("account") for line in told if line["event"] == "sign-in refused"] == [agent, None]
    for line in told:
        at = datetime.fromisoformat(str(line["timestamp"]))
        assert at.utcoffset() is not None
        assert at.utcoffset().total_seconds() == 0  # type: ignore[union-attr]
        assert line["request_id"]
    assert told[0]["request_id"] == told[1]["request_id"]
    assert told[-1]["who"] == str(agent)
    with lite_world.site.database.look(operator(), None) as look:
        verbs = [line.verb for line in people.audit.after(look, people.Filter(kind="account"), 0, 10)]
    assert verbs == ["give password"]


@pytest.mark.parametrize("break_in", ["\r\n", "\n", "\u2028", "\x1b[31m", "\x00"])
def test_what_comes_from_outside_begins_no_line_of_its_own(
    lite_world: World, capsys: pytest.CaptureFixture[str], break_in: str
) -> None:
    """v5.0.0-16.4.1."""
    client = lite_world.client()
    capsys.readouterr()
    from urllib.parse import quote

    client.get("/nowhere" + quote(f'{break_in}{{"event": "sign in", "who": "1"}}'))
    client.get("/", headers={"user-agent": 'x"}{"event": "sign in"}'})
    told = capsys.readouterr().out
    assert told.count("\n") == 2
    assert break_in not in told.replace("\n", "") if break_in != "\n" else True
    assert [json.loads(line)["event"] for line in told.splitlines()] == ["request", "request"]


def test_a_trace_is_logged_without_the_values_in_it(
    lite_world: World, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """v5.0.0-16.5.1: whoever runs the server sees where it broke, and nobody's password."""

    def broken(password: str, kept: str) -> bool:
        raise RuntimeError("it broke")

    monkeypatch.setattr(passwords, "matches", broken)
    client = lite_world.client()
    capsys.readouterr()
    answer = client.post("/sign-in", data={"email": "agent@soil.example", "password": GOOD})
    told = capsys.readouterr().out
    assert answer.status_code == 500
    assert "RuntimeError: it broke" in told
    assert answer.headers["x-request-id"] in told
    assert GOOD not in told
    assert len(told.splitlines()) == 2


def test_an_error_of_the_database_is_told_without_its_values(lite_world: World) -> None:
    assert lite_world.site.database.engine.hide_parameters
