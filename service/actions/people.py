"""Accounts as an administrator keeps them: who may sign in, as what, and for which part of the records."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, StringConstraints

from service.actions.signing import SET_PASSWORD
from service.actions.wrongfields import WrongFields, wrong_line
from service.callers import Caller, Right, Role, operator
from service.refusals import Conflict, NotFound
from service.site import Site
from service.store import accesstokens, accounts, attempts, audit, drafts, links
from service.store import laboratories as places
from service.store.accounts import Account
from service.store.audit import Filter, Line
from service.store.database import Change, Look

LANGUAGES = ("en", "es")
LONGEST = 200  # characters of a name or an address
PER_PAGE = 100
EXPIRED_LINKS_KEPT = timedelta(days=30)
LAST_PAGE = 10**6  # beyond this is no page of anybody's list
EVERY_REGION = "*"  # said in place of an agronomist's region: that of all, and of those that are yet to begin
FIRST_EMAIL, FIRST_NAME = "administrator@localhost", "Administrator"

Text = Annotated[str, StringConstraints(strip_whitespace=True)]


class Person(BaseModel):
    """What an administrator decides about an account."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    email: Text
    name: Text
    role: str
    laboratory_id: int | None = None
    counties: tuple[str, ...] = ()
    region: str = ""
    language: str = "en"


def first_administrator(site: Site) -> str | None:
    """Make the first account; returns the path of its one-time link, or None where there are accounts."""
    caller = operator()
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        if accounts.count(look):
            return None
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        account_id = accounts.add(change, email=FIRST_EMAIL, name=FIRST_NAME, role=Role.ADMINISTRATOR)
        change.note("add", "account", account_id, after={"role": Role.ADMINISTRATOR.value})
        return _new_link(site, change, account_id)


def add_account(site: Site, caller: Caller, person: Person) -> tuple[Account, str]:
    """Add an account; returns it and the path of the one-time link that sets its password.

    Raises
    ------
    WrongFields
        Naming each field that cannot be taken.
    """
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        fields = _checked(site, change, person, None)
        account_id = accounts.add(change, **fields)
        change.note("add", "account", account_id, after=_told(fields))
        path = _new_link(site, change, account_id)
        return _existing(change, account_id), path


def change_account(site: Site, caller: Caller, account_id: int, person: Person) -> Account:
    """Change an account. A change of what it may see or do ends its sessions: the next begins with it.

    In another laboratory its tokens end as well: a program that was given one for the records of the first is
    not to find itself in those of the other.

    Raises
    ------
    WrongFields
        Naming each field that cannot be taken.
    Conflict
        If nobody would be left who keeps the accounts.
    """
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        old = _existing(change, account_id)
        fields = _checked(site, change, person, account_id)
        if fields["role"] is not Role.ADMINISTRATOR:
            _keep_an_administrator(change, old)
        accounts.change(change, account_id, **fields)
        new = _existing(change, account_id)
        if _reach(old) != _reach(new):
            accounts.end_sessions(change, account_id)
        if old.laboratory_id != new.laboratory_id:
            accesstokens.revoke(change, account_id)
        before, after = _told(old.model_dump()), _told(fields)
        changed = [name for name in after if after[name] != before[name]]
        change.note(
            "change", "account", account_id, {name: before[name] for name in changed},
            {name: after[name] for name in changed},
        )  # fmt: skip
        return new


def _reach(account: Account) -> tuple[object, ...]:
    return account.role, account.laboratory_id, account.counties, account.region


def disable_account(site: Site, caller: Caller, account_id: int) -> None:
    """Close an account: its sessions end now, its tokens and links open nothing any more.

    Raises
    ------
    Conflict
        If it is the caller's own, or nobody would be left who keeps the accounts.
    """
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        account = _existing(change, account_id)
        if account_id == caller.account_id:
            raise Conflict(
                "nobody closes their own account",
                where=account.name,
                expected="another administrator's hand",
                fix="ask a colleague who keeps accounts",
            )
        _keep_an_administrator(change, account)
        accounts.set_disabled(change, account_id, change.now)
        accounts.end_sessions(change, account_id)
        accesstokens.revoke(change, account_id)
        links.end_all(change, "set-password", account_id=account_id)
        change.note("close", "account", account_id)


def enable_account(site: Site, caller: Caller, account_id: int) -> None:
    """Open a closed account again, with its password but without its tokens."""
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        _existing(change, account_id)
        accounts.set_disabled(change, account_id, None)
        change.note("open", "account", account_id)


def reset_second_factor(site: Site, caller: Caller, account_id: int) -> None:
    """Forget the telephone of an account: the next sign-in sets up another."""
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        _existing(change, account_id)
        accounts.set_second_factor(change, account_id, "")
        accounts.end_sessions(change, account_id)
        attempts.forget(change, attempts.key_of("code", account_id))
        change.note("reset second factor", "account", account_id)


def invite(site: Site, caller: Caller, account_id: int) -> str:
    """Make a new one-time link to set a password; earlier ones end. Returns its path.

    Raises
    ------
    Conflict
        If the account is closed.
    """
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        account = _existing(change, account_id)
        if account.disabled_at is not None:
            raise Conflict(
                "this account is closed, so no link was made",
                where=account.name,
                expected="an open account",
                fix="open the account first",
            )
        change.note("make link", "account", account_id)
        return _new_link(site, change, account_id)


