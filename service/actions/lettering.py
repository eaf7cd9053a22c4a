"""The message of a delivery: as it is sent, and as it is shown before that."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from email.message import EmailMessage
from typing import Any, Protocol

from service import mailtext
from service.actions.privacy import REPORT_LINK
from service.mailtext import Letter
from service.settings import Settings
from service.store.outbox import About


class Addressed(Protocol):
    """Whatever says to whom something goes, and how."""

    @property
    def reader(self) -> Any:
        """Who reads it."""

    @property
    def way(self) -> Any:
        """How it goes."""

    @property
    def address(self) -> str:
        """Where it goes."""

    @property
    def language(self) -> str:
        """In which language."""


@dataclass(frozen=True)
class Message:
    """A mail as a person looks at it."""

    headers: tuple[tuple[str, str], ...]
    text: str
    file_name: str = ""  # of what is attached
    file_bytes: int = 0

    def __str__(self) -> str:
        """The mail as one text."""
        head = "\n".join(f"{name}: {value}" for name, value in self.headers)
        tail = f"\n[{self.file_name}, application/pdf, {self.file_bytes} bytes]\n" if self.file_name else ""
        return f"{head}\n\n{self.text}{tail}"


def letter(settings: Settings, at: datetime, to: Addressed, about: About, message_id: str) -> Letter:
    """What is said to a reader about a report."""
    card = about.card
    by_secret = to.way == "link" and to.reader != "agent"
    return Letter(
        reader=to.reader, way=to.way, language=to.language, address=to.address, message_id=message_id,
        report=about.report, field=about.field_name or about.field_code, sampled_on=about.sampled_on,
        laboratory=str(card.get("name", "")), contact=str(card.get("contact", "")),
        phone=str(card.get("phone", "")),
        until=(at + timedelta(days=settings.link_days)).date() if by_secret else None,
    )  # fmt: skip


def link(settings: Settings, to: Addressed, about: About, token: str) -> str:
    """The address in a mail: with a secret for whoever has no account, else the report's page."""
    if to.reader == "agent":
        return f"{settings.address}/reports/{about.report_id}"
    return f"{settings.address}{REPORT_LINK}{token}"


def written(
    settings: Settings, at: datetime, to: Addressed, about: About, *, message_id: str, token: str,
    pdf: bytes | None,
) -> EmailMessage:  # fmt: skip
    """The message as it is sent."""
    said = letter(settings, at, to, about, message_id)
    return mailtext.compose(said, settings.mail_from, at, link(settings, to, about, token), pdf)


def shown(settings: Settings, at: datetime, to: Addressed, about: About, message_id: str) -> Message:
    """The message in full, without making a link or sending anything."""
    said = letter(settings, at, to, about, message_id)
    address = link(settings, to, about, mailtext.later(to.language))
    composed = mailtext.compose(said, settings.mail_from, at, address, None)
    headers = tuple((name, str(value)) for name, value in composed.items())
    attached = (said.file_name, about.document_bytes) if to.way == "file" else ("", 0)
    return Message(headers, mailtext.text(said, address), *attached)
