"""How templates are read, those of reports and those of pages that draw the same pictures."""

from __future__ import annotations

from jinja2 import BaseLoader, Environment, StrictUndefined

from reports.scripts import way, whole


def environment(loader: BaseLoader) -> Environment:
    """Templates in which everything is escaped, and what is missing is an error."""
    made = Environment(
        loader=loader,
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.filters |= {"way": way, "whole": whole}
    return made
