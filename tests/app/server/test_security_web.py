"""What every answer and every route must hold. Numbers are requirements of OWASP ASVS 5.0.0."""

from __future__ import annotations

import re
from collections.abc import Iterator

import httpx2
import pytest
import sqlalchemy as sa
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute

from service import api, pages
from service.actions import myself, people
from service.callers import RIGHTS, Role, operator
from service.store import accounts, schema
from service.web.visit import COOKIE
from tests.app.server.conftest import World
from tests.app.server.test_privacy import keep_grower

HOSTILE = "<img src=x onerror=alert(1)>'\"&{{7*7}}"
OPEN_TO_EVERY_TOKEN = {"/me", "/exports"}  # whose it is; which collections there are
ANYBODY = {  # pages that need no sign-in; every other route asks who it is
    "/sign-in", "/sign-in/code", "/set-password/{token}", "/r/{token}", "/r/{token}/pdf",
}  # fmt: skip


def routes(parts: Iterator[BaseRoute]) -> list[tuple[str, str]]:
    """Every method and path."""
    return sorted(
        (method, each.path) for each in parts if isinstance(each, APIRoute) for method in each.methods
    )


PAGES = routes(iter([each for part in pages.PARTS for each in part.routes]))
API = routes(iter([each for part in api.PARTS for each in part.router.routes]))
CHANGING = [(method, path) for method, path in PAGES if method != "GET"]


def leads_to_sign_in(answer: httpx2.Response) -> bool:
    return answer.status_code == 303 and answer.headers["location"].startswith("/sign-in")


def filled(path: str) -> str:
    """A path with a number, or a word, in each place."""
    return re.sub(r"\{[^}]*\}", "1", path)


# ----------------------------------------------- v5.0.0-8.2.1, 8.3.1: who it is is asked on every route


def test_the_lists_of_routes_are_whole() -> None:
    assert {("POST", "/sign-in"), ("GET", "/accounts"), ("POST", "/me/tokens")} <= set(PAGES)
    assert {("GET", "/me"), ("DELETE", "/accounts/{account_id}")} <= set(API)


def test_every_page_but_the_way_in_asks_who_it_is(lite_world: World) -> None:
    client = lite_world.client()
    for method, path in PAGES:
        answer = client.request(method, filled(path))
        if path in ANYBODY:
            assert answer.status_code in (200, 303, 404, 422), (method, path)
        else:
            assert leads_to_sign_in(answer), (method, path)


def test_the_api_asks_for_a_token_on_every_route(lite_world: World) -> None:
    client = lite_world.client("administrator")  # a cookie is no token
    for method, path in API:
        answer = client.request(method, f"/api/v1{filled(path)}")
        assert answer.status_code == 401, (method, path)
        assert answer.headers["www-authenticate"] == "Bearer"
        for bad in ("Bearer", "Bearer x", "Basic eDp4", f"Bearer {client.cookies[COOKIE]}"):
            answer = client.request(method, f"/api/v1{filled(path)}", headers={"authorization": bad})
            assert answer.status_code == 401, (method, path, bad)


def test_a_session_without_its_second_factor_opens_no_page(lite_world: World) -> None:
    """v5.0.0-6.3.3."""
    client = lite_world.client()
    with lite_world.site.database.housekeeping(operator()) as look:
        token = accounts.begin_session(look, lite_world.people["administrator"], confirmed=False)
    client.cookies.set(COOKIE, token, domain="soil.example", path="/")
    for method, path in PAGES:
        if path not in ANYBODY:
            answer = client.request(method, filled(path))
            assert leads_to_sign_in(answer), (method, path)


