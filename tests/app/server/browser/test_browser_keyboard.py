"""With the keyboard alone: signing in from the one-time link on, and filling in a plan."""

from __future__ import annotations

from datetime import timedelta

import pyotp
from playwright.sync_api import Page, expect

from service.actions.signing import SET_PASSWORD
from service.callers import operator
from service.store import links
from tests.app.server.browser.conftest import NARROW, Live
from tests.app.server.browser.looking import wrong_with
from tests.app.server.land import advised_land

GOOD = "teal kettle under nineteen maples"


def link_of(live: Live, person: str) -> str:
    """A one-time link that lets one of the people set a password."""
    with live.world.site.database.housekeeping(operator()) as look:
        account_id = live.world.people[person]
        return SET_PASSWORD + links.make(look, "set-password", timedelta(hours=1), account_id=account_id)


def tab_to(page: Page, name: str) -> None:
    """Press the tabulator until a control has the focus; every control must be reached by it."""
    button, link = page.get_by_role("button", name=name), page.get_by_role("link", name=name)
    fold = page.locator("summary", has_text=name)
    wanted = page.get_by_label(name).or_(button).or_(link).or_(fold)
    for _ in range(60):
        page.keyboard.press("Tab")
        if wanted.first.evaluate("(e) => e === document.activeElement"):
            return
    raise AssertionError(f"the tabulator does not reach {name!r} on {page.url}")


def test_a_person_signs_in_for_the_first_time_and_again_by_the_keyboard_alone(live: Live) -> None:
    page = live.open(width=NARROW)
    press = page.keyboard
    page.goto(link_of(live, "laboratory"))
    tab_to(page, "password")
    press.type("short")
    press.press("Enter")  # the browser itself asks for more
    assert SET_PASSWORD in page.url
    press.press("Control+A")
    press.type(GOOD)
    press.press("Enter")

    expect(page).to_have_url(f"{live.address}/sign-in/code")
    assert wrong_with(page) == {}
    key = "".join((page.locator("code").text_content() or "").split())
    codes = pyotp.TOTP(key)
    page.reload()
    tab_to(page, "code")
    press.type(codes.at(live.world.clock.at))
    press.press("Enter")
    expect(page).to_have_url(f"{live.address}/")
    assert page.evaluate("document.cookie") == "", "a script can read the secret of the session"

    tab_to(page, "Sign out")
    press.press("Enter")
    expect(page.get_by_role("status")).to_be_visible()
    assert wrong_with(page) == {}
    live.world.clock.move(seconds=60)  # a code is taken once
    tab_to(page, "E-mail")
    press.type("laboratory@soil.example")
    tab_to(page, "Password")
    press.type(GOOD)
    press.press("Enter")
    tab_to(page, "code")
    press.type("not a code")
    press.press("Enter")
    expect(page.locator("input[name=code]")).to_have_attribute("aria-invalid", "true")
    assert wrong_with(page) == {}
    tab_to(page, "code")
    press.press("Control+A")
    press.type(codes.at(live.world.clock.at))
    press.press("Enter")
    expect(page).to_have_url(f"{live.address}/")


def test_a_plan_is_found_changed_and_saved_by_the_keyboard_alone(live: Live) -> None:
    advised_land(live.world)
    page = live.open("agent", width=NARROW)
    press = page.keyboard
    page.goto("/")
    tab_to(page, "Fields")
    press.press("Enter")
    tab_to(page, "Long Meadow")
    press.press("Enter")
    tab_to(page, "Plan and advice of the last visit")
    press.press("Enter")
    tab_to(page, "Yield goal")
    press.press("Control+A")
    press.type("6.5")
    expect(page.locator("#advice")).to_contain_text("It is not stored yet.")
    tab_to(page, "Previous crop")
    press.type("soy")  # a list is chosen from by its first letters
    tab_to(page, "Manure, lime, water and tillage")
    press.press("Enter")
    tab_to(page, "A ditch, stream, well or tile inlet borders the field")
    press.press("Space")
    tab_to(page, "Save the plan")
    press.press("Enter")
    expect(page.get_by_role("status").first).to_have_text("The plan was saved.")
    expect(page.get_by_label("Yield goal").first).to_have_value("6.5")
    expect(page.get_by_label("Previous crop")).to_have_value("soybean")
    expect(page.get_by_label("A ditch, stream, well")).to_be_checked()
