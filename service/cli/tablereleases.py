"""``furrowslice tables history`` and ``verify``: the releases in a server's database, and their chains."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from service.cli import console
from service.cli.answers import ReleaseTold, TablesHistoryAnswer, TablesVerifyAnswer, VerifiedBook
from service.cli.onserver import database
from service.cli.options import with_settings
from service.cli.runs import JsonOption
from service.settings import read_settings

SHORT = 12  # signs of a digest on a line


@with_settings("data", "database_url")
def history(
    region: Annotated[str, typer.Argument(help="A region, or 'shared' for what all regions share.")],
    as_json: JsonOption = False,
    **given: Any,
) -> None:
    """List the releases of a region, newest first: when, from when on, by whom, why."""
    from service.actions import releasehistory
    from service.callers import operator

    with database(read_settings(**given)) as site:
        found = releasehistory.history(site, operator(), region)
    told = tuple(
        ReleaseTold(
            number=each.row.number, effective_on=each.row.effective_on, published_at=each.row.published_at,
            published_by=each.content.published_by, written_by=each.content.written_by,
            approved_by=each.content.approved_by, why=each.content.why, sha256=each.row.sha256,
            standing=each.span.standing,
        )
        for each in found.releases
    )  # fmt: skip
    if as_json:
        console.print_json(TablesHistoryAnswer(book=region, releases=told))
        return
    rows = [
        (str(each.number), str(each.effective_on), each.standing, f"{each.published_at:%Y-%m-%d}",
         ", ".join(each.written_by) or each.published_by, each.approved_by or "-", each.sha256[:SHORT],
         each.why)
        for each in told
    ]  # fmt: skip
    columns = ("release", "used from", "state", "published", "written by", "approved by", "digest", "why")
    console.print_table(region, columns, rows)


@with_settings("data", "database_url")
def verify(
    region: Annotated[
        str, typer.Argument(help="A region; every one, and what they share, if not given.")
    ] = "",
    as_json: JsonOption = False,
    **given: Any,
) -> None:
    """Work out all digests again, and whether each release names the one before. Exit status 2 if not."""
    from service.actions import tablefolders

    with database(read_settings(**given)) as site:
        found = tablefolders.verify(site, region)
    if as_json:
        console.print_json(
            TablesVerifyAnswer(
                books=tuple(
                    VerifiedBook(book=each.book, releases=each.releases, breaks=each.breaks) for each in found
                )
            )
        )
    else:
        for each in found:
            count = f"{each.releases} {'release' if each.releases == 1 else 'releases'}"
            console.print_line(f"{each.book}: {count}, {'broken' if each.breaks else 'whole'}")
            for sentence in each.breaks:
                console.print_line(f"    {sentence}")
    raise typer.Exit(2 if any(each.breaks for each in found) else 0)
