"""``furrowslice tables``: what an agronomist asks about the table files."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from interpretation.agronomy.materials import removal_kg_per_t
from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError
from service.actions import tables as actions
from service.actions.coverage import OF_REGIONS, Wanted, entries
from service.actions.tables import Kind
from service.cli import console
from service.cli.answers import TablesAnswer, TablesListAnswer, TablesProblem, TablesShowAnswer
from service.cli.runs import JsonOption, TablesOption
from service.cli.tablefiles import diff, export, import_file
from service.cli.tablereleases import history, verify
from service.cli.tabletext import coverage, listing, show
from service.paths import tables_directory
from service.tablefiles import check_directory, read_tables

app = typer.Typer(
    no_args_is_help=True,
    help="List, show, check and exchange the tables of classes, amounts, methods, crops and materials.",
)
app.command("export")(export)
app.command("import")(import_file)
app.command("diff")(diff)
app.command("history")(history)
app.command("verify")(verify)

OnOption = Annotated[
    datetime | None,
    typer.Option(
        "--on", formats=["%Y-%m-%d"], help="The day on which tables hold or do not; today if not given."
    ),
]


@app.command("list")
def list_tables(
    region: Annotated[str, typer.Option("--region", help="Only this region's.")] = "",
    analyte: Annotated[
        str, typer.Option("--analyte", help="Only of this analyte or nutrient: P, nitrate, K2O, lime.")
    ] = "",
    crop: Annotated[str, typer.Option("--crop", help="Only what holds for this crop.")] = "",
    kind: Annotated[
        Kind | None,
        typer.Option(
            "--kind",
            help="Only records of this kind. Methods, crops, materials and sources are those that the "
            "tables so narrowed down name.",
        ),
    ] = None,
    on: OnOption = None,
    page: Annotated[
        bool, typer.Option("--page", help="Print the page COVERAGE.md about all tables instead.")
    ] = False,
    tables: TablesOption = None,
    as_json: JsonOption = False,
) -> None:
    """List what is covered: region, analyte, method, crops, depth; with standing, dates and first source."""
    if page and (region or analyte or crop or kind or as_json):
        raise FurrowsliceError(
            "--page is about all tables, and is no JSON",
            expected="--page alone, or with --tables",
            fix="leave out the other options, or --page",
        )
    read = read_tables(tables or tables_directory())
    if page:
        console.print_line(coverage.coverage_page(read).rstrip("\n"))
        return
    day = on.date() if on else date.today()  # noqa: DTZ011 - the day on the wall is meant
    found = entries(read, Wanted(region, analyte, crop, kind), day)
    if as_json:
        console.print_json(TablesListAnswer(on=day, records=found))
    elif not found:
        console.print_line("Nothing in these tables fits that.")
    elif found[0].kind in OF_REGIONS:
        console.print_lines(listing.table_list(read, found))
    else:
        console.print_lines(listing.record_list(read, found))


@app.command("show")
def show_record(
    name: Annotated[str, typer.Argument(metavar="ID", help="An id as 'tables list' prints it.")],
    kind: Annotated[
        Kind | None, typer.Option("--kind", help="What the id is of, where several kinds have it.")
    ] = None,
    on: OnOption = None,
    tables: TablesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show one table, region, method, crop, material or source in full, with its sources and a picture."""
    read = read_tables(tables or tables_directory())
    found, record = actions.find(read, name, kind)
    day = on.date() if on else date.today()  # noqa: DTZ011 - the day on the wall is meant
    if as_json:
        console.print_json(_shown(read, found, record, day))
    else:
        console.print_lines(show.lines(read, found, record, day))


def _shown(tables: TableSet, kind: Kind, record: Any, day: date) -> TablesShowAnswer:
    return TablesShowAnswer(
        kind=kind,
        id=record.id,
        state=actions.state(record, day),
        record=record,
        sources=tuple(tables.sources[name] for name in actions.sources_of(record) if name in tables.sources),
        classes=actions.reported_classes(record) if kind == "scales" else (),
        removal_kg_per_t=tuple(
            removal_kg_per_t(each, record.bushel_lb) for each in getattr(record, "removal", ())
        ),
        named_by=actions.naming(tables, kind, record.id),
    )


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
        warnings = len(answer.problems) - errors
        console.print_line(
            f"{errors} {'error' if errors == 1 else 'errors'}, "
            f"{warnings} {'warning' if warnings == 1 else 'warnings'}."
        )
    raise typer.Exit(2 if errors else 1 if answer.problems else 0)
