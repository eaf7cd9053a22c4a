"""How the log of a server, and of its workers, is written."""

from __future__ import annotations

import logging

import structlog


def configure_log(level: int = logging.INFO) -> None:
    """Write the log as one JSON object a line: what comes from outside cannot begin a line of its own."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(sort_keys=True),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
    )
