"""One mail after the other out of the outbox: taken, given to the server, settled.

A mail is "sending" in the database before the server hears of it, and "sent" after the server has taken it.
What a process leaves behind as "sending" may have gone or not, and is held for a person. All of this is for
the one process that has the turn (:mod:`service.store.turns`); :mod:`service.actions.postman` holds it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from email.message import EmailMessage

import structlog

from service.actions import lettering
from service.callers import operator
from service.mailing import Outcome, Trouble
from service.settings import is_address
from service.site import Site
from service.store import deliveries, documents, links, outbox
from service.store.database import Look
from service.store.deliveries import State
from service.store.outbox import Mail

MAILMAN = "mail"  # who has done what a mail's log says
FIRST_PAUSE, LONGEST_PAUSE = timedelta(minutes=5), timedelta(hours=4)
MOST_ATTEMPTS = 10  # with these pauses about a day
# Kinds of reason, beside what people type. What a server said may follow behind a bar.
UNKNOWN, GAVE_UP, CHANGED = "unknown-fate", "gave-up", "address-changed"
log = structlog.get_logger("furrowslice.mail")


@dataclass(frozen=True)
class Taken:
    """A mail that is about to be given to the server."""

    id: int
    attempts: int
    message: EmailMessage
    token: str  # of its link; empty where it has none


def recover(site: Site) -> int:
    """Hold what another process was sending when it ended; returns how many mails that are."""
    with site.database.housekeeping(operator()) as look:
        left = outbox.half_sent(look)
        deliveries.turn_to(look, left, "held", after=["sending"], reason=UNKNOWN)
        deliveries.log(look, left, "uncertain", by=MAILMAN)
    if left:
        log.warning("held: it is not known whether these mails went", deliveries=left)
    return len(left)


def is_any_due(site: Site) -> bool:
    """Whether a mail's time has come."""
    with site.database.look(operator(), None) as look:
        return outbox.is_any_due(look)


def take(site: Site) -> Taken | None:
    """Take the next mail, marked as being sent before anybody hears of it; None when none is due.

    Mails that must not go any more are settled on the way.
    """
    while True:
        with site.database.housekeeping(operator()) as look:
            mail = outbox.next_mail(look)
            if mail is None:
                return None
            if (ended := _not_any_more(mail)) is not None:
                state, why = ended
                deliveries.turn_to(look, [mail.id], state, after=["waiting"], reason=why)
                deliveries.log(look, [mail.id], state, by=MAILMAN)
                continue
            if not deliveries.turn_to(look, [mail.id], "sending", after=["waiting"], reason=""):
                continue  # somebody has just cancelled it
            deliveries.log(look, [mail.id], "begun", by=MAILMAN)
            if (taken := _made(site, look, mail)) is not None:
                return taken


def _not_any_more(mail: Mail) -> tuple[State, str] | None:
    """The state and reason of a mail that must not go, or not without a person."""
    if mail.erased or mail.replaced:
        return "cancelled", "erased" if mail.erased else "replaced"
    if mail.reader == "agent":
        if not mail.agent_may:  # who asked has left, or looks after other counties now
            return "cancelled", "no-account"
        now, allowed = mail.address, True
    elif mail.reader == "copy":
        now, allowed = mail.copy_to, mail.copy_consent
    else:
        now, allowed = mail.email, mail.mail_consent
    if not allowed:
        return "cancelled", "no-consent"
    if now != mail.address:
        return "held", CHANGED
    return None if is_address(mail.address) else ("held", "bad-address")


def _made(site: Site, look: Look, mail: Mail) -> Taken | None:
    """Write the message; one that cannot be written is held, and the others go on."""
    token = ""
    if mail.way == "link" and mail.reader != "agent":
        lasts = timedelta(days=site.settings.link_days)
        token = links.make(look, "report", lasts, report_id=mail.about.report_id)
    pdf = documents.get(look, mail.about.document_sha256) if mail.way == "file" else None
    try:
        message = lettering.written(
            site.settings, look.now, mail, mail.about, message_id=mail.message_id, token=token, pdf=pdf
        )
    except Exception as error:
        # Not the message of the error, which may hold what the mail says.
        log.error("a mail cannot be written", delivery=mail.id, error=type(error).__name__)
        deliveries.turn_to(look, [mail.id], "held", after=["sending"], reason="not-written")
        deliveries.log(look, [mail.id], "held", by=MAILMAN)
        if token:
            links.discard(look, token)
        return None
    return Taken(mail.id, mail.attempts + 1, message, token)


def settle(site: Site, taken: Taken, outcome: Outcome) -> None:
    """Write down what became of a mail."""
    with site.database.housekeeping(operator()) as look:
        state, reason, pause = _meaning(taken, outcome)
        next_at = None if pause is None else look.now + pause
        # Another process may have found it half sent meanwhile and held it; what we know is surer.
        deliveries.turn_to(
            look, [taken.id], state, after=["sending", "held"], reason=reason, next_at=next_at
        )  # fmt: skip
        deliveries.log(look, [taken.id], outcome.what, outcome.answer, MAILMAN)
        if taken.token and outcome.what not in ("sent", "uncertain"):
            links.discard(look, taken.token)
    log.info("mail", delivery=taken.id, outcome=outcome.what, attempts=taken.attempts)


def _meaning(taken: Taken, outcome: Outcome) -> tuple[State, str, timedelta | None]:
    """State, reason and pause that follow from what the server did."""
    told = f"|{outcome.answer}"
    if outcome.what == "sent":
        return "sent", "", None
    if outcome.what == "refused":
        return "refused", f"refused{told}", None
    if outcome.what == "uncertain":
        return "held", f"{UNKNOWN}{told}", None
    if outcome.what == "trouble":
        return "waiting", f"{outcome.trouble}{told}", timedelta()
    if taken.attempts >= MOST_ATTEMPTS:
        return "held", f"{GAVE_UP}{told}", None
    return "waiting", f"put-off{told}", pause_after(taken.attempts)


def pause_after(attempts: int) -> timedelta:
    """How long a mail waits after so many tries: three times as long each time.

    Examples
    --------
    >>> [int(pause_after(attempts).total_seconds() // 60) for attempts in (1, 2, 3, 4, 5, 9)]
    [5, 15, 45, 135, 240, 240]
    """
    longer: int = 3 ** (attempts - 1)
    return min(FIRST_PAUSE * longer, LONGEST_PAUSE)


def put_all_off(site: Site, trouble: Trouble, pause: timedelta) -> None:
    """Let the whole outbox wait: the server takes no mail, whoever it is for."""
    with site.database.housekeeping(operator()) as look:
        count = outbox.put_all_off(look, look.now + pause, f"{trouble.kind}|{trouble.answer}")
    log.warning("mail waits", trouble=trouble.kind, answer=trouble.answer, mails=count)
