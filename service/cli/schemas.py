"""``furrowslice schema``: the JSON Schema of each ``--json`` document and of the data inside a report."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from service.actions.reportdocument import schema as report_data_schema
from service.cli import console
from service.cli.answers import ANSWERS

REPORT_DATA = "report-data"
DOCUMENTS = (*ANSWERS, REPORT_DATA)


def schema(
    document: Annotated[str, typer.Argument(help="One of: " + ", ".join(DOCUMENTS))],
) -> None:
    """Print the JSON Schema (2020-12) of a command's --json output, or of the data inside every report."""
    if document not in DOCUMENTS:
        raise typer.BadParameter(f"no document {document!r}; expected one of {', '.join(DOCUMENTS)}")
    if document == REPORT_DATA:
        console.print_line(json.dumps(report_data_schema(), indent=2))
        return
    described = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    described |= ANSWERS[document].model_json_schema(mode="serialization")
    console.print_line(json.dumps(described, indent=2))