def test_a_token_without_rights_reads_and_changes_nothing(lite_world: World) -> None:
    """v5.0.0-8.2.1 for programs: `/me` says whose the token is, everything else needs a right."""
    _, secret = myself.make_token(lite_world.site, lite_world.caller("agent"), "none", ["tables:read"], 1)
    with lite_world.site.database.housekeeping(operator()) as look:
        look.connection.execute(schema.access_token.update().values(rights=[]))
    before = everything(lite_world)
    client, headers = lite_world.client(), {"authorization": f"Bearer {secret}"}
    for method, path in API:
        answer = client.request(method, f"/api/v1{filled(path)}", headers=headers)
        # 404 and 422: refused before anything was looked at
        wanted = (200,) if path in OPEN_TO_EVERY_TOKEN else (403, 404, 422)
        assert answer.status_code in wanted, (method, path)
    assert everything(lite_world) == before


def everything(world: World) -> dict[str, list[object]]:
    """Every row of every table but what is counted and seen."""
    left_out = {"attempt", "submission"}
    with world.site.database.look(operator(), None) as look:
        return {
            table.name: [
                {name: value for name, value in row.items() if name != "seen_at"}
                for row in look.connection.execute(sa.select(table)).mappings()
            ]
            for table in schema.metadata.sorted_tables
            if table.name not in left_out
        }


# ----------------------------------------------------------------- v5.0.0-3.5.1, 3.5.3: forged requests


@pytest.mark.parametrize("role", Role)
def test_no_page_changes_anything_by_being_looked_at(lite_world: World, role: Role) -> None:
    keep_grower(lite_world)  # with a farm, a field, a visit and a sample, each number 1
    with lite_world.site.database.housekeeping(operator()) as look:
        for table in (schema.delivery_try, schema.delivery, schema.job_item, schema.report):
            look.connection.execute(table.delete())
    client = lite_world.client(role.value)
    before = everything(lite_world)
    seen = 0
    for method, path in PAGES:
        if method == "GET":
            answer = client.get(filled(path))
            seen += answer.status_code == 200
            assert answer.status_code < 500, path
    assert seen >= 2  # the first page and /me at least
    assert everything(lite_world) == before


@pytest.mark.parametrize("person", ["laboratory", "agent", "administrator"])
def test_a_form_without_its_token_or_from_elsewhere_changes_nothing(lite_world: World, person: str) -> None:
    """Pages before sign-in have no session whose token a form could carry: there the origin alone counts."""
    client = lite_world.client(person)
    another = lite_world.form_token(lite_world.client(person))  # of another session of the same person
    own = {"form_token": lite_world.form_token(client)}
    before = everything(lite_world)
    for method, path in CHANGING:
        if path not in ANYBODY:
            for form in ({}, {"form_token": ""}, {"form_token": another}):
                answer = client.request(method, filled(path), data=form)
                assert answer.status_code in (409, 422), (path, form)
        for headers in ({"sec-fetch-site": "cross-site"}, {"origin": "https://elsewhere.example"}):
            answer = client.request(method, filled(path), data=own, headers=headers)
            assert answer.status_code == 403, (path, headers)
    assert len(CHANGING) > 20
    assert everything(lite_world) == before


# --------------------------------------------------------------------------- v5.0.0-3.3.1, 3.3.3, 3.3.4


def test_the_cookie_is_for_this_host_and_encrypted_connections_and_out_of_reach(lite_world: World) -> None:
    path = people.invite(lite_world.site, lite_world.caller("administrator"), lite_world.people["agent"])
    client = lite_world.client()
    given = client.post(path, data={"password": "teal kettle under nineteen maples"}).headers["set-cookie"]
    name, _, rest = given.partition("=")
    attributes = [each.strip().casefold() for each in rest.split(";")[1:]]
    assert name == "__Host-furrowslice"
    assert {"secure", "httponly", "samesite=lax", "path=/"} <= set(attributes)
    assert not any(each.startswith("domain") for each in attributes)


# -------------------------------------------------- v5.0.0-3.4.3, 3.4.6, 13.4.5, 14.3.2: headers of all


