"""The agent's journeys in a real browser: from a field, or from anybody's paper, to the report as PDF."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.app.server.browser.conftest import NARROW, WIDE, Live
from tests.app.server.browser.test_browser_laboratory import downloaded, says
from tests.app.server.land import advised_land

WAYS = [(True, WIDE), (False, NARROW)]


def text_of(pdf: bytes, folder: Path) -> str:
    """What can be read on the pages of a PDF."""
    path = folder / "downloaded.pdf"
    path.write_bytes(pdf)
    read = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True)
    return read.stdout.decode()


def issue(page: Page, folder: Path) -> str:
    """Look at the preview, issue the report and download it; gives what it says."""
    with page.expect_popup() as opened:
        page.get_by_role("link", name="Preview (PDF)").click()
    opened.value.close()
    page.get_by_role("button", name="Issue the report").click()
    says(page, "The report was issued.")
    number = (page.locator("h1").text_content() or "").split()[-1]
    text = text_of(downloaded(page, "Download the PDF"), folder)
    assert number in text
    return text


@pytest.mark.parametrize(("script", "width"), WAYS)
def test_from_a_field_to_its_report(live: Live, tmp_path: Path, script: bool, width: int) -> None:
    advised_land(live.world)
    page = live.open("agent", script=script, width=width)
    page.goto("/")
    page.get_by_label("Parts of the work").get_by_role("link", name="Fields").click()
    page.get_by_label("Find a field").fill("marlowe")
    page.get_by_role("button", name="Find").click()
    page.get_by_role("link", name="Long Meadow").click()
    expect(page.locator("figure svg").first).to_be_visible()
    page.get_by_role("link", name="Plan and advice of the last visit").click()

    # Another yield goal changes the amounts on the page before anything is stored.
    amounts = page.locator("#advice table").first
    before = amounts.text_content()
    page.get_by_label("Yield goal").first.fill("6")
    if not script:
        page.get_by_role("button", name="Show", exact=True).click()
    expect(page.locator("#advice")).to_contain_text("It is not stored yet.")
    assert amounts.text_content() != before
    expect(page.locator("#advice details.working").first).to_be_attached()
    page.get_by_role("button", name="Save the plan").click()
    says(page, "The plan was saved.")
    expect(page.get_by_label("Yield goal").first).to_have_value("6")

    page.get_by_role("link", name="Preview and issue the report").click()
    page.get_by_label("Language").select_option("es")
    page.get_by_label("Comment of the adviser").fill("Empiece por la cal.")
    page.get_by_role("button", name="Save and look again").click()
    says(page, "The choices and the comment were taken over.")
    expect(page.get_by_label("Language")).to_have_value("es")
    text = issue(page, tmp_path)
    assert "Empiece por la cal." in text
    assert "Long Meadow" in text
    assert "Qué hacer" in text

    page.get_by_label("Parts of the work").get_by_role("link", name="Reports").click()
    expect(page.get_by_role("row")).to_have_count(2)


@pytest.mark.parametrize(("script", "width"), WAYS)
def test_from_anybodys_paper_to_a_report(live: Live, tmp_path: Path, script: bool, width: int) -> None:
    page = live.open("agent", script=script, width=width)
    page.goto("/fields")
    page.get_by_role("link", name="Type values from a paper").click()
    for label, value in (
        ("Grower", "R. Osmund"), ("Farm", "Brake Farm"), ("Name of the field", "Mill Acre"),
        ("Area, ha", "4.5"), ("Day of sampling", "2026-04-01"), ("Yield goal", "9.5"),
        ("Sample 1, Name of the place", "all"), ("Sample 1, Texture", "silt loam"),
        ("Laboratory and number of the paper", "Fenwater 77-1"),
    ):  # fmt: skip
        page.get_by_label(label).first.fill(value)
    page.get_by_label("County").select_option("upper")
    page.get_by_label("Crop", exact=True).select_option("maize")
    page.get_by_label("Row 1, What was measured").select_option("P|P")
    page.get_by_label("Row 1, Method").fill("olsen-1:20-colour")
    page.get_by_label("Row 1, Value").fill("14")
    page.get_by_label("Row 1, Basis").select_option("air-dry")

    # A value without its unit means nothing: nothing is taken, nothing that was typed is lost.
    page.get_by_role("button", name="Store and see the advice").click()
    expect(page.get_by_role("alert")).to_contain_text("unit")
    expect(page.get_by_label("Row 1, Value")).to_have_value("14")
    page.get_by_label("Row 1, Unit").select_option("mg/kg")
    page.get_by_role("button", name="Store and see the advice").click()
    says(page, "The visit and its values were stored.")
    expect(page.locator("#advice")).to_contain_text("14")

    page.get_by_role("link", name="Preview and issue the report").click()
    text = issue(page, tmp_path)
    assert {"Fenwater", "77-1"} <= set(text.split())  # in a narrow column of the results
    assert "Mill Acre" in text
