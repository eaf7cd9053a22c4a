"""A connection to a mail server, and what became of each mail that was given to it.

A mail has gone when the server has said so, after the single dot that ends it. Until that dot is sent nothing
can have gone, whatever breaks, and the mail may be given again. Between the dot and the answer nobody can
know: that is told as ``uncertain``, and such a mail is never given again by a program.

::

    connect ── EHLO ── STARTTLS ── AUTH        Trouble: no mail can go; it is nobody's address that is wrong
    MAIL ── RCPT ── DATA ── the mail           4xx or a broken line: put-off; 5xx: refused
    the dot ── the answer                      2xx: sent; 4xx: put-off; 5xx: refused; none: uncertain
"""

from __future__ import annotations

import re
import smtplib
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from threading import Timer
from typing import Any, Literal

from service.characters import UNSEEN
from service.settings import Settings

What = Literal["sent", "put-off", "refused", "uncertain", "trouble"]
TroubleKind = Literal["no-connection", "tls", "sign-in", "not-now", "sender-refused"]
LONGEST_ANSWER = 300
STEPS_AT_MOST = 5  # a mail may take so many times what one step may: a server that drips is let go
# Anything with an @ in it, written out or as part of a link: answers of mail servers repeat addresses.
_ADDRESSES = re.compile(r"[^\s<>\"'(),;]*(?:@|%40)[^\s<>\"'(),;]*", re.IGNORECASE)


@dataclass(frozen=True)
class Outcome:
    """What became of one mail, and what the server said, without addresses."""

    what: What
    answer: str = ""
    trouble: TroubleKind | None = None


class Trouble(Exception):  # noqa: N818 - reads as what it is
    """The server takes no mail at all: it is not reached, not trusted, or does not let us in.

    Attributes
    ----------
    kind
        What to tell.
    answer
        What the server or the system said, without addresses.
    """

    def __init__(self, kind: TroubleKind, answer: str) -> None:
        super().__init__(f"{kind}: {answer}")
        self.kind, self.answer = kind, answer


