"""``furrowslice partition``, and ``furrowslice advise`` over the partitions that it makes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer
from rich.progress import Progress

from interpretation.agronomy.tables import TableSet
from interpretation.errors import FurrowsliceError
from service.cli import console
from service.cli.answers import AdviseDataAnswer, PartitionAnswer
from service.cli.runs import JsonOption
from service.samplefiles import read_bench, read_samples
from service.settings import read_settings
from service.work.dataset import place, write_partitions
from service.work.executors import Alone, Crew, open_crew
from service.work.partitions import Summary, Told, advise_data


def partition(
    values: Annotated[list[Path], typer.Argument(help="Files of soil values.")],
    samples: Annotated[Path, typer.Option("--samples", help="The sample list.")],
    folder: Annotated[str, typer.Option("--out", help="Folder, or s3://bucket/folder, for the partitions.")],
    rows: Annotated[
        int, typer.Option("--rows", min=1, help="Samples in a partition; a field is never split.")
    ] = 10_000,
    as_json: JsonOption = False,
) -> None:
    """Write lists as partitions of Parquet, for 'advise' over more than fits into memory."""
    context = read_samples(samples).context
    soil = pd.concat([read_bench(path, context) for path in values], ignore_index=True)
    names = write_partitions(place(folder), soil, context, rows)
    if as_json:
        console.print_json(PartitionAnswer(folder=place(folder).url, partitions=names))
    else:
        console.print_line(f"{len(context)} samples in {len(names)} partitions: {place(folder).url}")


def advise_partitions(
    data: str, folder: str, tables: TableSet, convert: list[str] | None, *, as_json: bool, **given: Any
) -> bool:
    """Advise on a data set and print what came of it; whether anything was refused.

    Parameters
    ----------
    data, folder
        What is read, and where results go.
    **given
        Settings of those who work, as they were typed.
    """
    with _hands(**given) as hands, _progress() as told:
        summary, before = advise_data(hands, data, folder, tables, convert or (), told)
    if as_json:
        console.print_json(AdviseDataAnswer(folder=place(folder).url, done_before=before, summary=summary))
    else:
        _print(summary, before, place(folder).url)
    return bool(summary.counts["values_refused"] or summary.counts["amounts_refused"])


def _print(summary: Summary, before: int, url: str) -> None:
    counts = summary.counts
    done = f", {before} of them done before" if before else ""
    console.print_line(f"{counts['samples']} samples in {len(summary.partitions)} partitions{done}.")
    console.print_line(f"{counts['values']} soil values, {counts['values_refused']} of them without a class.")
    console.print_line(f"{counts['amounts']} amounts, {counts['amounts_refused']} of them not given.")
    console.print_line(f"Classes, amounts and notes, with the tables and a summary: {url}")


@contextmanager
def _hands(**given: Any) -> Iterator[Alone | Crew]:
    settings = read_settings(**given)
    if settings.workers == 1 and not settings.scheduler:
        yield Alone()
    else:
        with open_crew(settings) as crew:
            yield crew


@contextmanager
def _progress() -> Iterator[Told]:
    """Show how far it is, where a person watches."""
    with Progress(console=console.err, disable=not console.err.is_terminal, transient=True) as progress:
        task = progress.add_task("")

        def told(doing: str, done: int, count: int) -> None:
            progress.update(task, description=doing.capitalize(), completed=done, total=count)

        yield told


def the_one_data_set(values: list[str]) -> str:
    """The folder of partitions among what was typed without a list of samples.

    Raises
    ------
    FurrowsliceError
        If it is none.
    """
    if len(values) == 1 and ("://" in values[0] or Path(values[0]).is_dir()):
        return values[0]
    raise FurrowsliceError(
        "there is no list of samples",
        where="--samples",
        expected="--samples with files of soil values, or one folder of partitions instead",
        fix="name the list that the values' lab numbers are in",
    )


def refuse_for_lists(**given: Any) -> None:
    """Refuse options that mean nothing for lists: they are worked out here and printed.

    Raises
    ------
    FurrowsliceError
        With the option.
    """
    for name, value in given.items():
        if value is not None:
            raise FurrowsliceError(
                "this option is for a folder of partitions, and there is a list of samples",
                where=f"--{name.replace('_', '-')}",
                expected="one folder of partitions without --samples, or files of soil values with it",
                fix="leave the option out; 'furrowslice partition' makes partitions of lists",
            )
