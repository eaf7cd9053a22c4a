"""The editor of tables in a browser: by keyboard, with a piece of a spreadsheet, shown as it is typed."""

from __future__ import annotations

from playwright.sync_api import Page, expect

from service.actions import drafting, people
from service.actions.draftdesk import desk
from service.actions.people import EVERY_REGION, Person
from tests.app.server.browser.conftest import NARROW, Live
from tests.app.server.browser.looking import wrong_with
from tests.app.server.draft_steps import SCALE, begun, named, saved, with_cell, with_fact


def opened(live: Live, table: str = SCALE, *, script: bool = True, width: int = 1600) -> tuple[Page, int]:
    """The editor of a table of a new draft, and the draft's id."""
    draft = begun(live.world)
    page = live.open("agronomist", script=script, width=width)
    page.goto(f"/tables/drafts/{draft}/entries/{named(live.world, draft, table).number}")
    return page, draft


def cell(page: Page, name: str) -> str:
    """What stands in a cell."""
    return page.locator(f"[name='{name}']").input_value()


def paste(page: Page, name: str, text: str) -> None:
    """Paste a piece of a spreadsheet into a cell."""
    page.locator(f"[name='{name}']").evaluate(
        """(input, text) => {
            const clipboardData = new DataTransfer();
            clipboardData.setData('text/plain', text);
            input.focus();
            const told = { clipboardData, bubbles: true, cancelable: true };
            input.dispatchEvent(new ClipboardEvent('paste', told));
        }""",
        text,
    )


def test_what_is_typed_is_shown_at_once_and_stored_by_a_button_alone(live: Live) -> None:
    page, draft = opened(live)
    box = page.locator("[name='classes.1.from']")
    box.fill("nine")
    expect(page.locator("[id='t-classes.1.from']")).to_contain_text("'nine' is no number")
    expect(box).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#looked")).to_contain_text("cannot be drawn: nine")
    box.fill("9")
    expect(page.locator("[id='t-classes.1.from']")).to_be_empty()
    expect(box).not_to_have_attribute("aria-invalid", "true")
    page.locator("[name='classes.1.to']").fill("10")
    expect(page.locator("#looked")).to_contain_text("Gap from 10 to 14")
    expect(page.locator("[data-editor-status]")).to_have_text("Shown as typed. Not stored yet.")
    assert named(live.world, draft).rows["classes"][1]["from"] == "7"
    page.get_by_role("button", name="Store").first.click()
    expect(page.get_by_role("status").first).to_have_text("The table was stored.")
    assert named(live.world, draft).rows["classes"][1] == {"name": "low", "from": "9", "to": "10"}


def test_a_row_is_added_by_enter_and_arrows_go_up_and_down(live: Live) -> None:
    page, draft = opened(live)
    rows = page.locator("[data-grid='classes'] tbody tr").count()
    page.locator(f"[name='classes.{rows - 1}.from']").press("Enter")
    expect(page.locator(f"[name='classes.{rows}.from']")).to_be_focused()
    page.keyboard.type("80")
    page.keyboard.press("ArrowUp")
    expect(page.locator(f"[name='classes.{rows - 1}.from']")).to_be_focused()
    page.keyboard.press("ArrowDown")
    expect(page.locator(f"[name='classes.{rows}.from']")).to_be_focused()
    expect(page.locator(f"[name='classes.{rows}.from']")).to_have_value("80")
    page.locator(f"[name='classes.{rows}.name']").fill("excessive")
    page.locator("[name='title']").press("Enter")
    expect(page.locator("h1")).to_have_text("Soil phosphorus, Bray-1")
    page.get_by_role("button", name=f"Remove row {rows + 1}").click()
    expect(page.locator(f"[name='classes.{rows - 2}.name']")).to_have_value("")
    assert page.locator(f"[name='classes.{rows}.name']").count() == 0
    assert named(live.world, draft).rows["classes"][-1]["name"] == "very high"


def test_a_piece_of_a_spreadsheet_is_spread_over_the_cells_and_adds_rows(live: Live) -> None:
    page, draft = opened(live)
    lines = [f"class {number}\t{number * 5}\t\tno" for number in range(11)]
    paste(page, "classes.0.name", "\n".join(lines) + "\n")
    expect(page.locator("[data-grid-status='classes']")).to_have_text(
        "Cells filled from what you pasted: 44."
    )
    assert [cell(page, f"classes.10.{name}") for name in ("name", "from", "to", "open_below")] == [
        "class 10", "50", "", "no",
    ]  # fmt: skip
    expect(page.locator("#looked")).to_contain_text("adequate_from is")
    paste(page, "classes.5.from", "1\n2\n3")
    assert [cell(page, f"classes.{row}.from") for row in (5, 6, 7)] == ["1", "2", "3"]
    paste(page, "classes.0.name", "\n".join(f"c\t{number}" for number in range(70)))
    expect(page.locator("[data-grid-status='classes']")).to_contain_text("were left out: 20.")
    paste(page, "classes.0.open_below", "maybe\tnothing\nyes")
    expect(page.locator("[data-grid-status='classes']")).to_contain_text("were left out: 2.")
    assert cell(page, "classes.1.open_below") == "yes"
    page.get_by_role("button", name="Store").first.click()
    assert len(named(live.world, draft).rows["classes"]) == 60


