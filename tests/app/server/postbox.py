"""Mail servers for tests, on loopback: one that speaks SMTP in full, and one that follows a script."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from service.callers import operator
from service.store import schema
from service.tokens import sha256
from tests.app.server.conftest import World
from tests.app.server.land import Land, add_field, add_visit

SENDER = "reports@quillwater.example"
Answer = str | Callable[[str], str]


@dataclass
class Box:
    """What a server has taken, and how it answers.

    ``rcpt`` and ``data`` are answers, or functions of the recipient that give one; an empty one is 250.
    """

    port: int = 0
    rcpt: Answer = ""
    data: Answer = ""
    taken: list[EmailMessage] = field(default_factory=list)
    envelopes: list[Envelope] = field(default_factory=list)
    connections: int = 0
    before_answer: Callable[[], None] | None = None

    @property
    def ids(self) -> list[str]:
        """Message-IDs in the order in which they came."""
        return [str(message["Message-ID"]) for message in self.taken]

    @property
    def to(self) -> list[str]:
        """Recipients in the order in which they were written to."""
        return [envelope.rcpt_tos[0] for envelope in self.envelopes]

    async def handle_EHLO(  # noqa: N802 - the server's names
        self, _server: SMTP, session: Session, _envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        if not session.host_name:
            self.connections += 1
        session.host_name = hostname
        return responses

    async def handle_RCPT(  # noqa: N802
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        answer = _of(self.rcpt, address)
        if not answer:
            envelope.rcpt_tos.append(address)
        return answer or "250 OK"

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        answer = _of(self.data, envelope.rcpt_tos[0])
        if not answer:
            assert isinstance(envelope.content, bytes)
            message = message_from_bytes(envelope.content, policy=default)
            assert isinstance(message, EmailMessage)
            self.taken.append(message)
            self.envelopes.append(envelope)
        if self.before_answer is not None:
            self.before_answer()
        return answer or "250 taken"


def _of(answer: Answer, recipient: str) -> str:
    return answer if isinstance(answer, str) else answer(recipient)


class _Bound(Controller):
    """A controller on a port that it holds from the start: tests that run beside this one take no other."""

    def __init__(self, box: Box, **options: Any) -> None:
        self.door = socket.create_server(("127.0.0.1", 0))
        port = self.door.getsockname()[1]
        super().__init__(box, hostname="127.0.0.1", port=port, ready_timeout=60, **options)

    def _create_server(self) -> Any:
        return self.loop.create_server(self._factory_invoker, sock=self.door)

    def _trigger_server(self) -> None:
        """Wait for the greeting, longer than the library does: the machine may have much to do."""
        with socket.create_connection(("127.0.0.1", self.port), 60) as line:
            line.recv(1024)


@contextmanager
def postbox(**options: Any) -> Iterator[Box]:
    """A mail server for the length of a block; options are those of its protocol."""
    box = Box()
    controller = _Bound(box, **options)
    controller.start()
    box.port = controller.port
    try:
        yield box
    finally:
        controller.stop()


def only(user: str, password: str) -> Callable[..., AuthResult]:
    """Let one user in."""

    def check(_server: Any, _session: Any, _envelope: Any, _kind: str, data: Any) -> AuthResult:
        known = (data.login, data.password) == (user.encode(), password.encode())
        return AuthResult(success=known, handled=known)

    return check


# ------------------------------------------------------------------------------------------- scripts

DRIP = "drip"  # a step that sends a line every so often and never comes to an end


@contextmanager
def scripted(*steps: str | None) -> Iterator[tuple[int, list[bytes]]]:
    """A server that answers line after line from a script; gives its port and the lines it has read.

    A step is what is sent before the next line is read. ``None`` hangs until the block ends; the end of the
    script breaks the connection. Between the answer to DATA and the dot, lines are read without an answer.
    The script begins anew with each connection.
    """
    door = socket.create_server(("127.0.0.1", 0))
    over = threading.Event()
    read: list[bytes] = []
    threads = [threading.Thread(target=_accept, args=(door, steps, read, over))]
    threads[0].start()
    try:
        yield door.getsockname()[1], read
    finally:
        over.set()
        with socket.create_connection(door.getsockname()):
            pass
        threads[0].join()
        door.close()


def _accept(
    door: socket.socket, steps: tuple[str | None, ...], read: list[bytes], over: threading.Event
) -> None:
    while True:
        line, _ = door.accept()
        with line:
            if over.is_set():
                return
            _play(line, steps, read, over)


def _play(
    line: socket.socket, steps: tuple[str | None, ...], read: list[bytes], over: threading.Event
) -> None:
    heard = line.makefile("rb")
    try:
        for step in steps:
            if step is None:
                over.wait()
                return
            if step == DRIP:
                for _ in range(100):
                    line.sendall(b"250-more\r\n")
                    over.wait(0.2)
                read.append(b"dripped to the end")
                return
            line.sendall(step.encode() + b"\r\n")
            while True:
                said = heard.readline()
                if not said:
                    return
                read.append(said.rstrip(b"\r\n"))
                if not step.startswith("354") or said == b".\r\n":
                    break
    except OSError:
        pass
    finally:
        heard.close()


# -------------------------------------------------------------------------------------- certificates


@dataclass(frozen=True)
class Certificate:
    """A certificate that vouches for itself; ``file`` is what a client is to trust."""

    file: Path
    context: ssl.SSLContext


def certificate(folder: Path, host: str = "127.0.0.1") -> Certificate:
    """Make one for a host."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "test")])
    now = datetime.now(UTC)
    names = [x509.IPAddress(ip_address(host))] if host[0].isdigit() else [x509.DNSName(host)]
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    path, secret = folder / "certificate.pem", folder / "key.pem"
    path.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    secret.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(path, secret)
    return Certificate(path, context)


