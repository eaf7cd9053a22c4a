"""The first page: what waits, and the ways in for each person."""

from __future__ import annotations

import pytest

from tests.app.server.conftest import World


def test_a_new_administrator_is_told_where_to_begin(lite_world: World) -> None:
    page = lite_world.client("administrator").get("/").text.partition("<main")[2]
    ways = [page.index(f'<li><a href="{path}">') for path in ("/laboratories", "/counties", "/accounts")]
    assert ways == sorted(ways)
    assert "A new server begins here." in page


def test_cups_without_a_sample_lead_to_the_list_that_names_them(lite_world: World) -> None:
    page = lite_world.client("laboratory").get("/").text
    assert '<a href="/samples/upload"><strong>0</strong> measured cups' in page
    assert 'href="/laboratories"' not in page


@pytest.mark.parametrize("person", ["agent", "agronomist"])
def test_the_administrator_s_lists_are_nobody_else_s(lite_world: World, person: str) -> None:
    assert 'href="/laboratories"' not in lite_world.client(person).get("/").text
