"""``furrowslice batch``: reports by the thousand, asked for and worked on at the server's own machine."""

from __future__ import annotations

import logging
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Annotated, Any

import typer

from interpretation.errors import FurrowsliceError
from service.cli import console
from service.cli.onserver import database, operator_of
from service.cli.options import drawing, with_settings
from service.settings import read_settings

if TYPE_CHECKING:
    from service.actions.batches import Preview
    from service.actions.batchstate import Batch
    from service.callers import Caller
    from service.site import Site

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None,
    help="Reports of many visits, made together: start, run, list, show, cancel, hand out.",
)  # fmt: skip
WHERE = ("data", "database_url")
CREW = (*WHERE, "outputs", "workers", "scheduler", "tls_ca", "tls_certificate", "tls_key")
STEP = 0.05  # of the whole, between two lines where nobody watches
LEFT_OUT = {
    "unknown": "not there, or another laboratory's",
    "erased": "of a grower whose data were erased",
    "no-values": "without values",
    "standing": "with a report that stands (--replace)",
}
JobNumber = Annotated[int, typer.Argument(metavar="BATCH", help="Number of the batch.", min=1)]


@app.command("start")
@drawing
@with_settings(*CREW)
def start(
    title: Annotated[str, typer.Option("--title", help="What the batch is called in the lists.")],
    laboratory: Annotated[str, typer.Option("--laboratory", help="Its name, where there are several.")] = "",
    search: Annotated[str, typer.Option("--search", help="Words of field, farm or grower.")] = "",
    county: Annotated[str, typer.Option("--county", help="Id of one county.")] = "",
    since: Annotated[
        datetime | None, typer.Option("--since", formats=["%Y-%m-%d"], help="Sampled on this day or later.")
    ] = None,
    visit: Annotated[list[int] | None, typer.Option("--visit", help="One visit; may be repeated.")] = None,
    samples: Annotated[
        Path | None, typer.Option("--samples", help="A file with one number of a sample a line.")
    ] = None,
    language: Annotated[str, typer.Option("--language", help="own (each grower's), en or es.")] = "own",
    units: Annotated[
        str, typer.Option("--units", help="own, metric, us, garden-metric or garden-us.")
    ] = "own",
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
    replace: Annotated[bool, typer.Option("--replace", help="Replace reports that stand.")] = False,
    deliver: Annotated[bool, typer.Option("--deliver", help="Plan their delivery in the end.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be made.")] = False,
    run: Annotated[
        bool, typer.Option("--run/--no-run", help="Work on it here, or leave it to the server.")
    ] = True,
    **given: Any,
) -> None:
    """Ask for the reports of many visits, and make them."""
    from service.actions import batches
    from service.actions.batches import BatchWish, Choice
    from service.actions.checking import checked

    wish = checked(
        BatchWish,
        {"language": language, "units": units, "paper": paper, "replaces": replace, "deliver": deliver},
    )
    choice = checked(
        Choice,
        {
            "search": search, "county": county, "since": since.date() if since else None,
            "visits": tuple(visit or ()), "lab_numbers": _numbers(samples),
        },
    )  # fmt: skip
    with database(read_settings(**given)) as site:
        caller = operator_of(site, laboratory)
        found = batches.preview(site, caller, choice, wish)
        _print_preview(found)
        if dry_run:
            return
        job_id = batches.start(site, caller, title, choice, wish)
        console.print_line(f"Batch {job_id} was started.")
        if run:
            _work(site, job_id)


@app.command("run")
@drawing
@with_settings(*CREW)
def run(batch: JobNumber, **given: Any) -> None:
    """Work on a batch here, from where it was left. Ctrl-C leaves it, to be gone on with."""
    with database(read_settings(**given)) as site:
        _work(site, batch)


