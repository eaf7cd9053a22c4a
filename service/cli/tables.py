"""``furrowslice tables``: what an agronomist asks about the table files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli import console
from service.cli.answers import TablesAnswer, TablesProblem
from service.paths import tables_directory
from service.tablefiles import check_directory

app = typer.Typer(
    no_args_is_help=True, help="Check the tables of classes, rates, crops, materials and notes."
)


@app.callback()
def tables() -> None:
    """Keep ``tables`` a group while it has a single command."""


@app.command("check")
def check(
    directory: Annotated[
        Path | None, typer.Argument(help="A tables folder; the shipped one if not given.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Read every table and print each mistake with its file and line."""
    found = check_directory(directory or tables_directory())
    answer = TablesAnswer(
        problems=tuple(TablesProblem.model_validate(p, from_attributes=True) for p in found)
    )
    errors = sum(p.severity == "error" for p in answer.problems)
    if as_json:
        console.print_json(answer)
    else:
        for p in answer.problems:
            console.print_line(f"{p.where}: {p.severity}: {p.message}")
            if p.expected:
                console.print_line(f"    Expected: {p.expected}")
            if p.fix:
                console.print_line(f"    To fix it: {p.fix}")
        console.print_line(f"{errors} errors, {len(answer.problems) - errors} warnings.")
    raise typer.Exit(2 if errors else 1 if answer.problems else 0)
