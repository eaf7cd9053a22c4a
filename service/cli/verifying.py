"""``furrowslice verify``: reports that somebody holds, against their own data and a server's database."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from service.cli import console
from service.cli.answers import FindingTold, VerifiedFile, VerifyAnswer
from service.cli.onserver import database
from service.cli.options import with_settings
from service.cli.runs import JsonOption
from service.settings import read_settings

if TYPE_CHECKING:
    from service.actions.datachecking import Finding
    from service.actions.verifying import Verified

STATUS = {"holds": 0, "differs": 1, "not-checked": 2}


@with_settings("data", "database_url")
def verify(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Reports as PDF.")],
    as_json: JsonOption = False,
    **given: Any,
) -> None:
    """Work reports out again from the data inside them, and compare with what is printed.

    With --data or --database-url the database of a server is asked as well. Exit status: 0 all hold; 1
    something differs; 2 one is no report or cannot be read.
    """
    from service.actions.verifying import verify_file
    from service.callers import operator

    checked: list[VerifiedFile] = []
    with ExitStack() as stack:
        settings = read_settings(**given)
        asked = settings.database_url is not None or "data" in settings.model_fields_set
        site = stack.enter_context(database(settings)) if asked else None
        caller = operator() if site else None
        for path in console.tracked(files, "Checking"):
            checked.append(_told(path, verify_file(path, site, caller)))
    if as_json:
        console.print_json(VerifyAnswer(files=tuple(checked)))
    else:
        for each in checked:
            _print(each)
    raise typer.Exit(max(STATUS[each.outcome] for each in checked))


def _told(path: Path, found: Verified) -> VerifiedFile:
    return VerifiedFile(
        file=str(path), outcome=found.outcome, sha256=found.sha256, report_id=found.report_id,
        issued_on=found.issued_on, laboratory=found.laboratory, field_name=found.field_name,
        made_by=found.made_by, asked_database=found.vouched, findings=_say(found.findings),
        confirmed=_say(found.confirmed), remarks=_say(found.remarks),
    )  # fmt: skip


def _say(found: tuple[Finding, ...]) -> tuple[FindingTold, ...]:
    from service.web.findings import sentence
    from service.web.templates import words

    return tuple(
        FindingTold(key=each.key, page=each.page, says=sentence(words("en"), each), told=dict(each.told))
        for each in found
    )


def _print(found: VerifiedFile) -> None:
    """Print one file: what became of it, what differs, what was confirmed, what else to know."""
    from service.web.findings import shown

    named = ", ".join(filter(None, (found.report_id, found.field_name, found.laboratory)))
    outcome = {"holds": "holds", "differs": "differs", "not-checked": "not checked"}[found.outcome]
    console.print_line(f"{shown(found.file)}: {outcome}" + (f" ({shown(named)})" if named else ""))
    for sign, told in (("x", found.findings), ("=", found.confirmed), ("i", found.remarks)):
        for each in told:
            console.print_lines([f"  {sign} {each.says}"])
