"""The laboratory's journey in a real browser: from a list and a run file to the released sheet, as PDF."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from service.callers import operator
from service.paths import demo_directory
from service.store import laboratories
from tests.app.server.bench import demo_list
from tests.app.server.browser.conftest import NARROW, WIDE, Live

RUN = demo_directory() / "bray-p.csv"


def downloaded(page: Page, name: str) -> bytes:
    """What a link gives to keep."""
    with page.expect_download() as started:
        page.get_by_role("link", name=name).click()
    return Path(started.value.path()).read_bytes()


def says(page: Page, text: str) -> None:
    """The page says what was done, and it is heard."""
    expect(page.get_by_role("status").filter(has_text=text)).to_be_visible()


@pytest.mark.parametrize(("script", "width"), [(True, WIDE), (False, NARROW)])
def test_from_a_run_file_to_the_released_sheet(live: Live, tmp_path: Path, script: bool, width: int) -> None:
    limits = (demo_directory() / "limits.yaml").read_text("utf-8")
    with live.world.site.database.housekeeping(operator()) as look:
        laboratories.set_limits(look, live.world.laboratories["a"], limits)
    page = live.open("laboratory", script=script, width=width)
    page.goto("/")

    # A list of samples, one of which is left out: its cup is found later and is not dropped.
    page.get_by_label("Parts of the work").get_by_role("link", name="Samples").click()
    page.get_by_role("link", name="Upload a list").click()
    page.get_by_label("List of samples").set_input_files(demo_list(tmp_path, "004811"))
    page.get_by_role("button", name="Register the list").click()
    expect(page.get_by_text("Samples registered: 23.")).to_be_visible()

    # The run: what was read is shown before anything is worked out.
    page.get_by_label("Parts of the work").get_by_role("link", name="Runs").click()
    page.get_by_role("link", name="Upload a run").click()
    page.get_by_label("Run file").set_input_files(RUN)
    page.get_by_role("button", name="Read the file").click()
    says(page, "Look at it, then confirm.")
    expect(page.locator("[aria-current=step]")).to_contain_text("Confirm")
    page.get_by_role("button", name="Yes, it was read as it was meant").click()
    says(page, "The run is confirmed.")

    # The curve, the checks and the cup that no list has named.
    expect(page.locator(".picture svg")).to_have_count(3)
    expect(page.get_by_role("heading", name="Checks")).to_be_visible()
    expect(page.get_by_role("heading", name="Cups that no list has named")).to_be_visible()

    # Another choice beside it: the lowest standard is taken out, with its reason.
    page.get_by_role("link", name="Another curve, or take a cup out").click()
    page.get_by_label("Cup", exact=False).first.select_option("3")
    page.get_by_role("textbox", name="Reason").fill("bubble in the cell")
    if script:
        expect(page.locator("[data-live-status]")).to_contain_text("Not stored yet")
    else:
        page.get_by_role("button", name="Show the difference").click()
    expect(page.get_by_role("heading", name="Side by side")).to_be_visible()
    expect(page.locator("#comparison")).to_contain_text("0.5 to 10 mg/L")  # the range shrinks
    page.get_by_role("button", name="Keep the proposed choice").click()
    says(page, "The choice is kept.")
    expect(page.get_by_text("bubble in the cell").first).to_be_visible()

    # Accepted, released, and on paper.
    page.get_by_label("Accept", exact=True).check()
    page.get_by_role("button", name="Keep this decision").click()
    says(page, "The run is accepted.")
    page.get_by_role("button", name="Release the values").click()
    says(page, "The values are released and the sheet is frozen.")
    expect(page.locator("h1")).to_contain_text("released")
    assert downloaded(page, "Laboratory sheet (PDF)").startswith(b"%PDF-")

    # The cup that waited is named by a form for one sample, and goes out after the others.
    page.get_by_role("link", name="register it").click()
    for label, value in (
        ("Depth from, cm", "0"), ("Depth to, cm", "20"), ("Taken on", "2026-04-02"), ("Field id", "TC-1"),
        ("Name of the field", "Long Meadow"), ("Farm", "Thistlecombe Farm"),
    ):  # fmt: skip
        page.get_by_label(label, exact=False).first.fill(value)
    page.get_by_label("Region of the tables").select_option("marrowdale")
    page.get_by_label("County").select_option("upper")
    page.get_by_label("Crop", exact=True).select_option("maize")
    page.get_by_role("button", name="Register the sample").click()
    says(page, "can be released")
    page.get_by_label("Parts of the work").get_by_role("link", name="Runs").click()
    page.get_by_role("link", name="QW-0412-P").first.click()
    page.get_by_role("button", name="Release the named ones (1)").click()
    says(page, "The cups that were named are released.")
