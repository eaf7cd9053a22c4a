"""``furrowslice deliver``: reports on their way to growers, from the server's own machine."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from interpretation.errors import FurrowsliceError
from service.cli import console
from service.cli.onserver import database, operator_of
from service.cli.options import with_settings
from service.settings import read_settings

if TYPE_CHECKING:
    from service.actions.delivering import Plan
    from service.callers import Caller
    from service.site import Site
    from service.store.deliveries import DeliveryRow

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None,
    help="Reports to growers by mail or on paper: plan, list, send, the print queue.",
)  # fmt: skip
MAIL = (
    "data", "database_url", "public_url", "link_days", "mode", "smtp_host", "smtp_port", "smtp_security",
    "smtp_user", "smtp_password", "smtp_ca", "smtp_seconds", "mail_from", "mail_way", "mails_per_minute",
)  # fmt: skip
WHERE = ("data", "database_url")
Laboratory = Annotated[str, typer.Option("--laboratory", help="Its name, where there are several.")]
ROWS_AT_ONCE = 500
LEFT_OUT = {
    "already": "planned before",
    "replaced": "another report has replaced it",
    "erased": "what was kept about its grower was erased",
    "nobody": "nobody gets it this way",
}


@app.command("plan")
@with_settings(*MAIL)
def plan(
    report: Annotated[
        list[str] | None, typer.Argument(metavar="REPORT", help="Reports by their printed number.")
    ] = None,
    search: Annotated[
        str | None, typer.Option("--search", help="All that match and stand; '' is every one.")
    ] = None,
    way: Annotated[str, typer.Option("--way", help="usual, link, file or paper.")] = "usual",
    copy: Annotated[bool, typer.Option("--copy/--no-copy", help="Copies where growers allow them.")] = True,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show every message; plan nothing.")] = False,
    laboratory: Laboratory = "",
    **given: Any,
) -> None:
    """Plan who gets reports and which way; the server then sends the mails by itself."""
    from service.actions import delivering
    from service.actions.checking import checked
    from service.actions.delivering import MOST_AT_ONCE, Sending

    how = checked(Sending, {"way": way, "to_copy": copy})
    with database(read_settings(**given)) as site:
        caller = operator_of(site, laboratory)
        ids = _ids(site, caller, report or [], search)
        if dry_run:
            made = delivering.dry_run(site, caller, ids, how, most=2 * MOST_AT_ONCE)
            for message in made.messages.values():
                console.print_lines([*str(message).splitlines(), "-" * 72])
        else:
            made = delivering.plan(site, caller, ids, how)
    _tell(made, "would be" if dry_run else "were")
    raise typer.Exit(1 if made.held else 0)


@app.command("list")
@with_settings(*MAIL)
def list_deliveries(
    chosen: Annotated[
        str, typer.Option("--list", help="waiting, held, refused, sent, print, printed or cancelled.")
    ] = "waiting",
    messages: Annotated[bool, typer.Option("--messages", help="Show every mail in full.")] = False,
    laboratory: Laboratory = "",
    **given: Any,
) -> None:
    """List deliveries: what waits, what is held, what was refused or sent."""
    from service.actions import deliverylists

    with database(read_settings(**given)) as site:
        caller = operator_of(site, laboratory)
        rows = list(_rows(site, caller, chosen))
        if messages:
            for row in rows:
                if (message := deliverylists.message(site, caller, row.id)) is not None:
                    console.print_lines([*str(message).splitlines(), "-" * 72])
    columns = ("delivery", "report", "to", "way", "planned (UTC)", "state", "next (UTC)", "why")
    console.print_table(
        f"Deliveries: {chosen}",
        columns,
        [
            (
                str(row.id), row.report, row.reader, row.way, f"{row.planned_at:%Y-%m-%d %H:%M}", row.state,
                f"{row.next_at:%Y-%m-%d %H:%M}" if row.next_at else "", row.reason.replace("|", ": "),
            )
            for row in rows
        ],
    )  # fmt: skip


@app.command("queue")
@with_settings(*WHERE)
def queue(laboratory: Laboratory = "", **given: Any) -> None:
    """List the print queue: reports of growers who get no mail."""
    with database(read_settings(**given)) as site:
        rows = list(_rows(site, operator_of(site, laboratory), "print"))
    columns = ("delivery", "report", "field", "grower", "language", "planned (UTC)", "why on paper")
    console.print_table(
        "Print queue",
        columns,
        [
            (
                str(row.id), row.report, row.called, row.grower_name, row.language,
                f"{row.planned_at:%Y-%m-%d %H:%M}", row.reason,
            )
            for row in rows
        ],
    )  # fmt: skip


@app.command("printed")
@with_settings(*WHERE)
def printed(
    delivery: Annotated[list[int], typer.Argument(metavar="DELIVERY", help="Numbers of the print queue.")],
    laboratory: Laboratory = "",
    **given: Any,
) -> None:
    """Mark reports of the print queue as printed and posted."""
    from service.actions import deliverysteps

    with database(read_settings(**given)) as site:
        done = deliverysteps.printed(site, operator_of(site, laboratory), delivery)
    console.print_line(f"Marked as printed and posted: {done}")


@app.command("send")
@with_settings(*MAIL)
def send(**given: Any) -> None:
    """Send the mails that are due, once, of all laboratories; for a server that is not running."""
    from service.actions.postman import send_now
    from service.logs import configure_log

    settings = read_settings(**given)
    if not settings.sends_mail:
        raise FurrowsliceError(
            "mail is not set up", where="--smtp-host or FURROWSLICE_SMTP_HOST",
            expected="the name of a mail server", fix="set it, and --mail-from with it",
        )  # fmt: skip
    configure_log()
    with database(settings) as site:
        done = send_now(site)
    if done is None:
        raise FurrowsliceError(
            "another process sends the mails of this database at the moment", where="mail",
            expected="one process at a time", fix="leave it to that one: it is most likely the server",
        )  # fmt: skip
    told = ", ".join(f"{count} {what}" for what, count in sorted(done.items()))
    console.print_line(told or "Nothing was sent: no mail is due, or the mail server takes none.")
    raise typer.Exit(1 if set(done) - {"sent"} else 0)


def _ids(site: Site, caller: Caller, named: list[str], search: str | None) -> list[int]:
    from service.actions import delivering, reporting

    if bool(named) == (search is not None):
        raise FurrowsliceError(
            "it is not clear which reports are meant", where="REPORT and --search",
            expected="printed numbers of reports, or --search", fix="give one of them",
        )  # fmt: skip
    if search is not None:
        return list(delivering.found(site, caller, search))
    ids = []
    for text in named:
        found = [row for row in reporting.find(site, caller, text)[0] if row.report_id == text.upper()]
        if len(found) != 1:
            raise FurrowsliceError(
                f"there is no report {text}", where="REPORT", expected="the number that a report prints",
                fix="type it as it is printed",
            )  # fmt: skip
        ids.append(found[0].id)
    return ids


def _rows(site: Site, caller: Caller, chosen: str) -> Iterable[DeliveryRow]:
    from service.actions import deliverylists

    if (name := next((each for each in deliverylists.LISTS if each == chosen), None)) is None:
        raise FurrowsliceError(
            f"there is no list {chosen!r}", where="--list", expected=", ".join(deliverylists.LISTS),
            fix="choose one of them",
        )  # fmt: skip
    last = 0
    while some := deliverylists.after(site, caller, name, last, ROWS_AT_ONCE):
        yield from some
        last = some[-1].id


def _tell(made: Plan, planned: str) -> None:
    parts = [("link", "mails with a link"), ("file", "mails with the PDF"), ("paper", "for the print queue")]
    for way, what in parts:
        if made.by(way):
            console.print_line(f"{made.by(way)} {what} {planned} planned.")
    if made.held:
        console.print_line(f"{made.held} {planned} held from the start: the address is none.")
    for reason in sorted(set(made.left_out.values())):
        count = sum(each == reason for each in made.left_out.values())
        console.print_line(f"{count} left out: {LEFT_OUT.get(reason, reason)}")
