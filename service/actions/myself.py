"""What everybody does for themselves: language, password, access tokens, sessions."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import timedelta

from service import passwords
from service.actions.signing import PER_ACCOUNT, hashed_if_fit, one_try
from service.actions.wrongfields import WrongFields, wrong_line
from service.callers import Caller, Right
from service.refusals import NotFound
from service.site import Site
from service.store import accesstokens, accounts, attempts
from service.store.accesstokens import AccessToken
from service.store.accounts import Account, Session

LANGUAGES = ("en", "es")
LONGEST_NAME = 100
MOST_DAYS = 365


@dataclass(frozen=True)
class Myself:
    """One's own account, its access tokens and where one is signed in."""

    account: Account
    tokens: tuple[AccessToken, ...]
    sessions: tuple[Session, ...]


def show_myself(site: Site, caller: Caller) -> Myself:
    """What the server keeps about the caller."""
    settings = site.settings
    account_id = _own(caller)
    with site.database.look(caller, None) as look:
        account = accounts.by_id(look, account_id)
        assert account is not None
        sessions = accounts.sessions_of(
            look, account_id, idle=timedelta(minutes=settings.idle_minutes),
            longest=timedelta(hours=settings.session_hours),
        )  # fmt: skip
        return Myself(account, accesstokens.of_account(look, account_id), sessions)


def _own(caller: Caller) -> int:
    if caller.account_id is None:
        raise NotFound("the command line has no account", fix="sign in on a page")
    return caller.account_id


def choose_language(site: Site, caller: Caller, language: str) -> None:
    """Read the pages in another language from now on."""
    if language not in LANGUAGES:
        raise WrongFields("the language was not changed", {"language": "language"})
    with site.database.change(caller, None) as change:
        accounts.set_language(change, _own(caller), language)
        change.note("change", "account", _own(caller), {"language": caller.language}, {"language": language})


def change_password(site: Site, caller: Caller, old: str, new: str) -> str:
    """Change one's own password; every session ends, and one begins anew: returns its secret.

    Raises
    ------
    WrongFields
        If the present password is wrong, or the new one cannot be taken.
    TooMany
        After too many tries of the present one: a session left open must not lend itself to guessing.
    """
    account_id = _own(caller)
    with site.database.look(caller, None) as look:
        account = accounts.by_id(look, account_id)
        kept = accounts.password_hash(look, account_id)
    assert account is not None
    with one_try(site, caller, {attempts.key_of("own", account_id): PER_ACCOUNT}):
        if not passwords.matches(old, kept):
            raise WrongFields("the password was not changed", {"old": "password-wrong"})
    hashed = hashed_if_fit(site, new, (account.name, account.email), "new")
    with site.database.change(caller, None) as change:
        accounts.set_password(change, account_id, hashed)
        accounts.end_sessions(change, account_id)
        token = accounts.begin_session(change, account_id, confirmed=True)
        change.note("change password", "account", account_id)
    return token


def make_token(
    site: Site, caller: Caller, name: str, rights: Collection[str], days: int
) -> tuple[AccessToken, str]:
    """Make an access token with some of one's own rights; returns it and its secret, which is not kept.

    Raises
    ------
    WrongFields
        Naming each field that cannot be taken.
    """
    name = name.strip()
    own = {right.value for right in caller.rights}
    wrong = {}
    if mistake := wrong_line(name, LONGEST_NAME):
        wrong["name"] = mistake
    if not rights or not set(rights) <= own:
        wrong["rights"] = "rights"
    if not 1 <= days <= MOST_DAYS:
        wrong["days"] = "days"
    if wrong:
        raise WrongFields("no token was made", wrong)
    account_id, given = _own(caller), frozenset(Right(each) for each in rights)
    with site.database.change(caller, None) as change:
        token_id, secret = accesstokens.make(change, account_id, name, given, timedelta(days=days))
        change.note(
            "make token", "account", account_id, after={"token": name, "rights": sorted(rights), "days": days}
        )
        made = next(each for each in accesstokens.of_account(change, account_id) if each.id == token_id)
    return made, secret


def revoke_token(site: Site, caller: Caller, token_id: int) -> None:
    """Let one of one's own tokens work no more."""
    with site.database.change(caller, None) as change:
        names = accesstokens.revoke(change, _own(caller), token_id)
        if not names:
            raise NotFound("there is no such token", expected="one of your own", fix="look at the list again")
        change.note("revoke token", "account", _own(caller), before={"token": names[0]})


def end_session(site: Site, caller: Caller, session_id: int) -> None:
    """End one of one's own sessions, such as one left open at another place."""
    with site.database.change(caller, None) as change:
        if not accounts.end_session_of(change, _own(caller), session_id):
            raise NotFound(
                "there is no such session", expected="one of your own", fix="look at the list again"
            )
        change.note("end session", "account", _own(caller))