def test_every_answer_of_every_page_carries_the_policy_and_is_kept_nowhere(lite_world: World) -> None:
    client = lite_world.client("agent")
    for _, path in [*PAGES, ("GET", "/api/v1/me"), ("GET", "/nowhere")]:
        answer = client.get(filled(path))
        policy = dict(
            part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";")
        )
        assert policy == {
            "default-src": "'self'", "object-src": "'none'", "base-uri": "'none'",
            "frame-ancestors": "'none'", "form-action": "'self'",
        }, path  # fmt: skip
        assert answer.headers["cache-control"] == "no-store", path
        assert answer.headers["x-content-type-options"] == "nosniff", path
        assert answer.headers["referrer-policy"] == "same-origin", path
        assert "noindex" in answer.headers["x-robots-tag"], path
        assert answer.headers["strict-transport-security"].startswith("max-age="), path
        assert "server" not in answer.headers, path
        assert "access-control-allow-origin" not in answer.headers, path


# -------------------------------------------------------------------------- v5.0.0-1.2.1: what is typed


def test_what_is_typed_is_printed_as_it_was_typed(lite_world: World) -> None:
    administrator = lite_world.caller("administrator")
    hostile = people.Person(
        email="<b>@soil.example", name=HOSTILE, role="agent", laboratory_id=lite_world.laboratories["a"],
        counties=("upper",),
    )  # fmt: skip
    account, _ = people.add_account(lite_world.site, administrator, hostile)
    lite_world.people["hostile"] = account.id
    client, own = lite_world.client("administrator"), lite_world.client("hostile")
    answers = [client.get(path) for path in ("/accounts", f"/accounts/{account.id}", "/changes")]
    answers += [own.get("/me"), own.get("/"), own.get(f"/nowhere/{HOSTILE}")]
    answers.append(client.post("/sign-in", data={"email": HOSTILE, "password": HOSTILE}))
    answers.append(lite_world.client().get("/sign-in", params={"next": f"/{HOSTILE}"}))
    answers.append(client.get("/changes", params={"kind": HOSTILE, "day": HOSTILE, "who": HOSTILE}))
    for answer in answers:
        assert "<img src=x" not in answer.text, answer.url
        assert "49" not in re.findall(r"alert\(1\)&gt;&#39;&#34;&amp;(\S\S)", answer.text)
    for answer in answers[:5]:
        assert "&lt;img src=x onerror=alert(1)&gt;&#39;&#34;&amp;{{7*7}}" in answer.text, answer.url


# --------------------------------------------------------- v5.0.0-13.4.2, 13.4.5, 16.5.1: nothing leaks


def test_interactive_api_pages_are_for_development_alone(lite_world: World) -> None:
    from dataclasses import replace

    from starlette.testclient import TestClient

    from service.server import make_app

    assert lite_world.client().get("/api/v1/docs").status_code == 200
    settings = lite_world.site.settings.model_copy(update={"mode": "production"})
    live = TestClient(make_app(replace(lite_world.site, settings=settings)), base_url="https://soil.example")
    for path in (
        "/docs",
        "/redoc",
        "/openapi.json",
        "/api/v1/docs",
        "/api/v1/redoc",
        "/metrics",
        "/.git/config",
    ):
        assert live.get(path).status_code == 404, path


def test_an_unexpected_error_tells_nothing_but_where_to_ask(
    lite_world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("secret detail /srv/path SELECT 1")

    monkeypatch.setattr("service.actions.people.list_accounts", broken)
    monkeypatch.setattr("service.actions.people.accounts_after", broken)
    page = lite_world.client("administrator").get("/accounts")
    caller = lite_world.caller("administrator")
    _, secret = myself.make_token(lite_world.site, caller, "test", sorted(RIGHTS[caller.role]), 1)
    problem = lite_world.client().get("/api/v1/accounts", headers={"authorization": f"Bearer {secret}"})
    for answer in (page, problem):
        assert answer.status_code == 500
        for detail in ("secret detail", "/srv/path", "SELECT", "RuntimeError", "Traceback", ".py"):
            assert detail not in answer.text
        assert answer.headers["x-request-id"] in answer.text
    assert problem.headers["content-type"] == "application/problem+json"