def _new_link(site: Site, change: Change, account_id: int) -> str:
    links.end_all(change, "set-password", account_id=account_id)
    links.sweep(change, EXPIRED_LINKS_KEPT)
    lasts = timedelta(hours=site.settings.invitation_hours)
    return SET_PASSWORD + links.make(change, "set-password", lasts, account_id=account_id)


def _keep_an_administrator(change: Change, account: Account) -> None:
    if account.role is not Role.ADMINISTRATOR or account.disabled_at is not None:
        return
    if accounts.working_administrators(change) < 2:
        raise Conflict(
            "nobody would be left who keeps the accounts, so nothing was changed",
            where=account.name,
            expected="one other administrator whose account is open",
            fix="add another administrator first",
        )


def _existing(look: Look, account_id: int) -> Account:
    account = accounts.by_id(look, account_id)
    if account is None:
        raise NotFound(
            "there is no such account", expected="one of the list", fix="look at the list of accounts"
        )
    return account


def _told(fields: dict[str, Any]) -> dict[str, Any]:
    """What an audit line says of an account."""
    names = ("email", "name", "role", "laboratory_id", "counties", "region", "language")
    told = {name: fields[name] for name in names}
    return told | {"role": Role(told["role"]).value, "counties": sorted(told["counties"])}


# ------------------------------------------------------------------------------------------- checking


def _checked(site: Site, look: Look, person: Person, account_id: int | None) -> dict[str, Any]:
    """The fields as they are stored: those that a role has nothing to do with are left empty."""
    wrong: dict[str, str] = {}
    for name in ("email", "name"):
        if mistake := wrong_line(getattr(person, name), LONGEST):
            wrong[name] = mistake
    local, at, host = accounts.folded(person.email).partition("@")
    if "email" not in wrong and (not (local and at and host) or any(c.isspace() for c in local + host)):
        wrong["email"] = "email"
    holder = None if "email" in wrong else accounts.by_email(look, person.email)
    if holder is not None and holder.id != account_id:
        wrong["email"] = "email-taken"
    if person.language not in LANGUAGES:
        wrong["language"] = "language"
    try:
        role = Role(person.role)
    except ValueError:
        raise WrongFields("the account was not stored", wrong | {"role": "role"}) from None
    reach = _checked_reach(site, look, person, role, wrong)
    if wrong:
        raise WrongFields("the account was not stored", wrong)
    return {"email": person.email, "name": person.name, "role": role, "language": person.language, **reach}


def _checked_reach(
    site: Site, look: Look, person: Person, role: Role, wrong: dict[str, str]
) -> dict[str, Any]:
    """Laboratory, counties and region that fit the role; what does not fit is added to ``wrong``."""
    reach: dict[str, Any] = {"laboratory_id": None, "counties": (), "region": ""}
    if role in (Role.LABORATORY, Role.AGENT):
        reach["laboratory_id"] = person.laboratory_id
        if person.laboratory_id is None or places.laboratory_by_id(look, person.laboratory_id) is None:
            wrong["laboratory_id"] = "laboratory"
    if role is Role.AGENT:
        reach["counties"] = tuple(sorted(set(person.counties)))
        if not reach["counties"] or not set(reach["counties"]) <= {each.id for each in places.counties(look)}:
            wrong["counties"] = "county"
    if role is Role.AGRONOMIST:
        reach["region"] = "" if person.region == EVERY_REGION else person.region
        if person.region not in {EVERY_REGION, *_regions(site, look)}:
            wrong["region"] = "region"
    return reach


def _regions(site: Site, look: Look) -> dict[str, str]:
    """Regions that have tables, and those of which a first draft is being made, with their names."""
    begun = {each.book: each.book for each in drafts.find(look)}
    return begun | {name: each.name for name, each in site.in_force(look).tables.regions.items()}


# ------------------------------------------------------------------------------------------- reading


def regions(site: Site, caller: Caller) -> dict[str, str]:
    """Regions that an agronomist can be of, id -> name."""
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        return _regions(site, look)


def list_accounts(site: Site, caller: Caller, page: int = 1) -> tuple[tuple[Account, ...], int]:
    """One page of the accounts by name, and how many pages there are."""
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        last = max(1, -(-accounts.count(look) // PER_PAGE))
        return accounts.page(look, limit=PER_PAGE, offset=(page - 1) * PER_PAGE), last


def show_account(site: Site, caller: Caller, account_id: int) -> Account:
    """One account."""
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        return _existing(look, account_id)


def list_changes(
    site: Site, caller: Caller, which: Filter, before: int | None = None, limit: int = PER_PAGE
) -> tuple[tuple[Line, ...], int | None]:
    """Changes, the newest first, and the id below which the next ones begin; None at the end."""
    with site.database.look(caller, Right.READ_AUDIT) as look:
        found = audit.newest(look, which, before=before, limit=limit + 1)
    return found[:limit], found[limit - 1].id if len(found) > limit else None


def accounts_after(site: Site, caller: Caller, last: int, limit: int) -> tuple[Account, ...]:
    """Accounts by rising id, for programs."""
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        return accounts.after(look, last, limit)


def changes_after(site: Site, caller: Caller, which: Filter, last: int, limit: int) -> tuple[Line, ...]:
    """Changes by rising id, for programs."""
    with site.database.look(caller, Right.READ_AUDIT) as look:
        return audit.after(look, which, last, limit)


def what_changes_are_about(site: Site, caller: Caller) -> tuple[tuple[str, ...], tuple[Account, ...]]:
    """The kinds of things that were changed, and the accounts: what a list of changes is filtered by."""
    with site.database.look(caller, Right.READ_AUDIT) as look:
        return audit.kinds(look), accounts.everybody(look)
