"""Every page in a real browser, narrow and wide, light and dark: no barrier, nothing beside the screen."""

from __future__ import annotations

import pytest

from tests.app.server.browser.conftest import Live
from tests.app.server.browser.crawling import crawl
from tests.app.server.browser.looking import wrong_with

PEOPLE = ("laboratory", "agent", "agronomist", "administrator")


@pytest.mark.parametrize("person", PEOPLE)
def test_no_page_has_a_barrier_or_is_wider_than_the_screen(shared: Live, person: str) -> None:
    client = shared.world.client(person)
    pages = [address for _, address, kind in crawl(client) if kind == "text/html"]
    page = shared.open(person)
    wrong: dict[str, list[str]] = {}
    for address in pages:
        page.goto(address)
        wrong |= wrong_with(page)
    assert wrong == {}
