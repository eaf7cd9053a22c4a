"""What every page has around it, in a real browser."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.app.server.browser.conftest import NARROW, Live


def test_a_page_loads_with_its_style_and_script_and_no_complaint(live: Live) -> None:
    page = live.open("laboratory")
    page.goto("/")
    expect(page).to_have_url(f"{live.address}/")
    expect(page.locator(".who")).to_contain_text("Laboratory")
    assert page.evaluate("getComputedStyle(document.body).display") == "flex"


def test_the_first_stop_of_the_keyboard_leads_to_the_content(live: Live) -> None:
    page = live.open("laboratory", width=NARROW)
    page.goto("/")
    page.keyboard.press("Tab")
    skip = page.locator(".skip")
    expect(skip).to_be_focused()
    box = skip.bounding_box()
    assert box is not None
    assert box["x"] >= 0, "the skip link cannot be seen when it has the focus"
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()


def test_what_has_the_focus_is_outlined(live: Live) -> None:
    page = live.open("laboratory")
    page.goto("/")
    for _ in range(12):
        page.keyboard.press("Tab")
        outline = page.evaluate(
            "(() => { const s = getComputedStyle(document.activeElement);"
            " return document.activeElement === document.body ? '' : s.outlineStyle + s.outlineWidth })()"
        )
        assert outline in ("", "solid3px")


def test_letters_twice_as_large_still_fit(live: Live) -> None:
    page = live.open("laboratory", width=640)
    page.goto("/")
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert page.evaluate("document.documentElement.scrollWidth") <= 640


def test_who_is_not_signed_in_chooses_a_language_that_stays(live: Live) -> None:
    page = live.open()
    page.goto("/nowhere")
    expect(page.locator("html")).to_have_attribute("lang", "en")
    page.get_by_role("link", name="Español").click()
    expect(page.locator("html")).to_have_attribute("lang", "es")
    page.goto("/nowhere")
    expect(page.locator("html")).to_have_attribute("lang", "es")
    expect(page.get_by_role("link", name="Español")).to_have_attribute("aria-current", "true")
