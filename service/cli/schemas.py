"""``furrowslice schema``: the JSON Schema of each ``--json`` document."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from service.cli import console
from service.cli.answers import ANSWERS


def schema(
    document: Annotated[str, typer.Argument(help="One of: " + ", ".join(ANSWERS))],
) -> None:
    """Print the JSON Schema (2020-12) of a command's --json output."""
    if document not in ANSWERS:
        raise typer.BadParameter(f"no document {document!r}; expected one of {', '.join(ANSWERS)}")
    described = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    described |= ANSWERS[document].model_json_schema(mode="serialization")
    console.print_line(json.dumps(described, indent=2))
