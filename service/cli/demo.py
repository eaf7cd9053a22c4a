"""``furrowslice demo``: the whole job on an invented district, from run files to printed reports."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal

import typer

from reports.format import Units
from reports.wording import Language
from service.actions import fields, runs
from service.actions.card import read_laboratory
from service.cli import console
from service.cli.answers import DemoAnswer
from service.cli.fields import print_reports
from service.cli.runs import print_runs, readable
from service.layout import read_layout
from service.limitsfile import read_limits
from service.paths import demo_directory, tables_directory
from service.runfiles import read_run
from service.samplefiles import read_bench, read_samples
from service.tablefiles import read_tables

# Run files in the order they were read on the bench, with the layout each is written in.
RUNS = (
    ("bray-p.csv", None),
    ("nitrate.csv", None),  # drifts, and is held
    ("nitrate-rerun.csv", None),
    ("cec.csv", None),
    ("olsen-p-by-hand.csv", "comma-semicolon"),
)
ISSUED_ON = date(2026, 4, 17)


def demo(
    folder: Annotated[
        Path, typer.Option("--out", callback=readable, help="Folder for what the demo writes.")
    ] = Path("out/demo"),
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper")] = "a4",
    language: Annotated[Language, typer.Option("--language")] = "en",
    units: Annotated[
        Units, typer.Option("--units", help="Units of the amounts; the garden ones with cups and spoons.")
    ] = "metric",
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document and nothing else.")
    ] = False,
) -> None:
    """Do the main job on invented data: five runs, 24 samples, six fields. Exit status 0 when it is done."""
    here = demo_directory()
    bench = runs.Bench(
        read_tables(tables_directory()), read_limits(here / "limits.yaml"), read_samples(here / "samples.csv")
    )
    card = read_laboratory(here / "laboratory.yaml")
    measured = [
        runs.measure_and_write(read_run(here / name, read_layout(layout)), bench, card, folder)
        for name, layout in console.tracked(RUNS, "Measuring")
    ]
    context = bench.samples.context
    files = [here / "bench.csv", *(m.values_file for m in measured if m.values_file)]
    values = [read_bench(path, context) for path in files]
    style = fields.Style(paper, language, units)
    made_from = fields.inputs_by_field(values, context)
    written = [
        fields.write_report(field, made_from[field.field_id], card, style, ISSUED_ON, folder, bench.tables)
        for field in console.tracked(fields.advise(values, bench.tables, context), "Writing reports")
    ]
    if as_json:
        console.print_json(DemoAnswer(runs=tuple(measured), reports=tuple(written)))
        return
    print_runs(measured)
    console.print_line()
    console.print_line("Reports, one a field (everything in them is invented):")
    print_reports(written)
