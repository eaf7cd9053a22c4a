"""The ``furrowslice`` command.

Exit status: 0 done; 1 done, but something was held or refused and a person must look; 2 bad input.
"""

from __future__ import annotations

import sys

import typer

from interpretation.errors import FurrowsliceError
from service.cli import (
    batches,
    console,
    deliver,
    demo,
    fields,
    keeping,
    partitions,
    runs,
    schemas,
    serve,
    tables,
    verifying,
)
from service.cli.options import drawing

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From a run of soil extracts to a grower's printed report.",
    epilog="Exit status: 0 done; 1 done, but something was held or refused; 2 bad input.",
)
app.command("demo")(drawing(demo.demo))
app.command("calibrate")(runs.calibrate)
app.command("measure")(drawing(runs.measure))
app.command("advise")(fields.advise)
app.command("partition")(partitions.partition)
app.command("report")(drawing(fields.report))
app.command("verify")(drawing(verifying.verify))
app.command("schema")(schemas.schema)
app.command("serve")(serve.serve)
app.command("backup")(keeping.backup)
app.command("restore")(keeping.restore)
app.add_typer(tables.app, name="tables")
app.add_typer(batches.app, name="batch")
app.add_typer(deliver.app, name="deliver")


def main() -> None:
    """Run the command; deliberate errors, and those of the system, become a message and exit status 2."""
    console.survive_any_encoding()
    try:
        app()
    except FurrowsliceError as error:
        console.print_error(error)
        sys.exit(2)
    except OSError as error:
        console.print_error(_system_error(error))
        console.give_up_output()
        sys.exit(2)


def _system_error(error: OSError) -> FurrowsliceError:
    """Word an error of the operating system; one without a file name comes from printing."""
    return FurrowsliceError(
        f"the system refuses this: {error.strerror}",
        where=str(error.filename or "standard output"),
        expected="a path that can be used, and room for what is written",
        fix="look at the path, its rights and the room on the disk",
    )