def test_a_formula_shows_its_curve_as_it_is_typed(live: Live) -> None:
    page, _ = opened(live, "marrowdale/n-maize")
    expect(page.locator("#looked polyline")).to_have_count(1)
    page.locator("[name='formula']").fill("n_per_t * (yield_goal")
    expect(page.locator("#looked mark")).to_have_text("(")
    page.locator("[name='formula']").fill("n_per_t * (yield_goal - 1)")
    expect(page.locator("#looked polyline")).to_have_count(1)
    page.locator("#looked details").first.locator("summary").click()
    expect(page.locator("#looked details").first).to_contain_text("Formula: n_per_t * (yield_goal - 1).")
    page.locator("[name='round_to']").fill("1")
    expect(page.locator("#looked details").first).to_contain_text("Rounded in steps of 1:")
    expect(page.locator("#looked details").first).to_have_attribute("open", "")


def test_a_link_leads_to_the_classes_and_not_under_the_bar(live: Live) -> None:
    page, _ = opened(live, width=NARROW)
    page.get_by_role("link", name="Classes", exact=True).click()
    heading = page.get_by_role("heading", name="Classes", exact=True)
    expect(heading).to_be_in_viewport()
    bar, there = page.locator(".editor-bar").bounding_box(), heading.bounding_box()
    assert bar is not None
    assert there is not None
    assert there["y"] >= bar["y"] + bar["height"]


def test_a_comment_is_about_the_cell_one_was_in(live: Live) -> None:
    page, draft = opened(live)
    page.locator("[name='classes.2.from']").focus()
    page.locator("[name='comment']").fill("Why 14?")
    page.get_by_role("button", name="Add the comment").click()
    expect(page.get_by_role("status").first).to_have_text("The comment was added.")
    assert desk(live.world.site, live.world.caller("agronomist"), draft).comments[0].place == "classes.2.from"


def test_without_script_the_buttons_do_it(live: Live) -> None:
    page, draft = opened(live, script=False)
    page.locator("[name='classes.1.from']").fill("nine")
    page.locator("[name='classes.1.from']").press("Enter")
    expect(page.locator("[id='t-classes.1.from']")).to_contain_text("'nine' is no number")
    page.locator("[name='classes.1.from']").fill("8")
    page.get_by_role("button", name="Insert a row below row 1").click()
    assert cell(page, "classes.2.from") == "8"
    page.locator("[name='classes.1.name']").fill("rather low")
    page.locator("[name='classes.1.from']").fill("4")
    page.get_by_role("button", name="Store").first.click()
    assert [row["from"] for row in named(live.world, draft).rows["classes"][:3]] == ["0", "4", "8"]


def test_no_page_of_drafts_has_a_barrier_or_is_wider_than_the_screen(live: Live) -> None:
    world, draft = live.world, begun(live.world)
    wrong_cells = with_cell(named(world, draft), "classes", 1, "from", "nine")
    saved(world, draft, with_cell(with_fact(wrong_cells, unit="?", sources="none"), "classes", 0, "to", "3"))
    gaps = with_cell(named(world, draft, "marrowdale/zinc"), "classes", 0, "to", "0.1")
    saved(world, draft, with_cell(gaps, "classes", 1, "to", "3"))
    saved(world, draft, with_fact(named(world, draft, "marrowdale/k2o-potato"), standing="regional-draft"))
    saved(world, draft, with_fact(named(world, draft, "marrowdale/n-potato"), formula="2 * ("))
    number = named(world, draft).number
    for place in ("classes.1.from", "title", ""):
        drafting.comment(world.site, world.caller("reviewer"), draft, number, place, "Look at this again.")
    tables = [SCALE, "marrowdale/zinc", "marrowdale/k2o-potato", "marrowdale/n-potato", "marrowdale"]
    paths = [f"/tables/drafts/{draft}/entries/{named(world, draft, name).number}" for name in tables]
    page = live.open("agronomist")
    found: dict[str, list[str]] = {}
    for path in (*paths, f"/tables/drafts/{draft}", "/tables/drafts"):
        page.goto(path)
        found |= wrong_with(page)
    person = Person(email="reviewer@soil.example", name="R", role="agronomist", region=EVERY_REGION)
    people.change_account(world.site, world.caller("administrator"), world.people["reviewer"], person)
    page = live.open("reviewer", width=NARROW)
    for path in ("/tables/drafts", "/tables/drafts/new-region", "/tables/drafts/new-region/empty"):
        page.goto(path)
        found |= wrong_with(page)
    assert found == {}
