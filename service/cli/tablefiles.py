"""``furrowslice tables export``, ``import`` and ``diff``: tables as files that go out and come back."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from interpretation.errors import FurrowsliceError
from service.bookfiles.book import Form
from service.cli import console
from service.cli.answers import TablesDiffAnswer
from service.cli.onserver import database
from service.cli.options import with_settings
from service.cli.runs import JsonOption, TablesOption
from service.cli.tabletext.changes import change_lines
from service.paths import tables_directory
from service.settings import read_settings
from service.tablefiles import read_tables

if TYPE_CHECKING:
    from service.actions.tablefolders import Side
    from service.site import Site

RegionOption = Annotated[
    str, typer.Option("--region", help="Whose tables they are, where the file does not say.")
]
WholeOption = Annotated[
    bool, typer.Option("--whole", help="The file is the whole region: what it lacks is removed.")
]


@with_settings("data", "database_url")
def export(
    name: Annotated[str, typer.Argument(metavar="ID|REGION", help="A region, or one of its tables.")],
    to: Annotated[
        Path,
        typer.Option("--to", help="A file (.xlsx, .zip, .yaml), or a folder of tables to write YAML into."),
    ],
    form: Annotated[
        Form | None, typer.Option("--as", help="What is in a .zip: csv or yaml.", show_default=False)
    ] = None,
    tables: TablesOption = None,
    release: Annotated[
        int | None, typer.Option("--release", min=1, help="From the server's database: this release.")
    ] = None,
    in_force: Annotated[
        bool, typer.Option("--in-force", help="From the server's database: the release of today.")
    ] = False,
    **given: Any,
) -> None:
    """Write a region's tables, or one of them, as a workbook, CSV or YAML."""
    from service.actions import tablefolders

    chosen = _form(to, form)
    if release is not None or in_force:
        if tables is not None or (release is not None and in_force):
            raise FurrowsliceError(
                "the tables of several places cannot be exported at once",
                expected="--tables, or --release, or --in-force", fix="leave out all but one",
            )  # fmt: skip
        region, _, table = name.partition("/")
        with database(read_settings(**given)) as site:
            found = tablefolders.released(site, region, None if in_force else str(release))
        entries = tuple(each for each in found if not table or each.id == name)
        one = bool(table)
        if not entries:
            raise FurrowsliceError(
                f"the release has no table {name!r}", expected="an id that was in it",
                fix=f"export {region} to see them all",
            )  # fmt: skip
    else:
        region, entries, one = tablefolders.of_folder(read_tables(tables or tables_directory()), name)
    if to.suffix == ".yaml" and not one:
        raise FurrowsliceError(
            "a region is more than one file of YAML", where=str(to), expected="a folder, a .zip or an .xlsx",
            fix="name a folder, or one table",
        )  # fmt: skip
    written = tablefolders.export(region, entries, one, chosen, to)
    console.print_line(f"{len(entries)} {'table' if len(entries) == 1 else 'tables'} of {region}: {to}")
    if to.suffix not in (".xlsx", ".zip", ".yaml"):
        console.print_line(f"{len(written)} files written, {len(entries) - len(written)} were so already.")


def _form(to: Path, form: Form | None) -> Form:
    """The form of a file, by its ending and what was asked for."""
    endings: dict[str, Form | None] = {".xlsx": "xlsx", ".zip": form}
    told = endings.get(to.suffix, "yaml")
    if to.suffix == ".zip" and form is None:
        inner: dict[str, Form] = {".csv": "csv", ".yaml": "yaml"}
        told = inner.get(Path(to.stem).suffix)
    if told is None or (form is not None and form != told):
        raise FurrowsliceError(
            f"it is not clear what {to.name} is to hold", where=f"--to {to}",
            expected=".xlsx; .zip with --as csv or --as yaml; .yaml; or a folder",
            fix="add --as, or correct the ending",
        )  # fmt: skip
    if to.suffix == ".zip" and told == "xlsx":
        raise FurrowsliceError(
            "a workbook is no .zip", where=f"--to {to}", expected=".xlsx", fix="correct the ending"
        )
    return told


