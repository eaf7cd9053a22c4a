"""The page of a batch renews itself while the batch is worked on, and stops when that has ended."""

from __future__ import annotations

from playwright.sync_api import expect

from service.callers import operator
from service.store import schema
from tests.app.server.batches import add_many, start
from tests.app.server.browser.conftest import Live


def test_the_numbers_of_a_batch_renew_themselves(live: Live) -> None:
    world = live.world
    add_many(world, 2)
    job_id = start(world)
    page = live.open("laboratory")
    page.goto(f"/batches/{job_id}")
    expect(page.locator("#progress")).to_contain_text("0 of 2 ended.")
    with world.site.database.housekeeping(operator()) as look:
        failed = {"state": "failed", "reason": "there is nothing to report yet"}
        look.connection.execute(schema.job_item.update().values(failed))
        look.connection.execute(schema.job.update().values(state="done"))
    expect(page.locator("#progress")).to_contain_text("2 of 2 ended.", timeout=30_000)
    expect(page.locator("#progress[data-poll]")).to_have_count(0)
    expect(page.get_by_role("button", name="Try these again")).to_be_visible()
    page.get_by_role("button", name="Try these again").click()  # what was renewed can be used
    expect(page.locator("main")).to_contain_text("What had failed waits again.")
