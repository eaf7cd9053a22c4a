"""What every test of the reports stands on."""

from __future__ import annotations

import logging
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def no_renderer_warnings(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """A style or tag that the renderer drops is only logged: here it fails the test."""
    caplog.set_level(logging.WARNING, logger="weasyprint")
    yield
    said = [
        record.getMessage() for record in caplog.get_records("call") if record.name.startswith("weasyprint")
    ]
    assert not said
