"""Signing in and out, in two steps; the one-time link that sets a password."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import NoReturn

import pyotp
import structlog

from service import passwords
from service.actions.wrongfields import WrongFields
from service.callers import Caller
from service.characters import UNSEEN
from service.refusals import Conflict, NotFound, TooMany
from service.site import Site
from service.store import accounts, attempts, links
from service.store.accounts import Account, Session
from service.store.attempts import Limit

# Limits of tries that fail. An account is closed for a quarter of an hour at most: longer would let anybody
# keep a colleague out. Codes have only a million values, so wrong ones are also counted over the day.
PER_ADDRESS = (Limit(20, timedelta(minutes=15)),)
PER_ACCOUNT = (Limit(10, timedelta(minutes=15)),)
PER_CODE = (Limit(5, timedelta(minutes=15)), Limit(20, timedelta(days=1)))
LONGEST_WINDOW = timedelta(days=1)
TIME_FOR_THE_CODE = timedelta(minutes=15)  # from the password to the code
CODE_SECONDS, TOLERANCE = 30, 1  # a code of the step before or after is taken: clocks differ
ISSUER = "Furrowslice"
SET_PASSWORD = "/set-password/"  # noqa: S105 - an address
REFUSED_LIST = "refused-passwords.txt"  # in the data folder, if whoever runs the server puts one there

log = structlog.get_logger("furrowslice.security")


@dataclass(frozen=True)
class SignedIn:
    """A new session: its secret for the cookie, and whether it has any rights yet."""

    token: str
    confirmed: bool


@dataclass(frozen=True)
class Enrolment:
    """What a telephone needs to make codes."""

    key: str
    uri: str


def sign_in(
    site: Site, visitor: Caller, address: str, email: str, password: str, old_token: str = ""
) -> SignedIn:
    """Check a password and begin a session; an earlier one of the same browser ends.

    Without a second factor in the settings the session is confirmed at once.

    Raises
    ------
    WrongFields
        In the same words and after the same time whether the account, the password or its being open is
        at fault.
    TooMany
        After too many tries from this address or on this account.
    """
    by_account = attempts.key_of("account", accounts.folded(email))
    with one_try(site, visitor, {attempts.key_of("address", address): PER_ADDRESS, by_account: PER_ACCOUNT}):
        with site.database.look(visitor, None) as look:
            # One of the engines refuses to look for some characters; no address holds them.
            account = None if UNSEEN.search(email) else accounts.by_email(look, email)
            kept = "" if account is None else accounts.password_hash(look, account.id)
        right = passwords.matches(password, kept)  # outside any transaction: it takes its time
        if not right or account is None or account.disabled_at is not None:
            who = None if account is None else account.id
            log.warning("sign-in refused", request_id=visitor.request_id, address=address, account=who)
            raise WrongFields("nobody was signed in", {"password": "sign-in"})
    return _begin(
        site, _as_caller(account, visitor), confirmed=not site.settings.second_factor, old_token=old_token
    )


@contextmanager
def one_try(site: Site, visitor: Caller, limits: dict[str, Sequence[Limit]]) -> Iterator[None]:
    """Count a try before it is judged, and take it back when it was right.

    Raises
    ------
    TooMany
        If one of the limits is reached; the try is then neither judged nor counted.
    """
    with site.database.housekeeping(visitor) as look:
        attempts.sweep(look, LONGEST_WINDOW)
        for key in sorted(limits):  # always in one order: two tries cannot wait for each other
            attempts.queue(look, key)
        wait = max(attempts.seconds_to_wait(look, key, limits[key]) for key in limits)
        if wait == 0:
            for key in limits:
                attempts.record(look, key)
    if wait:
        log.warning("too many tries", request_id=visitor.request_id, wait_seconds=wait)
        raise TooMany(
            "there were too many tries, so this one was not looked at",
            wait_seconds=wait,
            fix=f"wait {-(-wait // 60)} min, then try again; an administrator can give you a new link",
        )
    yield
    with site.database.housekeeping(visitor) as look:
        for key, each in limits.items():
            if each is PER_ADDRESS:
                attempts.forget_last(look, key)  # others may share the address
            else:
                attempts.forget(look, key)


def _as_caller(account: Account, visitor: Caller) -> Caller:
    """Who has just proved to be an account: for the audit line, without any right."""
    return replace(visitor, account_id=account.id, name=account.name, role=account.role)


def _begin(site: Site, person: Caller, *, confirmed: bool, old_token: str) -> SignedIn:
    assert person.account_id is not None
    with site.database.change(person, None) as change:
        accounts.sweep_sessions(change, timedelta(hours=site.settings.session_hours))
        if old_token:
            accounts.end_session(change, old_token)
        token = accounts.begin_session(change, person.account_id, confirmed=confirmed)
        _, step = accounts.second_factor(change, person.account_id)
        if not confirmed and step == 0:
            # Nobody has shown a code of this secret: whoever saw it before, it counts no more.
            accounts.set_second_factor(change, person.account_id, pyotp.random_base32())
        verb = "sign in" if confirmed else "give password"
        change.note(verb, "account", person.account_id)
    return SignedIn(token, confirmed)


def enrolment(site: Site, person: Caller) -> Enrolment | None:
    """What to put on the telephone; None once a code of it was shown: it is never shown again."""
    assert person.account_id is not None
    with site.database.look(person, None) as look:
        secret, step = accounts.second_factor(look, person.account_id)
        account = accounts.by_id(look, person.account_id)
    assert account is not None
    if step > 0 or not secret:
        return None
    return Enrolment(secret, _codes(secret).provisioning_uri(name=account.email, issuer_name=ISSUER))


def _codes(secret: str) -> pyotp.TOTP:
    return pyotp.TOTP(secret, interval=CODE_SECONDS)


def confirm(site: Site, person: Caller, session: Session, token: str, code: str) -> SignedIn:
    """Take a code and begin a confirmed session in place of the unconfirmed one.

    Raises
    ------
    WrongFields
        If the code is wrong, or was used before.
    Conflict
        If the password was given too long ago.
    TooMany
        After too many wrong codes.
    """
    with site.database.look(person, None) as look:
        now = look.now
        secret, _ = accounts.second_factor(look, session.account_id)
    if now - session.created_at > TIME_FOR_THE_CODE or not secret:
        raise Conflict(
            "the password was given too long ago",
            where="code",
            expected=f"a code within {TIME_FOR_THE_CODE.seconds // 60} min of the password",
            fix="sign in again",
        )
    with one_try(site, person, {attempts.key_of("code", session.account_id): PER_CODE}):
        step = _step_of(secret, code, int(now.timestamp()) // CODE_SECONDS)
        if step is None:
            _refuse_code(person)
        with site.database.change(person, None) as change:
            if not accounts.use_code(change, session.account_id, secret, step):
                _refuse_code(person)
            accounts.end_session(change, token)
            new = accounts.begin_session(change, session.account_id, confirmed=True)
            change.note("sign in", "account", session.account_id)
    return SignedIn(new, confirmed=True)


def _step_of(secret: str, code: str, present: int) -> int | None:
    """The step whose code this is, the newest first. Every step is compared: the time tells nothing."""
    typed = "".join(code.split())
    fitting = [
        step
        for step in range(present + TOLERANCE, present - TOLERANCE - 1, -1)
        if pyotp.utils.strings_equal(_codes(secret).generate_otp(step), typed)
    ]
    return fitting[0] if fitting else None


def _refuse_code(person: Caller) -> NoReturn:
    log.warning("code refused", request_id=person.request_id, account=person.account_id)
    raise WrongFields("nobody was signed in", {"code": "code"})


def sign_out(site: Site, person: Caller, token: str) -> None:
    """End a session: its secret opens nothing any more, wherever a copy of it is kept."""
    with site.database.change(person, None) as change:
        accounts.end_session(change, token)
        change.note("sign out", "account", person.account_id or "")


# --------------------------------------------------------------------------------- the one-time link


def account_of_link(site: Site, visitor: Caller, token: str) -> Account:
    """Whose password a link sets.

    Raises
    ------
    NotFound
        If the link was used, has expired, or there is none.
    """
    with site.database.look(visitor, None) as look:
        link = links.find(look, "set-password", token)
        account = None if link is None or link.account_id is None else accounts.by_id(look, link.account_id)
    if account is None or account.disabled_at is not None:
        raise gone()
    return account


def gone() -> NotFound:
    """A link that opens nothing: never made, used or expired, all the same to who holds it."""
    return NotFound(
        "this link does not work: it was used, has expired, or was not copied whole",
        expected="a link that still holds",
        fix="ask whoever gave it to you for a new one",
    )


def set_password(
    site: Site, visitor: Caller, token: str, password: str, old_token: str = ""
) -> SignedIn | None:
    """Set a password by a one-time link. Every session of the account ends, every other link as well.

    Returns
    -------
    SignedIn or None
        An unconfirmed session where a second factor is still to be set up; else None: sign in with it.

    Raises
    ------
    NotFound
        If the link does not work any more.
    WrongFields
        If the password cannot be taken; the link then still works.
    """
    account = account_of_link(site, visitor, token)
    kept = hashed_if_fit(site, password, (account.name, account.email))
    person = _as_caller(account, visitor)
    with site.database.change(person, None) as change:
        link = links.find(change, "set-password", token)
        if link is None or not links.use_up(change, link.id):
            raise gone()
        links.end_all(change, "set-password", account_id=account.id)
        accounts.set_password(change, account.id, kept)
        accounts.end_sessions(change, account.id)
        attempts.forget(change, attempts.key_of("account", account.email))
        change.note("set password", "account", account.id)
    if account.has_second_factor or not site.settings.second_factor:
        return None
    return _begin(site, person, confirmed=False, old_token=old_token)


def hashed_if_fit(site: Site, password: str, about: Sequence[str], field: str = "password") -> str:
    """Judge a new password and hash it.

    Raises
    ------
    WrongFields
        If it is too short, too long, the person's own name, or among those tried first.
    """
    known = site.settings.data / REFUSED_LIST
    if known.is_file():
        with known.open(encoding="utf-8", errors="replace") as lines:
            weak = passwords.weakness(password, about, lines)
    else:
        weak = passwords.weakness(password, about)
    if weak is not None:
        raise WrongFields("the password was not changed", {field: weak})
    return passwords.hashed(password)
