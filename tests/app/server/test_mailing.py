"""Mail servers that answer, refuse, hang, drip and drop: what becomes of each mail, and what is said."""

from __future__ import annotations

import smtplib
import threading
import time
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest

from service.mailing import Line, Outcome, Trouble, without_addresses
from service.settings import Settings
from tests.app.server.postbox import DRIP, SENDER, Certificate, certificate, only, postbox, scripted

TO = "e.rowe@farm.example"


def settings(port: int, **more: Any) -> Settings:
    chosen: dict[str, Any] = {
        "smtp_host": "127.0.0.1", "smtp_port": port, "smtp_security": "none", "mail_from": SENDER,
        "smtp_seconds": 20,
    }  # fmt: skip
    return Settings(**(chosen | more))


def mail(to: str = TO, text: str = "Hello.\n.\n..\nend\n") -> EmailMessage:
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = SENDER, to, "Report"
    message.set_content(text)
    return message


def given(port: int, message: EmailMessage | None = None, **more: Any) -> Outcome:
    line = Line(settings(port, **more))
    line.open()
    try:
        return line.send(message or mail())
    finally:
        line.close()


@pytest.fixture(scope="module")
def trusted(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    return certificate(tmp_path_factory.mktemp("certificate"))


# ------------------------------------------------------------------------------------- a good server


def test_a_mail_arrives_as_it_was_written() -> None:
    with postbox() as box:
        assert given(box.port) == Outcome("sent", "250 taken")
    (message,) = box.taken
    assert message.get_content().replace("\r\n", "\n") == "Hello.\n.\n..\nend\n"  # dots end nothing
    assert (box.to, box.envelopes[0].mail_from) == ([TO], SENDER)


def test_one_connection_serves_many_mails() -> None:
    with postbox() as box:
        line = Line(settings(box.port))
        for number in range(3):
            line.open()
            assert line.send(mail(f"grower{number}@farm.example")).what == "sent"
        line.close()
        assert box.to == [f"grower{number}@farm.example" for number in range(3)]
        assert box.connections == 1


def test_a_refused_mail_does_not_spoil_the_next_on_the_same_connection() -> None:
    with postbox() as box:
        box.rcpt = lambda to: "550 5.1.1 nobody here" if to == TO else ""
        line = Line(settings(box.port))
        line.open()
        assert line.send(mail()) == Outcome("refused", "550 5.1.1 nobody here")
        line.open()
        assert line.send(mail("other@farm.example")).what == "sent"
        line.close()
        assert box.connections == 1


def test_starttls_with_a_trusted_certificate(trusted: Certificate) -> None:
    with postbox(tls_context=trusted.context, require_starttls=True) as box:
        outcome = given(box.port, smtp_security="starttls", smtp_ca=trusted.file)
        assert (outcome.what, box.to) == ("sent", [TO])


def test_signing_in(trusted: Certificate) -> None:
    more: dict[str, Any] = {"smtp_security": "starttls", "smtp_ca": trusted.file, "smtp_user": "lab"}
    with postbox(
        tls_context=trusted.context, require_starttls=True, auth_required=True,
        authenticator=only("lab", "correct horse"),
    ) as box:  # fmt: skip
        assert given(box.port, smtp_password="correct horse", **more).what == "sent"
        with pytest.raises(Trouble) as told:
            given(box.port, smtp_password="wrong", **more)
        assert (told.value.kind, told.value.answer[:3]) == ("sign-in", "535")
        assert "wrong" not in str(told.value)


# --------------------------------------------------------------------- servers that no mail can go to


def test_a_certificate_that_nobody_vouches_for_is_not_trusted(trusted: Certificate) -> None:
    with postbox(tls_context=trusted.context) as box:
        with pytest.raises(Trouble) as told:
            given(box.port, smtp_security="starttls")
        assert told.value.kind == "tls"
        assert "certificate is not trusted: self-signed certificate" in told.value.answer
        assert box.taken == []


def test_a_certificate_of_another_host_is_not_trusted(tmp_path: Path) -> None:
    other = certificate(tmp_path, "mail.example")
    with postbox(tls_context=other.context) as box, pytest.raises(Trouble) as told:
        given(box.port, smtp_security="starttls", smtp_ca=other.file)
    assert told.value.kind == "tls"
    assert "not valid for '127.0.0.1'" in told.value.answer


def test_a_server_without_encryption_gets_nothing_where_it_is_asked_for() -> None:
    with postbox() as box:
        with pytest.raises(Trouble) as told:
            given(box.port, smtp_security="starttls")
        assert (told.value.kind, box.taken) == ("tls", [])


def test_a_server_that_speaks_no_tls_at_all() -> None:
    with postbox() as box, pytest.raises(Trouble) as told:
        given(box.port, smtp_security="tls")
    assert told.value.kind == "tls"


def test_a_file_of_authorities_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(Trouble, match="tls: --smtp-ca cannot be read: No such file"):
        given(1, smtp_security="tls", smtp_ca=tmp_path / "none.pem")


@pytest.mark.parametrize(
    ("steps", "kind", "answer"),
    [
        (["554 no mail today"], "no-connection", "554 no mail today"),
        (["421 too many connections"], "not-now", "421 too many connections"),
        ([], "no-connection", "Connection unexpectedly closed"),
        (["hello there"], "no-connection", "-1 o there"),
        (["220 ready"], "no-connection", "Connection unexpectedly closed"),
    ],
)
def test_a_server_that_lets_nobody_in(steps: list[str], kind: str, answer: str) -> None:
    with scripted(*steps) as (port, _), pytest.raises(Trouble) as told:
        given(port)
    assert (told.value.kind, told.value.answer) == (kind, answer)


def test_no_server_at_all() -> None:
    with scripted() as (port, _):
        pass
    with pytest.raises(Trouble, match=r"no-connection: .*refused"):
        given(port)


# ------------------------------------------------------------------------- answers about one mail


GREETED = ("220 ready", "250 hello")
MAIL, RCPT, DATA, DOT = range(4)
GOOD = ("250 sender ok", "250 recipient ok", "354 go on", "250 taken", "221 bye")


def after_greeting(step: int, answer: str | None) -> tuple[str | None, ...]:
    """A script that goes well until a step."""
    return (*GREETED, *GOOD[:step], answer, "250 reset", "221 bye")


@pytest.mark.parametrize("step", [MAIL, RCPT, DATA, DOT])
@pytest.mark.parametrize("code", ["421", "450", "451", "452"])
def test_not_now_at_any_step_puts_a_mail_off(step: int, code: str) -> None:
    with scripted(*after_greeting(step, f"{code} later")) as (port, _):
        assert given(port) == Outcome("put-off", f"{code} later")


@pytest.mark.parametrize("step", [RCPT, DATA, DOT])
@pytest.mark.parametrize("code", ["550", "552", "554"])
def test_never_at_any_step_of_the_recipient_refuses_a_mail(step: int, code: str) -> None:
    with scripted(*after_greeting(step, f"{code} no")) as (port, _):
        assert given(port) == Outcome("refused", f"{code} no")


def test_a_sender_that_is_refused_is_nobodys_bounce() -> None:
    with scripted(*after_greeting(MAIL, "550 who are you")) as (port, _):
        assert given(port) == Outcome("trouble", "550 who are you", "sender-refused")


def test_a_mail_that_is_too_large_is_refused_alone() -> None:
    with postbox(data_size_limit=2000) as box:
        assert given(box.port, mail(text="x" * 3000)).answer.startswith("552")
        assert given(box.port, mail(text="x" * 3000)).what == "refused"
        assert given(box.port).what == "sent"


def test_an_answer_over_several_lines_is_kept_as_one() -> None:
    with scripted(*after_greeting(RCPT, "550-5.7.1 first\r\n550 5.7.1 second")) as (port, _):
        assert given(port) == Outcome("refused", "550 5.7.1 first 5.7.1 second")


# ---------------------------------------------------------------- broken lines, before and after the dot


@pytest.mark.parametrize("step", [MAIL, RCPT, DATA])
def test_a_connection_that_breaks_before_the_mail_puts_it_off(step: int) -> None:
    with scripted(*GREETED, *GOOD[:step]) as (port, _):
        outcome = given(port)
    assert (outcome.what, outcome.answer) == ("put-off", "Connection unexpectedly closed")


def test_a_connection_that_breaks_between_the_dot_and_the_answer_is_uncertain() -> None:
    with scripted(*GREETED, *GOOD[:DOT]) as (port, read):
        assert given(port).what == "uncertain"
        assert b"." in read  # all of it had arrived


def test_a_connection_that_breaks_within_the_mail_puts_it_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever of it arrived, without its dot no server takes it for a mail."""
    real = smtplib.SMTP.send

    def broken(smtp: smtplib.SMTP, content: Any) -> None:
        if len(content) > 100:
            smtp.close()
            raise smtplib.SMTPServerDisconnected("Server not connected")
        real(smtp, content)

    monkeypatch.setattr(smtplib.SMTP, "send", broken)
    with postbox() as box:
        assert given(box.port).what == "put-off"
        assert box.taken == []


@pytest.mark.parametrize("answer", ["what?", "333 hm"])
def test_an_answer_to_the_dot_that_says_nothing_is_uncertain(answer: str) -> None:
    with scripted(*after_greeting(DOT, answer)) as (port, _):
        assert given(port).what == "uncertain"


@pytest.mark.parametrize(
    ("step", "what"), [(MAIL, "put-off"), (RCPT, "put-off"), (DATA, "put-off"), (DOT, "uncertain")]
)
def test_a_server_that_hangs_is_left_at_every_step(step: int, what: str) -> None:
    with scripted(*after_greeting(step, None)) as (port, _):
        outcome = given(port, smtp_seconds=1)
    assert (outcome.what, "timed out" in outcome.answer) == (what, True)


def test_a_server_that_never_greets_is_left() -> None:
    with scripted(None) as (port, _), pytest.raises(Trouble, match=r"no-connection: .*timed out"):
        given(port, smtp_seconds=1)


def test_whoever_waits_for_a_server_can_be_told_to_stop() -> None:
    with scripted(*after_greeting(RCPT, None)) as (port, read):
        line = Line(settings(port))
        line.open()
        outcomes: list[Outcome] = []
        thread = threading.Thread(target=lambda: outcomes.append(line.send(mail())))
        thread.start()
        while len(read) < 3:
            time.sleep(0.01)
        line.give_up()
        thread.join()
        assert outcomes[0].what == "put-off"


def test_a_server_that_drips_is_left_in_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each piece comes in time, and the whole never does."""
    monkeypatch.setattr("service.mailing.STEPS_AT_MOST", 1)
    with scripted(*GREETED, DRIP) as (port, read):
        assert given(port, smtp_seconds=1).what == "put-off"
        assert b"dripped to the end" not in read


def test_a_line_that_was_cut_is_made_anew_before_the_next_mail() -> None:
    with postbox(timeout=0.2) as box:
        line = Line(settings(box.port))
        line.open()
        assert line.send(mail()).what == "sent"
        time.sleep(0.5)
        line.open()
        assert line.send(mail()).what == "sent"
        line.close()
        assert box.connections == 2


# ------------------------------------------------------------------------------------------- addresses


@pytest.mark.parametrize(
    ("answer", "kept"),
    [
        ("550 5.1.1 <e.rowe@farm.example>: user unknown", "550 5.1.1 <...>: user unknown"),
        ("550 E.ROWE@FARM.EXAMPLE... no such user", "550 ... no such user"),
        ("550 mailbox e.rowe is full", "550 mailbox ... is full"),
        ("550 see https://mail.example/?to=e.rowe%40farm.example&x=1 for help", "550 see ... for help"),
        ("550 a\nb\x00c\u202ed", "550 a b c d"),
    ],
)
def test_what_a_server_said_is_kept_without_addresses(answer: str, kept: str) -> None:
    assert without_addresses(answer, TO) == kept


def test_what_a_server_said_is_kept_short() -> None:
    assert len(without_addresses("550 " + "x" * 5000, TO)) == 300
