"""Three hundred reports, made, stored and mailed while workers, server and scheduler are killed."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from tests.app.server.conftest import World
from tests.app.work.uproar import reader_of, uproar

NUMBER = 300


@pytest.mark.parametrize("world", ["postgresql"], indirect=True)
def test_nothing_is_lost_halved_or_done_twice(world: World, tmp_path: Path) -> None:
    """Workers can only read the database, as the README has it; what they draw is quick to draw."""
    reader = reader_of(world.site.settings.url)
    found = uproar(world, tmp_path, NUMBER, worker_url=reader, preload="tests.app.work.small_pages")
    assert found.items == Counter(done=NUMBER)
    assert (found.reports, found.visits) == (NUMBER, NUMBER)
    assert (found.files, found.whole_files, found.others) == (NUMBER, NUMBER, [])
    # One mail may have been under way when the server was killed: it waits for a person, gone or not.
    assert found.deliveries["sent"] + found.deliveries["held"] == NUMBER
    assert found.deliveries["held"] <= 1
    assert found.different_mails == found.addresses == found.mails
    assert found.deliveries["sent"] <= found.mails <= NUMBER
