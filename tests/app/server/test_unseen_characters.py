"""A character that cannot be seen breaks no page, on either engine: PostgreSQL can hold no NUL."""

from __future__ import annotations

import pytest

from tests.app.server.conftest import World
from tests.app.server.land_rows import add_field


@pytest.mark.parametrize(
    ("person", "path"),
    [
        ("laboratory", "/runs?search=%00"), ("laboratory", "/runs?state=%00"),
        ("laboratory", "/samples?search=%00"), ("laboratory", "/samples?values=%00"),
        ("agent", "/fields?search=%00"), ("agent", "/reports?search=%00"), ("agent", "/tables/regions/%00"),
        ("agent", "/tables/scales/%00"), ("agent", "/samples/new?lab_number=%00"),
        ("agent", "/exports/file?name=samples&format=csv&county=%00"), ("administrator", "/changes?kind=%00"),
        ("administrator", "/changes?day=%00"), ("agent", "/set-password/%00"), ("agent", "/r/%00"),
    ],
)  # fmt: skip
def test_a_page_that_is_asked_for_with_nul(world: World, person: str, path: str) -> None:
    assert world.client(person).get(path).status_code < 500


@pytest.mark.parametrize(
    ("person", "path", "form"),
    [
        ("agent", "/fields/{field}/edit", {"name": "a\0b"}),
        ("administrator", "/counties", {"id": "a\0", "name": "b\0", "region": "marrowdale"}),
        ("administrator", "/laboratories", {"name": "a\0", "address": "b\0"}),
        ("administrator", "/accounts", {"email": "a\0@b.example", "name": "a\0", "role": "administrator"}),
        ("agent", "/me/tokens", {"name": "a\0", "days": "30", "rights": "tables:read"}),
        ("agent", "/samples/new", {"lab_number": "a\0"}),
        ("agent", "/walk-in", {"farm_name": "a\0"}),
    ],
)
def test_a_form_that_is_sent_with_nul(world: World, person: str, path: str, form: dict[str, str]) -> None:
    client = world.client(person)
    sent = form | {"form_token": world.form_token(client)}
    answer = client.post(path.format(field=add_field(world, "01")), data=sent)
    assert answer.status_code in (403, 404, 422)


def test_a_sign_in_with_nul(world: World) -> None:
    answer = world.client().post("/sign-in", data={"email": "a\0@b.example", "password": "a\0"})
    assert answer.status_code < 500


def test_what_the_database_cannot_hold_is_told_in_words(world: World) -> None:
    answer = world.client("laboratory").get("/runs?search=%00")
    postgresql = world.site.database.engine.dialect.name == "postgresql"
    assert answer.status_code == (422 if postgresql else 200)
    assert ("can neither be stored nor looked for" in answer.text) == postgresql