@with_settings("data", "database_url")
def import_file(
    path: Annotated[
        Path,
        typer.Argument(
            help="A workbook, an archive of CSV or YAML, one table as YAML, or a region's folder."
        ),
    ],
    into: Annotated[
        Path | None, typer.Option("--into", help="The folder of tables to write into, as YAML.")
    ] = None,
    draft: Annotated[
        bool, typer.Option("--draft", help="Begin a draft in the server's database instead, for review.")
    ] = False,
    region: RegionOption = "",
    why: Annotated[str, typer.Option("--why", help="Why the tables change; kept with the draft.")] = "",
    whole: WholeOption = False,
    yes: Annotated[bool, typer.Option("--yes", help="Write without asking.")] = False,
    **given: Any,
) -> None:
    """Read a region's tables from a file, into a folder of tables or a draft; shows first what differs."""
    from service.actions import tablefolders

    if (into is None) == (not draft):
        raise FurrowsliceError(
            "it is not said where the tables go", expected="--into FOLDER, or --draft with --why",
            fix="give one of the two",
        )  # fmt: skip
    book = tablefolders.book_of(path)
    if into is None:
        with database(read_settings(**given)) as site:
            _begin(site, book, region, why, whole)
        return
    made = tablefolders.plan(into, book, region, whole=whole)
    console.print_lines(change_lines(made.changes))
    if not made.changes:
        return
    if not yes and not _agreed(len(made.written), len(made.removed), into):
        console.print_line("Nothing was written.")
        raise typer.Exit(1)
    made.carry_out()
    console.print_line(f"{len(made.written)} files written, {len(made.removed)} removed: {into}")


def _agreed(written: int, removed: int, folder: Path) -> bool:
    if not sys.stdin.isatty():
        raise FurrowsliceError(
            "nobody can be asked whether to write this, so nothing was written", where=str(folder),
            expected="a terminal, or --yes", fix="look at what differs, then add --yes",
        )  # fmt: skip
    return typer.confirm(f"Write {written} files into {folder} and remove {removed}?")


def _begin(site: Site, book: Any, region: str, why: str, whole: bool) -> None:
    from service.actions import draftdesk, draftfiles
    from service.callers import operator
    from service.entries.comparing import compare

    made = draftfiles.begin_from_file(site, operator(), book, region, why, whole=whole)
    desk = draftdesk.desk(site, operator(), made)
    console.print_lines(change_lines(compare(desk.base, desk.entries)))
    errors = desk.checked.errors()
    console.print_line(
        f"Draft {made} of {desk.draft.book}. Mistakes to be mended before it is submitted: {errors}."
    )


@with_settings("data", "database_url")
def diff(
    before: Annotated[
        str, typer.Argument(metavar="A", help="A folder, a file, or a release such as marrowdale@2.")
    ],
    after: Annotated[str, typer.Argument(metavar="B", help="Another one; marrowdale@in-force is today's.")],
    as_json: JsonOption = False,
    **given: Any,
) -> None:
    """Say what differs between two states of the tables. Exit status 1 where something does."""
    from service.actions import tablefolders

    sides = [_side(each, given) for each in (before, after)]
    changes = tablefolders.differences(*sides)
    if as_json:
        console.print_json(TablesDiffAnswer(before=before, after=after, changes=changes))
    else:
        console.print_lines(change_lines(changes))
    raise typer.Exit(1 if changes else 0)


def _side(name: str, given: dict[str, Any]) -> Side:
    from service.actions import tablefolders

    path = Path(name)
    if path.is_dir():
        return tablefolders.side_of_folder(path)
    if path.is_file() or "@" not in path.name:
        return tablefolders.side_of_file(path)
    with database(read_settings(**given)) as site:
        return tablefolders.side_of_release(site, name)
