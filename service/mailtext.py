"""The mail that goes with a report: what it says, and the message as it is sent.

What is left out, and why. Mail lies for years in boxes that others read, passes through servers that nobody
here knows, and its subject is shown on locked telephones. So the subject names the report's number alone; the
text names the field and the day of sampling, by which a grower with many fields knows what it is about, and
neither the grower nor any result. It is plain text: it looks like nothing that wants to be clicked, every
program shows it, and spam filters have little to object to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from functools import cache
from importlib.resources import files
from textwrap import wrap

from reports.catalogues import texts
from reports.format import Format
from service.characters import UNSEEN

LANGUAGES = ("en", "es")
LONGEST_NAME = 100  # of a field or a laboratory within a mail
WIDTH = 72
# 7bit: mail servers that take nothing else are rare, and every one takes this.
_POLICY = SMTP.clone(cte_type="7bit")


@dataclass(frozen=True)
class Letter:
    """Everything that is said to one reader about one report.

    Attributes
    ----------
    reader, way
        Who gets it, and whether it carries the file or a link.
    address, message_id
        Where it goes, and what it is called in every try.
    report, field, sampled_on
        Identity of the report as printed, name of the field, day of sampling.
    laboratory, contact, phone
        Who answers for it and whom to ask.
    until
        The last day on which a link opens the report; None where it needs an account.
    """

    reader: str
    way: str
    language: str
    address: str
    message_id: str
    report: str
    field: str
    sampled_on: date
    laboratory: str
    contact: str
    phone: str
    until: date | None = None

    @property
    def file_name(self) -> str:
        """What the attached file is called: by the report, as names of fields are often people's."""
        return f"soil-report-{self.report}.pdf"


def compose(letter: Letter, sender: str, at: datetime, link: str, pdf: bytes | None) -> EmailMessage:
    """Make the message.

    Parameters
    ----------
    letter
        What it says.
    sender
        The address it comes from.
    at
        When.
    link
        The address that opens the report; unused where the file goes along.
    pdf
        The file, where it goes along; None leaves it out, for looking at the text.
    """
    say = _saying(letter.language)
    message = EmailMessage(policy=_POLICY)
    # A name such as =?utf-8?q?=0A...?= would be written as it is, and be decoded by whoever reads it.
    message["From"] = Address(_line(letter.laboratory).replace("=?", "= ?"), addr_spec=sender)
    message["To"] = Address(addr_spec=letter.address)
    message["Subject"] = say("subject").format(report=letter.report)
    message["Date"] = format_datetime(at)
    if letter.message_id:  # none yet where the delivery is not planned
        message["Message-ID"] = letter.message_id
    message["Auto-Submitted"] = "auto-generated"  # so that no absence is announced to us
    message.set_content(text(letter, link))
    message["Content-Language"] = letter.language  # after the content, which begins these headers anew
    if pdf is not None and letter.way == "file":
        message.add_attachment(pdf, maintype="application", subtype="pdf", filename=letter.file_name)
    return message


def text(letter: Letter, link: str) -> str:
    """The words of the mail."""
    say = _saying(letter.language)
    day = Format(letter.language, "metric").day
    opening = say("ready-copy") if letter.reader == "copy" else say("ready")
    parts = [say("hello"), opening.format(field=_line(letter.field), day=day(letter.sampled_on))]
    if letter.way == "file":
        parts += [say("attached").format(file=letter.file_name)]
    elif letter.until is None:
        parts += [say("account"), link]
    else:
        parts += [say("link").format(until=day(letter.until)), link, say("keep-link")]
    whom = ", ".join(filter(None, map(_line, (letter.contact, letter.phone))))
    parts += [
        say("caution"),
        say("ask-whom").format(whom=whom) if whom else say("ask"),
        _line(letter.laboratory) + "\n" + say("number").format(report=letter.report),
        {"copy": say("why-copy"), "agent": say("why-agent")}.get(letter.reader, say("why")),
    ]
    return "\n\n".join(part if part == link else _filled(part) for part in parts) + "\n"


def _filled(part: str) -> str:
    return "\n".join(
        line for given in part.split("\n") for line in wrap(given, WIDTH, break_on_hyphens=False)
    )


def _line(name: str) -> str:
    """What somebody typed, as one line of characters that can be seen, and not too long."""
    seen = " ".join(UNSEEN.sub(" ", name).split())
    return seen if len(seen) <= LONGEST_NAME else f"{seen[: LONGEST_NAME - 1]}…"


def later(language: str) -> str:
    """What stands in the place of a link's secret before the mail is sent."""
    return _saying(language)("later")


def _saying(language: str) -> Callable[[str], str]:
    """The words of mails in one language, or in English where there are none in it."""
    known = _words(language if language in LANGUAGES else LANGUAGES[0])
    return lambda key: known[f"mail.{key}"]


@cache
def _words(language: str) -> dict[str, str]:
    """The words of mails lie with those of the pages."""
    folder = files("service") / "pages" / "words"
    return {f"mail.{key}": text for key, text in texts(folder, "mail", language).items()}