# --------------------------------------------------------------------------------------------- worlds


def with_mail(world: World, port: int = 25, **more: Any) -> World:
    """Set mail up in a world, as fast as it can be."""
    chosen = {
        "smtp_host": "127.0.0.1", "smtp_port": port, "smtp_security": "none", "mail_from": SENDER,
        "mails_per_minute": 6000, "smtp_seconds": 20,
    }  # fmt: skip
    world.site = replace(world.site, settings=world.site.settings.model_copy(update=chosen | more))
    return world


def add_report(
    world: World, number: int = 1, *, county: str | None = "upper", laboratory: str = "a",
    field_name: str = "Long Meadow", pdf: bytes = b"%PDF of a report", **grower: Any,
) -> tuple[int, Land]:  # fmt: skip
    """A report of a grower of its own, who has agreed to mail unless it is said otherwise; its id."""
    chosen = {"email": f"grower{number}@farm.example", "mail_consent": True} | grower
    land = add_field(
        world, f"F-{laboratory}-{number}", county=county, laboratory=laboratory, name=field_name, **chosen
    )
    visit = add_visit(world, land, date(2026, 4, 2), (), laboratory)
    with world.site.database.housekeeping(operator()) as look:
        known = schema.document.c.sha256 == sha256(pdf)
        if not look.connection.scalar(schema.document.select().where(known)):
            look.connection.execute(
                schema.document.insert().values(sha256=sha256(pdf), content=pdf, created_at=look.now)
            )
    card = {
        "name": "Quillwater Soil Laboratory", "address": ["Mill Lane 3"], "contact": "Ines Dunmore",
        "phone": "555-0100", "report_id": f"REP-{laboratory}-{number}", "issued_on": "2026-04-20",
    }  # fmt: skip
    return new_report(world, visit, f"REP-{laboratory}-{number}", card, sha256(pdf), laboratory), land


def new_report(
    world: World, visit: int, printed: str, card: dict[str, Any], document: str, laboratory: str = "a",
    replaces: int | None = None,
) -> int:  # fmt: skip
    """One more report of a visit."""
    with world.site.database.housekeeping(operator()) as look:
        added: int = look.connection.execute(
            schema.report.insert()
            .values(
                laboratory_id=world.laboratories[laboratory], sampling_id=visit, report_id=printed,
                issued_on=date(2026, 4, 20), issued_at=look.now, issued_by="Agent", crop="maize",
                language="en", units="metric", paper="a4", advice={}, card=card, tables_sha256="t",
                document_sha256=document, replaces=replaces,
            )
            .returning(schema.report.c.id)
        ).scalar_one()  # fmt: skip
    return added
