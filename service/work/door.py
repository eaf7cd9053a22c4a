"""A knock at a scheduler's door: who answers, with which certificate, and whether ours is taken.

The cluster's library would try for a while and then say that it did not work. Here each cause has its words.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from interpretation.errors import FurrowsliceError

SECONDS = 5.0


class Unreachable(Exception):  # noqa: N818 - reads as the sentence it is
    """Nobody answers now, which may be different in a moment; ``reason`` is an error that says so."""

    def __init__(self, reason: FurrowsliceError) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True)
class Files:
    """What a machine of the cluster shows and asks for: PEM files."""

    authority: Path
    certificate: Path
    key: Path


def knock(address: str, files: Files) -> None:
    """Shake hands with a scheduler.

    Parameters
    ----------
    address
        ``tls://host:port``.
    files
        The cluster's authority, our certificate and its key.

    Raises
    ------
    Unreachable
        If nobody answers.
    FurrowsliceError
        If a file cannot be used, or one side does not trust the other.
    """
    context = tls_context(files)
    parts = urlsplit(address)
    assert parts.hostname is not None
    try:
        plain = socket.create_connection((parts.hostname, parts.port or 0), timeout=SECONDS)
    except OSError as error:
        raise Unreachable(
            FurrowsliceError(
                f"no scheduler answers: {error.strerror or error}",
                where=address,
                expected="a scheduler that this machine can reach",
                fix="start it, or correct --scheduler; a firewall between the two must let this port through",
            )
        ) from None
    with contextlib.closing(plain):
        try:
            with context.wrap_socket(plain, server_hostname=parts.hostname) as secured:
                _heard(secured, address, files)
        except ssl.SSLCertVerificationError as error:
            raise FurrowsliceError(
                f"the scheduler's certificate is not to be trusted: {error.verify_message}",
                where=address,
                expected=f"one that {files.authority} has signed",
                fix="ask who runs the cluster: either the wrong file is named, or this is not your scheduler",
            ) from None
        except (ssl.SSLError, ConnectionError, TimeoutError) as error:
            raise FurrowsliceError(
                f"what answers does not speak TLS ({getattr(error, 'reason', None) or error})",
                where=address,
                expected="a scheduler that was started with certificates",
                fix="start it with --tls-ca-file, --tls-cert and --tls-key, as the README says",
            ) from None


def _heard(secured: ssl.SSLSocket, address: str, files: Files) -> None:
    """Wait for the first word: in TLS 1.3 a certificate is refused only after the handshake."""
    try:
        if secured.recv(1):
            return
        said = "it hangs up"
    except (ssl.SSLError, ConnectionError) as error:
        said = str(getattr(error, "reason", None) or error)
    except TimeoutError:
        return
    raise FurrowsliceError(
        f"the scheduler refuses this machine's certificate ({said})",
        where=address,
        expected=f"one of the cluster's own authority; {files.certificate} is not, or is out of date",
        fix="have a certificate made by the authority of this cluster, and name it with --tls-certificate",
    )


def tls_context(files: Files) -> ssl.SSLContext:
    """Read the three files.

    Raises
    ------
    FurrowsliceError
        If one is missing, or is not what it should be.
    """
    for path, option in (
        (files.authority, "--tls-ca"),
        (files.certificate, "--tls-certificate"),
        (files.key, "--tls-key"),
    ):
        try:
            with path.open("rb") as file:
                file.read(1)
        except OSError as error:
            raise FurrowsliceError(
                f"the file cannot be read: {error.strerror}",
                where=f"{option} {path}",
                expected="a PEM file that this user may read",
                fix="correct the path or the file's rights",
            ) from None
    # Names are not looked at: workers come and go, and the authority signs for this one cluster alone.
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.check_hostname = False
    try:
        context.load_verify_locations(files.authority)
    except ssl.SSLError as error:
        raise _unusable(f"--tls-ca {files.authority}", error) from None
    try:
        context.load_cert_chain(files.certificate, files.key, password="")  # or it would ask for one
    except ssl.SSLError as error:
        raise _unusable(f"--tls-certificate {files.certificate} and --tls-key {files.key}", error) from None
    return context


def _unusable(where: str, error: ssl.SSLError) -> FurrowsliceError:
    return FurrowsliceError(
        f"the file cannot be used ({error.reason or error})",
        where=where,
        expected="PEM: a certificate, and the key that belongs to it, without a passphrase",
        fix="make it anew, as the README says",
    )
