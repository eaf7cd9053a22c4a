"""What all operations of the API have in common: tokens, problems, queries, limits, description."""

from __future__ import annotations

from typing import Annotated, Any

import pytest
from fastapi import APIRouter, FastAPI, Query
from pydantic import BaseModel
from starlette.testclient import TestClient
from structlog.testing import capture_logs

from service.api import add_part
from service.api.common import After, Id, Input, Limit, Line, Page, Text, page_of
from service.callers import Right
from service.refusals import NotFound
from service.server import make_app
from service.settings import Settings
from service.store import schema
from service.web.asking import MOST_TOLD, ApiCaller, TheSite
from service.web.buckets import SWEEP_AT, Buckets
from tests.app.server.conftest import World
from tests.app.server.tokens import make_token, program


class County(Input):
    id: Line
    name: Text
    tags: tuple[int, ...] = ()


class Shown(BaseModel):
    id: int


router = APIRouter()


@router.get("/things")
def things(after: After = 0, limit: Limit = 100, kind: str = "") -> Page[Shown]:
    return page_of(
        [Shown(id=each) for each in range(after + 1, min(after + limit + 1, 250) + 1)], limit, _same
    )


def _same(shown: Shown) -> Shown:
    return shown


@router.get("/things/{thing}")
def thing(thing: Id) -> Shown:
    if thing > 250:
        raise NotFound("there is no such thing", fix="look at the list")
    return Shown(id=thing)


@router.get("/broken")
def broken(renamed: Annotated[str, Query(alias="other-name")] = "") -> Shown:
    raise RuntimeError("a secret of the program")


@router.post("/test-counties", status_code=201)
def add_county(caller: ApiCaller, site: TheSite, county: County) -> dict[str, str]:
    with site.database.change(caller, Right.REGISTER_SAMPLES) as change:
        row = {"id": county.id, "name": county.name, "region": "marrowdale"}
        change.connection.execute(schema.county.insert().values(row))
        change.note("add", "county", county.id, after=row)
    return {"id": county.id}


def mounted(app: FastAPI) -> FastAPI:
    """The API within the application."""
    (api,) = (route.app for route in app.routes if getattr(route, "path", "") == "/api/v1")
    assert isinstance(api, FastAPI)
    return api


def app_of(world: World) -> FastAPI:
    """The application with a few operations more."""
    app = make_app(world.site)
    add_part(mounted(app), router, "things")
    return app


def asked(world: World, person: str | None = "laboratory", **more: Any) -> TestClient:
    return program(world, person, app=app_of(world), **more)


