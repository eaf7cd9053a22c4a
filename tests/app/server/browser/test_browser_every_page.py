"""Every page in a real browser, narrow and wide, light and dark: no barrier, nothing beside the screen."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.actions.privacy import report_link
from service.callers import operator
from service.store import accounts
from tests.app.server.browser.conftest import Live
from tests.app.server.browser.crawling import crawl, routes
from tests.app.server.browser.looking import NARROW, beside_the_screen, wrong_with

PEOPLE = ("laboratory", "agent", "agronomist", "administrator")
# No page leads there: the way in, and what a one-time link opens. test_browser_keyboard signs in.
BY_HAND = {"/sign-in", "/sign-in/code", "/set-password/{token}", "/r/{token}", "/r/{token}/pdf"}
# Of these one page is not like another: the steps of a run, the first page of each role.
Found = dict[str, dict[str, list[tuple[str, str]]]]
ALL_OF = {"/", "/runs/{run_id}"}


def test_what_is_looked_for_is_found(shared: Live) -> None:
    page = shared.open()
    weak, wide = '<p style="color: #aaa">weak</p>', '<div style="width: 500px">wide</div>'
    page.set_content(f'<html lang="en"><title>x</title><main><h1>x</h1>{weak}{wide}<input></main>')
    wrong = {shown.rpartition(" at ")[2]: text for shown, text in wrong_with(page).items()}
    assert wrong.keys() == {"360", "360, light", "360, dark", "1600, light", "1600, dark"}
    assert "the page is wider than the screen" in wrong["360"]
    for shown in ("360, light", "1600, dark"):
        assert [text.split(":")[0] for text in wrong[shown]] == ["color-contrast", "label"]
    for shown in ("360, dark", "1600, light"):  # all that the other colours could change
        assert [text.split(":")[0] for text in wrong[shown]] == ["color-contrast"]


@pytest.fixture(scope="module")
def found(shared: Live) -> Found:
    """What each person finds by following links: declared address to actual ones and their content."""
    by_person: Found = {}
    for person in PEOPLE:
        there = by_person.setdefault(person, {})
        for declared, address, kind in crawl(shared.world.client(person)):
            there.setdefault(declared, []).append((address, kind))
    return by_person


def test_every_page_is_found_by_following_links(found: Found) -> None:
    reached = {declared for there in found.values() for declared in there}
    assert set(routes()) - reached == BY_HAND


def to_look_at(found: Found) -> Iterator[tuple[str, str]]:
    """One page of each kind, by the first who finds it; of some kinds all."""
    seen: set[str] = set()
    for person, there in found.items():
        for declared, pages in there.items():
            shown = [address for address, kind in pages if kind == "text/html"]
            if declared in ALL_OF:
                yield from ((person, address) for address in shown)
            elif shown and declared not in seen:
                seen.add(declared)
                yield person, shown[0]


def test_no_page_has_a_barrier_or_is_wider_than_the_screen(shared: Live, found: Found) -> None:
    windows = {person: shared.open(person) for person in PEOPLE}
    wrong: dict[str, list[str]] = {}
    for person, address in to_look_at(found):
        windows[person].goto(address)
        wrong |= wrong_with(windows[person])
    assert wrong == {}


def test_what_a_grower_opens_and_what_is_refused_has_no_barrier(shared: Live) -> None:
    page = shared.open()
    link = report_link(shared.world.site, shared.world.caller("agent"), 1)
    wrong: dict[str, list[str]] = {}
    for address in (link, "/r/of-old", "/sign-in", "/nowhere"):
        page.goto(address)
        wrong |= wrong_with(page)
    assert wrong == {}


def test_every_page_speaks_spanish_without_growing_wider_than_the_screen(shared: Live, found: Found) -> None:
    with shared.world.site.database.housekeeping(operator()) as look:
        for person in PEOPLE:
            accounts.set_language(look, shared.world.people[person], "es")
    windows = {person: shared.open(person, width=NARROW) for person in PEOPLE}
    wrong: dict[str, list[str]] = {}
    for person, address in to_look_at(found):
        windows[person].goto(address)
        assert windows[person].locator("html").get_attribute("lang") == "es"
        wrong |= {address: beside_the_screen(windows[person])}
    assert {address: each for address, each in wrong.items() if each} == {}