@app.command("list")
@with_settings(*WHERE)
def list_batches(
    laboratory: Annotated[str, typer.Option("--laboratory", help="Its name, where there are several.")] = "",
    **given: Any,
) -> None:
    """List the newest batches of a laboratory."""
    from service.actions import batches

    with database(read_settings(**given)) as site:
        found, _ = batches.find(site, operator_of(site, laboratory))
    rows = [
        (str(each.job.id), each.job.title, f"{each.job.asked_at:%Y-%m-%d %H:%M}", each.job.asked_by,
         each.job.state, str(each.counts.done), str(each.counts.waiting), str(each.counts.failed),
         str(each.counts.cancelled))
        for each in found
    ]  # fmt: skip
    columns = ("batch", "title", "asked (UTC)", "by", "state", "done", "waiting", "failed", "cancelled")
    console.print_table("Batches", columns, rows)


@app.command("show")
@with_settings(*WHERE)
def show(batch: JobNumber, **given: Any) -> None:
    """Say how a batch stands, and of each visit that failed why."""
    from service.actions import batches

    with database(read_settings(**given)) as site:
        caller = _operator_for(site, batch)
        found, last = batches.one(site, caller, batch), 0
        console.print_line(_told(found))
        while some := batches.items(site, caller, batch, "failed", last, 500):
            for each in some:
                console.print_line(f"    {each.number}: field {each.field_code}: {each.reason}")
            last = some[-1].number
    raise typer.Exit(1 if found.counts.failed else 0)


@app.command("cancel")
@with_settings(*WHERE)
def cancel(batch: JobNumber, **given: Any) -> None:
    """Cancel what is not begun; what was issued stays."""
    from service.actions import batches

    with database(read_settings(**given)) as site:
        caller = _operator_for(site, batch)
        batches.cancel(site, caller, batch)
        console.print_line(_told(batches.one(site, caller, batch)))


@app.command("try-again")
@with_settings(*WHERE)
def try_again(batch: JobNumber, **given: Any) -> None:
    """Let what failed wait once more; the server takes it up, or ``batch run`` does."""
    from service.actions import batches

    with database(read_settings(**given)) as site:
        number = batches.try_again(site, _operator_for(site, batch), batch)
    console.print_line(f"{number} wait again.")


@app.command("zip")
@with_settings(*WHERE)
def archive(
    batch: JobNumber, file: Annotated[Path, typer.Argument(metavar="FILE", help="The archive to write.")],
    **given: Any,
) -> None:  # fmt: skip
    """Write all reports of a batch into one archive, with a list of them."""
    from service.actions import batchfiles
    from service.files import writing

    with database(read_settings(**given)) as site:
        made = batchfiles.archive(site, _operator_for(site, batch), batch)
        with writing(file, 0o600) as out:
            for piece in made.pieces:
                out.write(piece)
    console.print_line(str(file))


@app.command("print")
@drawing
@with_settings(*WHERE)
def print_parts(
    batch: JobNumber,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the files are written.")],
    two_sided: Annotated[
        bool, typer.Option("--two-sided", help="Every report begins on a new leaf.")
    ] = False,
    **given: Any,
) -> None:
    """Write the reports of a batch as files for a printer, in the order of the route, with sheets between."""
    from service.actions import batchfiles
    from service.files import writing

    with database(read_settings(**given)) as site:
        caller = _operator_for(site, batch)
        for number in range(1, batchfiles.parts(site, caller, batch) + 1):
            made = batchfiles.print_part(site, caller, batch, number, duplex=two_sided)
            with writing(folder / made.name, 0o600) as out:
                out.write(made.content)
            console.print_line(str(folder / made.name))


def _numbers(file: Path | None) -> tuple[str, ...]:
    if file is None:
        return ()
    try:
        lines = file.read_text("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise FurrowsliceError(
            "the list of samples is not UTF-8", where=str(file), expected="one number of a sample a line",
            fix="save it as UTF-8",
        ) from None  # fmt: skip
    return tuple(line.strip() for line in lines if line.strip())


