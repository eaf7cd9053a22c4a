"""The small script of the pages: what it adds for those who have it; nothing of it is needed."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, Route, expect

from service.web.guard import POLICY
from service.web.templates import environment, static_path, words
from tests.app.server.browser.conftest import Live

CHOICE = '<option value="P">phosphorus</option><option value="K">potassium</option>'
ROW = f'<td><select name="analyte">{CHOICE}</select></td><td><input name="value" inputmode="decimal"></td>'
TABLE = f"""
<table data-paste="told"><tbody>
<tr><th>1</th>{ROW}<td><input name="remark"></td></tr>
<tr><th>2</th>{ROW}<td><input name="remark" readonly></td></tr>
</tbody></table>
"""
DROP = '{{ part.drop("file", "a file", ".csv") }}'
FORM = """
<form action="/asked" data-live="result"><input name="form_token" type="hidden" value="secret">
<input name="yield" value="1" required>{{ part.live_status() }}</form>
<div id="result">result of 1</div>
"""


def page_with(body: str) -> str:
    """A page that holds a part and the script, with the words that the parts bring."""
    source = f'{{% import "parts.html.j2" as part with context %}}{body}'
    shown = environment().from_string(source).render(w=words("en"), form_token="")
    return f'<!DOCTYPE html><title>x</title><script src="{static_path("site.js")}" defer></script>{shown}'


@pytest.fixture
def page(shared: Live) -> Page:
    """A window in which addresses below /try are answered by a test."""
    return shared.open()


def show(page: Page, body: str) -> None:
    """Show a page of a test's own under the pages' policy."""

    def answer(route: Route) -> None:
        headers = {"content-security-policy": POLICY}
        route.fulfill(body=page_with(body), content_type="text/html", headers=headers)

    page.route("**/try", answer)
    page.goto("/try")


def paste(page: Page, selector: str, text: str) -> bool:
    """Paste a text into an input; says whether the script took it over."""
    taken: bool = page.locator(selector).evaluate(
        """(input, text) => {
            const clipboardData = new DataTransfer();
            clipboardData.setData('text/plain', text);
            const paste = new ClipboardEvent('paste', { clipboardData, bubbles: true, cancelable: true });
            return !input.dispatchEvent(paste);
        }""",
        text,
    )
    return taken


def values(page: Page, name: str) -> list[str]:
    found: list[str] = page.locator(f"[name={name}]").evaluate_all("(all) => all.map((each) => each.value)")
    return found


def test_a_piece_of_a_spreadsheet_spreads_to_the_right_and_down(page: Page) -> None:
    show(page, TABLE + "{{ part.paste_status('told') }}")
    assert paste(page, "tr:first-child [name=analyte]", "K\t12.5\tsandy\r\nPhosphorus\t<3\r\n")
    assert values(page, "analyte") == ["K", "P"]
    assert values(page, "value") == ["12.5", "<3"]
    assert values(page, "remark") == ["sandy", ""]
    expect(page.locator("#told")).to_have_text("Cells filled from what you pasted: 5.")


def test_what_does_not_fit_is_left_out_and_counted(page: Page) -> None:
    show(page, TABLE + "{{ part.paste_status('told') }}")
    # Mg is no choice, the remark of row 2 cannot be written, there is neither a row 3 nor a column 4.
    assert paste(page, "tr:first-child [name=analyte]", "Mg\t1\ta\tbeside\nK\t2\tb\nP\t3\tc")
    assert values(page, "analyte") == ["P", "K"]
    assert values(page, "value") == ["1", "2"]
    assert values(page, "remark") == ["a", ""]
    expect(page.locator("#told")).to_contain_text("4. Did not fit, and were left out: 6.")


def test_a_single_value_is_pasted_as_anywhere_else(page: Page) -> None:
    show(page, TABLE)
    assert not paste(page, "tr:first-child [name=value]", "12.5")


def drop(page: Page, names: list[str], target: str) -> None:
    page.locator(target).evaluate(
        """(place, names) => {
            const dataTransfer = new DataTransfer();
            for (const name of names) dataTransfer.items.add(new File(['a,b'], name, { type: 'text/csv' }));
            for (const kind of ['dragover', 'drop'])
                place.dispatchEvent(new DragEvent(kind, { dataTransfer, bubbles: true, cancelable: true }));
        }""",
        names,
    )


def test_a_file_dropped_on_its_place_is_chosen_there(page: Page) -> None:
    show(page, DROP)
    expect(page.get_by_text("Or drop the file")).to_be_visible()
    drop(page, ["run.csv", "second.csv"], "[data-drop]")
    chosen = page.locator("input[type=file]").evaluate("(input) => [...input.files].map((each) => each.name)")
    assert chosen == ["run.csv"], "a place for one file takes one"
    expect(page.locator("input[type=file]")).to_be_focused()
    expect(page.locator("[data-drop]")).not_to_have_class("drop over")


def test_a_file_dropped_beside_its_place_does_not_replace_the_page(page: Page) -> None:
    show(page, DROP)
    left = page.evaluate(
        """() => {
            const dataTransfer = new DataTransfer();
            dataTransfer.items.add(new File(['a,b'], 'run.csv'));
            const dropped = new DragEvent('drop', { dataTransfer, bubbles: true, cancelable: true });
            return document.body.dispatchEvent(dropped);
        }"""
    )
    assert not left
    assert page.locator("input[type=file]").evaluate("(input) => input.files.length") == 0


def test_a_changed_form_shows_at_once_what_it_would_answer(page: Page) -> None:
    asked: list[str] = []

    def answer(route: Route) -> None:
        asked.append(route.request.url)
        route.fulfill(body='<div id="result">result of 2</div>', content_type="text/html")

    page.route("**/asked?*", answer)
    show(page, FORM)
    status = page.locator("[data-live-status]")
    expect(status).to_be_empty()
    page.locator("[name=yield]").fill("2")
    expect(page.locator("#result")).to_have_text("result of 2")
    expect(status).to_have_text("Shown as just chosen. Not stored yet.")
    assert [each.split("?")[1] for each in asked] == ["yield=2"], (
        "the form's token has no place in an address"
    )


def test_a_form_that_is_not_filled_in_is_not_asked_about(page: Page) -> None:
    asked: list[str] = []
    page.route("**/asked?*", lambda route: (asked.append(route.request.url), route.abort()))
    show(page, FORM)
    page.locator("[name=yield]").fill("")
    page.wait_for_timeout(700)  # longer than the script waits for the next key
    assert asked == []
    expect(page.locator("#result")).to_have_text("result of 1")


def test_what_cannot_be_shown_is_said_and_the_old_answer_stays(page: Page) -> None:
    page.route(
        "**/asked?*", lambda route: route.fulfill(body="<p>another page</p>", content_type="text/html")
    )
    show(page, FORM)
    page.locator("[name=yield]").fill("2")
    expect(page.locator("[data-live-status]")).to_contain_text("could not be shown")
    expect(page.locator("#result")).to_have_text("result of 1")
    expect(page.locator("#result")).not_to_have_class("stale")


def test_a_refusal_is_shown_where_the_answer_would_be(page: Page) -> None:
    told = '<div class="refused" role="alert">too large</div><div id="result"></div>'
    page.route("**/asked?*", lambda route: route.fulfill(status=422, body=told, content_type="text/html"))
    show(page, FORM)
    page.locator("[name=yield]").fill("2")
    expect(page.locator("#result .refused")).to_have_text("too large")
    expect(page.locator("[data-live-status]")).to_have_text("This cannot be worked out; the reason is below.")
