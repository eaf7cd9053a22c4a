"""What holds for the whole suite: its random cases are the same in every run, and what it says at its end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from hypothesis import settings

from tests.published import printed

# Nothing random, nothing timed: Hypothesis derives its cases from each test and remembers none.
settings.register_profile("suite", derandomize=True, database=None, deadline=None)
settings.load_profile("suite")


# These take longest by far. Where two processes share the suite, neither shall begin one when the other ends.
FIRST = ("test_browser_every_page.py", "test_packaging.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that take longest."""
    items.sort(key=lambda item: item.path.name not in FIRST)


@pytest.fixture
def ledger(record_property: Callable[[str, object], None]) -> printed.Enter:
    """Enter a row's printed values; they count when the test passes."""

    def enter(row: Mapping[str, Any]) -> None:
        printed.check_row(row)
        record_property("printed", (*printed.publication(row), row["standing"], printed.values_of(row)))

    return enter


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say how many printed values of how many publications the suite agrees with."""
    values: Counter[str] = Counter()
    publications: set[tuple[str, str]] = set()
    for report in terminalreporter.stats.get("passed", []):
        for name, entry in report.user_properties:
            if name == "printed" and report.when == "call" and entry[3]:
                values[entry[2]] += entry[3]
                publications.add(entry[:2])
    if values:
        standings = ", ".join(f"{count} {standing}" for standing, count in values.most_common())
        terminalreporter.write_line(
            f"{values.total()} printed values of {len(publications)} publications agree ({standings})."
        )
