"""Two agronomists at two browsers: one writes a table, the other reviews it; nothing crosses unseen."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from tests.app.server.browser.conftest import NARROW, WIDE, Live
from tests.app.server.browser.test_browser_laboratory import says
from tests.app.server.land import advised_land

TITLE = "Soil phosphorus, Bray-1"
HIGH = "classes.3.from"  # where the class "high" begins: at 23 in the last release; a sample has 22


def typed(page: Page, cell: str, text: str) -> None:
    page.locator(f"[name='{cell}']").fill(text)


def pasted(page: Page, cell: str, text: str) -> None:
    """Paste a piece of a spreadsheet into a cell, as the browser hands it over."""
    page.locator(f"[name='{cell}']").evaluate(
        """(input, text) => {
            const clipboardData = new DataTransfer();
            clipboardData.setData('text/plain', text);
            input.focus();
            const told = { clipboardData, bubbles: true, cancelable: true };
            input.dispatchEvent(new ClipboardEvent('paste', told));
        }""",
        text,
    )


def stored(page: Page) -> None:
    page.get_by_role("button", name="Store", exact=True).first.click()
    says(page, "The table was stored.")


def to_the_review(page: Page) -> None:
    """From the list of drafts to the review of the only one that is alive."""
    page.goto("/tables/drafts")
    page.get_by_role("link", name="Marrowdale").first.click()
    page.locator("nav a[href$='/review']").click()


def is_classed(page: Page, visit: int, name: str) -> None:
    """What the second sample's phosphorus is classed as, where the agent looks."""
    page.goto(f"/visits/{visit}")
    row = page.get_by_role("row").filter(has_text="22 ± 1 mg/kg")
    expect(row).to_contain_text(f"{name}, 22 ± 1 mg/kg")


@pytest.mark.parametrize(("script", "width"), [(True, WIDE), (False, NARROW)])
def test_one_writes_and_the_other_approves_exactly_what_was_shown(
    live: Live, script: bool, width: int
) -> None:
    land = advised_land(live.world)
    agent = live.open("agent", script=script, width=width)
    is_classed(agent, land.visits[0], "medium")
    author = live.open("agronomist", script=script, width=width)
    reviewer = live.open("reviewer", script=script, width=width)

    # The author begins a draft, and has the table open in a second window as well.
    author.goto("/tables/drafts")
    author.get_by_label("Why").first.fill("New trials.")
    author.get_by_role("button", name="Begin the draft").click()
    says(author, "The draft was begun.")
    author.get_by_role("link", name=TITLE).first.click()
    second = author.context.new_page()
    second.goto(author.url)

    # A column of a spreadsheet goes in whole; the cell that cannot be read is told beside it, and mended.
    if script:
        pasted(author, "classes.1.from", "8\r\n15\r\n2l\r\n40\r\n")
        expect(author.locator(f"[name='{HIGH}']")).to_have_value("2l")
    else:
        for cell, text in (("classes.1.from", "8"), ("classes.2.from", "15"), (HIGH, "2l")):
            typed(author, cell, text)
        typed(author, "classes.4.from", "40")
        author.get_by_role("button", name="Look", exact=True).first.click()
    expect(author.locator(f"[id='t-{HIGH}']")).to_contain_text("'2l' is no number")
    typed(author, HIGH, "21")
    stored(author)

    # The second window is refused, and what was typed there still stands in it, beside what is stored now.
    typed(second, "title", "Phosphorus of the second window")
    second.get_by_role("button", name="Store", exact=True).first.click()
    expect(second.locator("main")).to_contain_text("somebody else has changed this table since you opened it")
    expect(second.locator("[name='title']")).to_have_value("Phosphorus of the second window")
    expect(second.get_by_role("row").filter(has_text="Phosphorus of the second window")).to_contain_text(
        TITLE
    )
    second.close()

    to_the_review(author)
    author.get_by_label("Why the tables change").fill("Trials of 2020 to 2025.")
    author.get_by_role("button", name="Submit for review").click()
    says(author, "The draft was submitted.")
    expect(author.locator("main")).to_contain_text("You wrote or submitted some of this draft.")
    expect(author.get_by_role("button", name="Approve what is shown")).to_have_count(0)

    # The reviewer sees exactly that, says something about a cell, and sends the draft back.
    to_the_review(reviewer)
    change = reviewer.locator("main")
    expect(change).to_contain_text("Trials of 2020 to 2025.")
    for before, after in (("7", "8"), ("14", "15"), ("23", "21"), ("38", "40")):
        row = reviewer.get_by_role("row").filter(has=reviewer.get_by_role("cell", name=before, exact=True))
        expect(row.filter(has=reviewer.get_by_role("cell", name=after, exact=True))).to_have_count(1)
    expect(change).not_to_contain_text("second window")
    review = reviewer.url
    old = reviewer.context.new_page()
    old.goto(review)
    reviewer.get_by_role("link", name="Open the draft").click()
    reviewer.get_by_role("link", name=TITLE).first.click()
    expect(reviewer.get_by_role("button", name="Store", exact=True)).to_have_count(0)
    reviewer.get_by_label("Which cell?").select_option(HIGH)
    reviewer.get_by_label("What is to be looked at?").fill("Is 21 from the wet years alone?")
    reviewer.get_by_role("button", name="Add the comment").click()
    says(reviewer, "The comment was added.")
    reviewer.goto(review)
    expect(reviewer.locator("main")).to_contain_text("Is 21 from the wet years alone?")
    reviewer.get_by_label("What is to be changed").fill("Look at the dry years, too.")
    reviewer.get_by_role("button", name="Send back").click()
    says(reviewer, "The draft was sent back.")

    # The author changes the bound and submits again, while the reviewer still has the first version open.
    author.goto("/tables/drafts")
    author.get_by_role("link", name="Marrowdale").first.click()
    expect(author.locator("main")).to_contain_text("Reviewer: Look at the dry years, too.")
    author.get_by_role("link", name=TITLE).first.click()
    cell = author.locator("[data-cell]").filter(has=author.locator(f"[name='{HIGH}']"))
    expect(cell).to_contain_text("Is 21 from the wet years alone?")
    cell.get_by_role("button", name="Settle").click()
    says(author, "The comment is settled.")
    typed(author, HIGH, "22")
    stored(author)
    to_the_review(author)
    author.get_by_label("Why the tables change").fill("Trials of 2015 to 2025.")
    author.get_by_role("button", name="Submit for review").click()
    says(author, "The draft was submitted.")
    old.get_by_role("button", name="Approve what is shown").click()
    expect(old.locator("main")).to_contain_text("this draft is no longer what you were shown")
    expect(old.locator("main")).to_contain_text("Trials of 2015 to 2025.")
    is_classed(agent, land.visits[0], "medium")

    reviewer.goto(review)
    expect(reviewer.locator("main")).to_contain_text("Trials of 2015 to 2025.")
    reviewer.get_by_role("button", name="Approve what is shown").click()
    says(reviewer, "The draft was approved.")
    author.reload()
    author.get_by_role("button", name="Publish the release").click()
    says(author, "The release was published.")
    is_classed(agent, land.visits[0], "high")