def told(answer: Any, status: int) -> dict[str, Any]:
    """The problem of an answer, after what must hold for each."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["x-content-type-options"] == "nosniff"
    problem: dict[str, Any] = answer.json()
    assert problem["status"] == status
    assert problem["request_id"] == answer.headers["x-request-id"]
    return problem


@pytest.mark.parametrize("header", [None, "Bearer ", "Bearer nonsense", "Basic bGFiOmxhYg==", "Bearer a b"])
def test_nobody_without_a_valid_token(lite_world: World, header: str | None) -> None:
    client = asked(lite_world, None)
    answer = client.get("/api/v1/things", headers={} if header is None else {"authorization": header})
    assert told(answer, 401)["title"] == "there is no valid access token"
    assert answer.headers["www-authenticate"] == "Bearer"


def test_an_expired_token_and_one_of_a_disabled_account_are_no_tokens(world: World) -> None:
    client = asked(world)
    assert client.get("/api/v1/things").status_code == 200
    world.clock.move(hours=24)
    assert client.get("/api/v1/things").status_code == 401
    client = asked(world)
    with world.site.database.housekeeping(world.caller("administrator")) as look:
        look.connection.execute(schema.account.update().values(disabled_at=look.now))
    assert client.get("/api/v1/things").status_code == 401


def test_a_session_of_the_pages_opens_no_api(lite_world: World) -> None:
    client = asked(lite_world, None)
    client.cookies = lite_world.client("laboratory").cookies
    assert client.get("/").status_code == 200
    assert told(client.get("/api/v1/things"), 401)


def test_a_token_with_fewer_rights_may_less(lite_world: World) -> None:
    county = {"id": "east", "name": "East"}
    few = asked(lite_world, rights=[Right.READ_SAMPLES])
    assert told(few.post("/api/v1/test-counties", json=county), 403)["where"] == "samples:register"
    assert asked(lite_world).post("/api/v1/test-counties", json=county).status_code == 201


def test_a_token_given_more_than_the_role_has_may_no_more(lite_world: World) -> None:
    client = asked(lite_world, "agronomist", rights=list(Right))
    assert told(client.post("/api/v1/test-counties", json={"id": "e", "name": "E"}), 403)


def test_a_list_comes_in_pages(lite_world: World) -> None:
    client = asked(lite_world)
    first = client.get("/api/v1/things").json()
    assert ([each["id"] for each in first["items"]], first["next"]) == (list(range(1, 101)), 100)
    last = client.get("/api/v1/things", params={"after": 200, "limit": 50}).json()
    assert ([each["id"] for each in last["items"]], last["next"]) == (list(range(201, 251)), None)
    more = client.get("/api/v1/things", params={"after": 199, "limit": 50}).json()
    assert more["next"] == 249
    assert client.get("/api/v1/things", params={"after": 250}).json() == {"items": [], "next": None}


@pytest.mark.parametrize(
    "query", ["limit=0", "limit=501", "limit=x", "after=-1", "after=2147483648", "limit="]
)
def test_a_page_has_bounds(lite_world: World, query: str) -> None:
    problem = told(asked(lite_world).get(f"/api/v1/things?{query}"), 422)
    (error,) = problem["errors"]
    assert (error["in"], error["parameter"]) == ("query", query.partition("=")[0])
    assert asked(lite_world).get("/api/v1/things?limit=500&after=2147483647").status_code == 200


def test_a_misspelt_filter_is_refused_and_not_ignored(lite_world: World) -> None:
    client = asked(lite_world)
    problem = told(client.get("/api/v1/things?kinds=a"), 422)
    assert problem["errors"] == [
        {
            "in": "query", "parameter": "kinds",
            "message": "is not known here; there is after, kind, limit",
        }
    ]  # fmt: skip
    assert told(client.get("/api/v1/things/1?x=1"), 422)["errors"][0]["message"].endswith("there is none")
    assert told(client.get("/api/v1/broken?renamed=1"), 422)  # the name outside counts


def test_characters_that_cannot_be_seen_get_nowhere(world: World) -> None:
    client = asked(world)
    assert told(client.get("/api/v1/things?kind=%00"), 422)["errors"][0]["parameter"] == "kind"
    assert told(client.get("/api/v1/things/%00"), 404)
    for name in ("a\x00", "a\u202e", "\ud800"):
        body = b'{"id": "east", "name": "%s"}' % name.encode("unicode_escape").replace(b"\\x", b"\\u00")
        headers = {"content-type": "application/json"}
        problem = told(client.post("/api/v1/test-counties", content=body, headers=headers), 422)
        assert problem["errors"][0]["pointer"] == "#/name"
    problem = told(client.post("/api/v1/test-counties", json={"id": "a\nb", "name": "x"}), 422)
    assert "one line" in problem["errors"][0]["message"]


def test_fields_are_named_by_pointers_and_not_said_back(lite_world: World) -> None:
    body = {"id": "s3cret" * 40, "name": "x", "tags": [1, "s3cret"], "a/b~c": "s3cret"}
    problem = told(asked(lite_world).post("/api/v1/test-counties", json=body), 422)
    assert [each["pointer"] for each in problem["errors"]] == ["#/id", "#/tags/1", "#/a~1b~0c"]
    assert "s3cret" not in str(problem)


def test_a_long_list_of_mistakes_is_cut(lite_world: World) -> None:
    body = {"id": "x", "name": "x", "tags": ["a"] * 1000}
    assert len(told(asked(lite_world).post("/api/v1/test-counties", json=body), 422)["errors"]) == 50


@pytest.mark.parametrize("body", [b"{", b"\xff", b"[1]", b"", b"null"])
def test_a_body_that_is_not_as_described_is_refused(lite_world: World, body: bytes) -> None:
    headers = {"content-type": "application/json"}
    answer = asked(lite_world).post("/api/v1/test-counties", content=body, headers=headers)
    assert answer.status_code in (400, 422)
    told(answer, answer.status_code)


def test_what_is_not_there_and_what_is_not_done_so(lite_world: World) -> None:
    client = asked(lite_world)
    assert told(client.get("/api/v1/nowhere"), 404)
    for number in ("251", "0", "-1", "2147483648", "9" * 40, "x"):
        assert told(client.get(f"/api/v1/things/{number}"), 404)
    answer = client.delete("/api/v1/things/1")
    assert told(answer, 405)
    assert answer.headers["allow"] == "GET"


def test_a_mistake_of_the_program_tells_nothing_of_it(lite_world: World) -> None:
    client = asked(lite_world)
    with capture_logs() as lines:
        answer = client.get("/api/v1/broken?other-name=1")
    problem = told(answer, 500)
    assert "secret" not in answer.text
    assert problem["request_id"] in problem["fix"]
    (line,) = (line for line in lines if line["event"] == "unexpected")
    assert line["request_id"] == problem["request_id"]
    assert "secret" in str(line["exc_info"])
    (line,) = (line for line in lines if line["event"] == "request")
    assert (line["status"], line["path"]) == (500, "/api/v1/broken")


def test_a_mistake_behind_a_page_has_the_headers_and_one_line_of_the_log(lite_world: World) -> None:
    app = make_app(lite_world.site)

    @app.get("/mistake")
    def mistake() -> None:
        raise RuntimeError("a secret of the program")

    with capture_logs() as lines:
        answer = program(lite_world, None, app=app).get("/mistake")
    assert (answer.status_code, "secret" in answer.text) == (500, False)
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert [line["event"] for line in lines] == ["unexpected", "request"]
    assert lines[1]["status"] == 500


@pytest.mark.parametrize("announced", [True, False])
@pytest.mark.parametrize("key", [True, False])
def test_a_body_that_is_too_large_is_a_problem(lite_world: World, announced: bool, key: bool) -> None:
    client = asked(lite_world)
    largest = (lite_world.site.settings.largest_upload_mib + 1) * 1024**2
    headers = {"content-type": "application/json"} | ({"idempotency-key": "k"} if key else {})

    def send(size: int) -> Any:
        content: Any = b" " * size if announced else iter([b" " * (size // 2), b" " * (size - size // 2)])
        return client.post("/api/v1/test-counties", content=content, headers=headers)

    assert told(send(largest + 1), 413)["title"] == "the file is larger than this server takes"
    assert told(send(largest), 422)  # nothing but blanks


def test_a_page_tells_of_too_large_a_file_in_its_own_words(lite_world: World) -> None:
    client = lite_world.client("laboratory")
    answer = client.post(
        "/sign-in", content=b" " * (12 * 1024**2), headers={"origin": "https://soil.example"}
    )
    if answer.status_code == 413:  # as far as the page reads what is sent
        assert answer.headers["content-type"].startswith("text/html")
        assert "content-security-policy" in answer.headers


def test_a_token_used_too_often_is_told_how_long_to_wait(lite_world: World) -> None:
    app = app_of(lite_world)
    seconds = [0.0]
    mounted(app).state.buckets = Buckets(3, lambda: seconds[0])
    client = program(lite_world, "agent", app=app)
    assert [client.get("/api/v1/things").status_code for _ in range(4)] == [200, 200, 200, 429]
    answer = client.get("/api/v1/things")
    assert told(answer, 429)["title"] == "this token was used too often within a minute"
    assert answer.headers["retry-after"] == "20"
    other = program(lite_world, "agent", app=app)  # another token of the same person
    assert other.get("/api/v1/things").status_code == 200
    seconds[0] = 20.0
    assert [client.get("/api/v1/things").status_code for _ in range(2)] == [200, 429]


def test_a_full_bucket_leaks_and_an_empty_one_is_forgotten() -> None:
    seconds = [0.0]
    buckets = Buckets(60, lambda: seconds[0])
    assert [buckets.wait_seconds("a") for _ in range(61)] == [0] * 60 + [1]
    for number in range(SWEEP_AT):
        buckets.wait_seconds(str(number))
    assert buckets.wait_seconds("a") == 1  # one that stands full is not forgotten
    seconds[0] = 1.0
    assert [buckets.wait_seconds("a"), buckets.wait_seconds("a")] == [0, 1]
    assert len(buckets._empty_at) <= 3


def test_the_limit_is_a_setting() -> None:
    assert Settings().api_requests_per_minute == 600


def test_the_description_says_what_holds_for_every_operation(lite_world: World) -> None:
    document = asked(lite_world).get("/api/v1/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    assert document["servers"] == [{"url": "https://soil.example/api/v1"}]
    (scheme,) = document["components"]["securitySchemes"].values()
    assert (scheme["type"], scheme["scheme"]) == ("http", "bearer")
    assert "samples:register" in scheme["description"]
    post = document["paths"]["/test-counties"]["post"]
    assert post["operationId"] == "test_api_frame_add_county"
    assert post["security"] == [{"access token": []}]
    statuses = ["201", "400", "401", "403", "404", "409", "413", "422", "429", "503", "507"]
    assert sorted(post["responses"]) == statuses
    for status, answer in post["responses"].items():
        if status != "201":
            schema_ = answer["content"]["application/problem+json"]["schema"]
            assert (schema_, len(answer["content"])) == ({"$ref": "#/components/schemas/ProblemDetails"}, 1)
    assert [each["name"] for each in post["parameters"]] == ["Idempotency-Key"]
    assert sorted(document["paths"]["/things"]["get"]["responses"]) == [
        "200", "401", "403", "422", "429", "503",
    ]  # fmt: skip
    assert "HTTPValidationError" not in document["components"]["schemas"]


def test_the_description_has_a_right_address_where_none_is_set(lite_world: World) -> None:
    from dataclasses import replace

    settings = lite_world.site.settings.model_copy(update={"public_url": ""})
    document = mounted(make_app(replace(lite_world.site, settings=settings))).openapi()
    assert document["servers"] == [{"url": "/api/v1"}]


def test_every_operation_is_named_once_and_every_number_in_an_address_is_bounded(lite_world: World) -> None:
    document = mounted(make_app(lite_world.site)).openapi()
    operations = [each for path in document["paths"].values() for each in path.values()]
    names = [each["operationId"] for each in operations]
    assert len(set(names)) == len(names)
    unbounded = [
        (operation["operationId"], parameter["name"])
        for operation in operations
        for parameter in operation.get("parameters", [])
        if parameter["schema"].get("type") == "integer" and "maximum" not in parameter["schema"]
    ]
    assert unbounded == []


def test_a_token_is_stored_nowhere(lite_world: World) -> None:
    token = make_token(lite_world, "agent")
    with lite_world.site.database.look(lite_world.caller("administrator"), None) as look:
        rows = look.connection.execute(schema.access_token.select()).all()
    assert rows
    assert token not in str(rows)


def test_what_one_engine_cannot_hold_is_refused_by_both(world: World) -> None:
    point = {"type": "Point", "coordinates": [1.0, 2.0]}
    feature = {"type": "Feature", "properties": {"lab_number": "a\x00b"}, "geometry": point}
    body = {"type": "FeatureCollection", "features": [feature]}
    assert told(asked(world, "agent").put("/api/v1/places", json=body), 422)


def test_only_so_many_wrong_names_of_a_query_are_told(lite_world: World) -> None:
    query = "&".join(f"x{number}=1" for number in range(500))
    problem = told(asked(lite_world, "agent").get(f"/api/v1/samples?{query}"), 422)
    assert len(problem["errors"]) == MOST_TOLD