class Line:
    """A connection to the mail server of some settings, used for one mail after the other.

    Parameters
    ----------
    settings
        Those that begin with ``smtp_``, and ``mail_from``.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._smtp: smtplib.SMTP | None = None
        self._busy: smtplib.SMTP | None = None  # the one that somebody waits for
        self._given_up = False

    def open(self) -> None:
        """Make sure that the server listens, connecting where it does not any more.

        Raises
        ------
        Trouble
            If it cannot be reached, not be trusted, or does not let us in.
        """
        if self._smtp is not None:
            with suppress(smtplib.SMTPException, OSError), self._in_time(self._smtp):
                if self._smtp.rset()[0] == 250:
                    return
            self._drop()
        self._connect()

    def send(self, message: EmailMessage) -> Outcome:
        """Give one mail to the server; never raises for what the server or the network does."""
        smtp = self._smtp
        if smtp is None:
            return Outcome("put-off", "there is no connection")
        recipient = str(message["To"].addresses[0].addr_spec)
        content = message.as_bytes(policy=SMTP_POLICY)
        with self._in_time(smtp):
            outcome = self._give(smtp, recipient, content)
        return Outcome(outcome.what, without_addresses(outcome.answer, recipient), outcome.trouble)

    def close(self) -> None:
        """Take leave of the server."""
        if self._smtp is not None:
            with suppress(smtplib.SMTPException, OSError), self._in_time(self._smtp):
                self._smtp.quit()
            self._drop()

    def give_up(self) -> None:
        """Break the connection, from another thread, so that whoever waits for the server waits no more."""
        self._given_up = True
        if (busy := self._busy) is not None:
            _break(busy)

    # ------------------------------------------------------------------------------------- connecting

    def _connect(self) -> None:
        chosen = self._settings
        kind: TroubleKind = "no-connection"
        context = None if chosen.smtp_security == "none" else _context(chosen)
        smtp = _smtp(chosen, context)
        try:
            with self._in_time(smtp):
                code, told = smtp.connect(chosen.smtp_host, chosen.smtp_port)
                if code != 220:
                    raise smtplib.SMTPConnectError(code, told)
                smtp.ehlo_or_helo_if_needed()
                if chosen.smtp_security == "starttls":
                    kind = "tls"
                    smtp.starttls(context=context)
                    smtp.ehlo_or_helo_if_needed()
                kind = "sign-in"
                if chosen.smtp_user and chosen.smtp_password is not None:
                    smtp.login(chosen.smtp_user, chosen.smtp_password.get_secret_value())
        except (smtplib.SMTPException, OSError, ValueError) as error:
            with suppress(OSError):
                smtp.close()
            raise Trouble(*_worded(error, kind)) from None
        self._smtp = smtp

    def _drop(self) -> None:
        if self._smtp is not None:
            with suppress(OSError):
                self._smtp.close()
        self._smtp = None

    @contextmanager
    def _in_time(self, smtp: smtplib.SMTP) -> Iterator[None]:
        """Break the connection when all steps together take too long: one that drips never times out."""
        timer = Timer(self._settings.smtp_seconds * STEPS_AT_MOST, _break, (smtp,))
        timer.daemon = True
        timer.start()
        self._busy = smtp
        try:
            if self._given_up:
                _break(smtp)
            yield
        finally:
            self._busy = None
            timer.cancel()

    # ---------------------------------------------------------------------------------------- one mail

    def _give(self, smtp: smtplib.SMTP, recipient: str, content: bytes) -> Outcome:
        """The conversation about one mail."""
        try:
            size = [f"SIZE={len(content)}"] if smtp.has_extn("size") else []
            code, told = smtp.mail(self._settings.mail_from, size)
            if code // 100 != 2:
                return self._not_taken(code, told, sender=True)
            code, told = smtp.rcpt(recipient)
            if code // 100 != 2:
                return self._not_taken(code, told)
            code, told = smtp.docmd("DATA")
            if code != 354:
                return self._not_taken(code, told)
            smtp.send(_stuffed(content))
        except (smtplib.SMTPException, OSError) as error:
            self._drop()
            return Outcome("put-off", _said(error))
        return self._end(smtp)

    def _end(self, smtp: smtplib.SMTP) -> Outcome:
        """The dot and its answer: from here on a broken line means that nobody knows."""
        try:
            smtp.send(b".\r\n")
            code, told = smtp.getreply()
        except (smtplib.SMTPException, OSError) as error:
            self._drop()
            return Outcome("uncertain", _said(error))
        if code // 100 == 2:
            return Outcome("sent", _answer(code, told))
        if code // 100 not in (4, 5):
            self._drop()
            return Outcome("uncertain", _answer(code, told))
        return self._not_taken(code, told)

    def _not_taken(self, code: int, told: bytes, *, sender: bool = False) -> Outcome:
        answer = _answer(code, told)
        if code == 421 or code // 100 not in (4, 5):
            self._drop()  # it is about to hang up, or speaks another language
        if code // 100 != 5:
            return Outcome("put-off", answer)
        if sender and code != 552:  # 552: this mail is too large
            return Outcome("trouble", answer, "sender-refused")
        return Outcome("refused", answer)


def without_addresses(answer: str, recipient: str) -> str:
    """An answer as it is kept: one line of what can be seen, and nobody's address.

    Examples
    --------
    >>> without_addresses("550 5.1.1 <e.rowe@soil.example>: user e.rowe unknown", "e.rowe@soil.example")
    '550 5.1.1 <...>: user ... unknown'
    """
    name = recipient.partition("@")[0]
    answer = _ADDRESSES.sub("...", UNSEEN.sub(" ", answer))
    if len(name) > 2:
        answer = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", "...", answer, flags=re.IGNORECASE)
    return " ".join(answer.split())[:LONGEST_ANSWER]


class _Plain(smtplib.SMTP):
    """Connects when it is told to, so that a connection that hangs can be broken from outside."""

    def __init__(self, host: str, **options: Any) -> None:
        super().__init__(**options)
        self._host = host  # whose certificate is asked for


class _Encrypted(smtplib.SMTP_SSL):
    """The same with TLS from the first byte."""

    def __init__(self, host: str, **options: Any) -> None:
        super().__init__(**options)
        self._host = host


def _smtp(settings: Settings, context: ssl.SSLContext | None) -> smtplib.SMTP:
    # The name we greet with is that of our address: the machine's own is nobody's business.
    options: dict[str, Any] = {
        "local_hostname": settings.mail_from.rpartition("@")[2], "timeout": settings.smtp_seconds,
    }  # fmt: skip
    if settings.smtp_security == "tls":
        return _Encrypted(settings.smtp_host, context=context, **options)
    return _Plain(settings.smtp_host, **options)


def _context(settings: Settings) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=settings.smtp_ca)
    except OSError as error:
        raise Trouble("tls", f"--smtp-ca cannot be read: {error.strerror or error}") from None


def _break(smtp: smtplib.SMTP) -> None:
    sock = getattr(smtp, "sock", None)
    if sock is not None:
        with suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)


def _stuffed(content: bytes) -> bytes:
    """Whole lines, none of which is taken for the dot that ends a mail."""
    whole = content if content.endswith(b"\r\n") else content + b"\r\n"
    return re.sub(rb"(?m)^\.", b"..", whole)


def _worded(error: Exception, kind: TroubleKind) -> tuple[TroubleKind, str]:
    """What kept us from the server: what was being done, or what the error itself says."""
    if isinstance(error, ssl.SSLError | smtplib.SMTPNotSupportedError) and kind != "sign-in":
        kind = "tls"
    elif isinstance(error, smtplib.SMTPServerDisconnected) or (
        isinstance(error, OSError) and not isinstance(error, smtplib.SMTPException)
    ):
        kind = "no-connection"
    if isinstance(error, smtplib.SMTPResponseException) and error.smtp_code // 100 == 4:
        kind = "not-now"
    return kind, without_addresses(_said(error), "")


def _said(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        told = error.smtp_error
        return _answer(error.smtp_code, told if isinstance(told, bytes) else str(told).encode())
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate is not trusted: {error.verify_message}"
    if isinstance(error, TimeoutError):
        return "no answer in time"
    return str(error) or type(error).__name__


def _answer(code: int, told: bytes) -> str:
    return f"{code} {told.decode('utf-8', 'replace')}"
