"""From a one-time link to signing out, in a real browser, with script and without."""

from __future__ import annotations

import pyotp
import pytest
from playwright.sync_api import Page, expect

from service.actions import people
from service.web.visit import COOKIE
from tests.app.server.browser.conftest import Live
from tests.app.server.browser.looking import wrong_with

GOOD = "teal kettle under nineteen maples"


def code_from(page: Page, live: Live) -> str:
    """What a telephone would show that was given the key on the page."""
    key = "".join(page.locator("code.key").inner_text().split())
    return pyotp.TOTP(key).at(live.world.clock.at)


@pytest.mark.parametrize("script", [True, False])
def test_from_the_link_to_signing_out(live: Live, script: bool) -> None:
    world = live.world
    path = people.invite(world.site, world.caller("administrator"), world.people["agent"])
    page = live.open(script=script)
    page.goto(path)
    page.get_by_label("New password").fill(GOOD)
    page.get_by_role("button", name="Keep this password").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Set up your telephone")
    expect(page.get_by_role("img", name="Picture that carries the key")).to_be_visible()
    page.get_by_label("Code of six digits").fill(code_from(page, live))
    page.get_by_role("button", name="Sign in").click()
    expect(page).to_have_url(f"{live.address}/")
    (cookie,) = [each for each in page.context.cookies() if each.get("name") == COOKIE]
    assert (cookie.get("secure"), cookie.get("httpOnly"), cookie.get("sameSite")) == (True, True, "Lax")
    assert page.evaluate("document.cookie") == ""
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("status")).to_have_text("You have signed out.")
    page.go_back()
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    page.get_by_label("E-mail address").fill("agent@soil.example")
    page.get_by_label("Password").fill(GOOD + "!")
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_role("alert")).to_contain_text("do not fit together")
    page.get_by_label("Password").fill(GOOD)
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("The code from your telephone")


def test_the_pages_before_sign_in_have_no_barriers(live: Live) -> None:
    world = live.world
    path = people.invite(world.site, world.caller("administrator"), world.people["agent"])
    page = live.open()
    wrong = {}
    for address in ("/sign-in", path, "/set-password/unknown", "/r/unknown"):
        page.goto(address)
        wrong |= wrong_with(page)
    page.goto(path)
    page.get_by_label("New password").fill("agent@soil.example")
    page.get_by_role("button", name="Keep this password").click()
    expect(page.locator(".error")).to_contain_text("your own name")
    wrong |= wrong_with(page)
    page.get_by_label("New password").fill(GOOD)
    page.get_by_role("button", name="Keep this password").click()
    expect(page.get_by_label("Code of six digits")).to_be_visible()
    wrong |= wrong_with(page)
    page.get_by_label("Code of six digits").fill("000000")
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator(".error")).to_be_visible()
    wrong |= wrong_with(page)
    assert wrong == {}
