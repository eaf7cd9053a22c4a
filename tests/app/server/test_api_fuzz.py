"""The API keeps to its own description, whatever it is sent (ASVS v5.0.0-2.2.1, 16.5.1).

Drawn from the OpenAPI document, always the same; ``./run fuzz 500`` draws more for each operation.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi import checks

from interpretation.agronomy.tables import TableSet
from service.api import PARTS
from service.server import make_app
from tests.app.server.conftest import make_world
from tests.app.server.matrix_world import PEOPLE, Filled, fill

EXAMPLES = int(os.environ.get("FUZZ_EXAMPLES", "6"))
ANSWERED: defaultdict[int, set[str]] = defaultdict(set)
DOCUMENT = "/api/v1/openapi.json"


@pytest.fixture(scope="module")
def filled(
    templates: dict[str, str], tables: TableSet, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Filled]:
    folder = tmp_path_factory.mktemp("fuzz")
    path = folder / "filled.sqlite3"
    path.write_bytes(Path(templates["sqlite"]).read_bytes())
    for world in make_world(f"sqlite:///{path}", tables, folder):
        often = world.site.settings.model_copy(update={"api_requests_per_minute": 1_000_000})
        world.site = replace(world.site, settings=often)
        yield fill(world, path)


@pytest.fixture
def fresh(filled: Filled) -> Iterator[Filled]:
    """The world as it was filled; afterwards it is again, whatever was stored."""
    filled.world.site.database.close()
    kept = filled.path.read_bytes()
    yield filled
    filled.world.site.database.close()
    for left in filled.path.parent.glob(f"{filled.path.name}-*"):
        left.unlink()
    filled.path.write_bytes(kept)


@pytest.fixture(scope="module")
def operations(filled: Filled) -> dict[str, Any]:
    """Every operation of the description."""
    schema = schemathesis.openapi.from_asgi(DOCUMENT, make_app(filled.world.site))
    return {found.ok().label: found.ok() for found in schema.get_all_operations()}


LABELS = sorted(
    f"{method} {route.path}" for part in PARTS for route in part.router.routes for method in route.methods
)


def test_the_description_has_every_operation(operations: dict[str, Any]) -> None:
    assert sorted(operations) == [label.replace(":path}", "}") for label in LABELS]


@pytest.mark.parametrize("label", LABELS)
def test_what_is_answered_is_as_described(fresh: Filled, operations: dict[str, Any], label: str) -> None:
    operation = operations[label.replace(":path}", "}")]
    sound = operation.as_strategy(GenerationMode.POSITIVE)
    cases = st.one_of(sound, operation.as_strategy(GenerationMode.NEGATIVE)) if asks(operation) else sound

    @settings(
        max_examples=EXAMPLES, derandomize=True, database=None, deadline=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=cases, person=who(label), known=st.booleans())
    def ask(case: Any, person: str, known: bool) -> None:
        if known:  # an object that there is
            for name in case.path_parameters or {}:
                case.path_parameters[name] = fresh.ids.get(name, case.path_parameters[name])
        answer = case.call(headers={"authorization": f"Bearer {fresh.tokens[person]}"})
        ANSWERED[answer.status_code].add(label)
        case.validate_response(answer, checks=[not_a_server_error, *CONFORMS])

    ask()


def test_what_was_drawn_got_far_enough() -> None:
    """Otherwise nothing was shown: a third of the operations were carried out, and each refusal was met."""
    assert ANSWERED.keys() >= {200, 201, 403, 404, 409, 422}
    assert ANSWERED.keys() <= {200, 201, 204, 400, 401, 403, 404, 409, 413, 422}
    assert len(ANSWERED[200] | ANSWERED[201] | ANSWERED[204]) >= len(LABELS) / 3


def who(label: str) -> st.SearchStrategy[str]:
    """Who asks: everybody, and more often who may where most may not."""
    often = ("agronomist",) * 6 if "/tables/drafts" in label else ()
    return st.sampled_from((*often, *PEOPLE[1:5]))


def asks(operation: Any) -> bool:
    """Whether there is anything that could be asked wrongly."""
    return bool(operation.body or operation.query or operation.path_parameters)


CONFORMS = [
    getattr(checks, f"{name}_conformance")
    for name in ("status_code", "content_type", "response_headers", "response_schema")
]