def _operator_for(site: Site, batch: int) -> Caller:
    """The command line, in the laboratory of a batch."""
    from service.callers import operator
    from service.store import jobwork

    with site.database.look(operator(), None) as look:
        return operator(jobwork.any_job(look, batch).laboratory_id)


def _print_preview(found: Preview) -> None:
    console.print_line(f"{len(found.chosen)} reports to be made.")
    for reason, number in found.reasons.items():
        console.print_line(f"Left out: {number} {LEFT_OUT[reason]}")


def _work(site: Site, job_id: int) -> None:
    """Work on a batch with a crew of its own; the exit status tells what became of it."""
    from service.logs import configure_log
    from service.outputs import outputs_at
    from service.work.drawing import make_ready
    from service.work.executors import open_crew
    from service.work.runner import run_job, take

    outputs_at(site.settings.outputs_url)  # refused before anything is taken
    configure_log(logging.ERROR)  # what goes wrong is told of each item
    _, runner = take(site, job_id)  # before a crew is opened, which takes a moment
    with _stopping() as told_to_stop, open_crew(site.settings, make_ready) as crew, _progress() as progress:
        ended = run_job(site, job_id, crew, runner=runner, told_to_stop=told_to_stop, told=progress.told)
    from service.actions import batches

    found = batches.one(site, _operator_for(site, job_id), job_id)
    console.print_line(_told(found))
    if ended == "stopped":
        console.print_line(f"Stopped. To go on where it was: furrowslice batch run {job_id}")
    elif ended == "lost":
        console.print_line("It was cancelled, or another process has taken it over.")
    raise typer.Exit(0 if ended == "done" and not found.counts.failed else 1)


@contextmanager
def _stopping() -> Iterator[Event]:
    """Ctrl-C and SIGTERM let go of the batch in good order; a second one breaks off."""
    told = Event()

    def stop(number: int, _frame: object) -> None:
        told.set()
        signal.signal(number, before[number])

    before: dict[int, Any] = {
        number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield told
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class _Lines:
    """Says in a line how far it has come, now and then."""

    def __init__(self) -> None:
        self.next = 0.0

    def told(self, batch: Batch) -> None:
        share = batch.counts.ended / max(1, batch.counts.total)
        if share >= self.next:
            self.next = share + STEP
            console.err.print(_told(batch))


class _Bar:
    """Shows a bar with the pace and the time left."""

    def __init__(self, bar: Any) -> None:
        self.bar, self.task = bar, bar.add_task("reports", total=None, pace="", left="")

    def told(self, batch: Batch) -> None:
        self.bar.update(
            self.task, total=batch.counts.total, completed=batch.counts.ended, pace=_pace(batch),
            left=_left(batch), description=f"{batch.counts.failed} failed" if batch.counts.failed else "",
        )  # fmt: skip


@contextmanager
def _progress() -> Iterator[_Lines | _Bar]:
    if not console.err.is_terminal:
        yield _Lines()
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("{task.fields[pace]}"))
    more = (TextColumn("{task.fields[left]}"), TextColumn("{task.description}"))
    with Progress(*columns, *more, console=console.err, transient=True) as bar:
        yield _Bar(bar)


def _told(batch: Batch) -> str:
    counts = batch.counts
    parts = [f"batch {batch.job.id}: {counts.done} of {counts.total} issued"]
    parts += [
        f"{number} {word}"
        for number, word in ((counts.failed, "failed"), (counts.cancelled, "cancelled"))
        if number
    ]
    waits = {
        "others": "another batch is worked on first",
        "workers": "nobody works on it: see the server's log",
    }
    return ", ".join(
        part for part in (*parts, _pace(batch), _left(batch), waits.get(batch.waits_for)) if part
    )


def _pace(batch: Batch) -> str:
    return "" if batch.per_minute is None else f"{batch.per_minute:.0f} a minute"


def _left(batch: Batch) -> str:
    if batch.seconds_left is None or not batch.counts.waiting:
        return ""
    minutes, seconds = divmod(round(batch.seconds_left), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min left" if hours else f"{minutes} min {seconds} s left"
