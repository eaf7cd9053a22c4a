"""Who the token stands for; accounts, laboratories, counties and changes; growers' own data and links."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, File, Query, UploadFile
from pydantic import Field

from service.actions import laboratories, myself, people, privacy
from service.actions.laboratories import Card
from service.actions.people import Person
from service.api.common import LARGEST_ID, After, GivenId, Id, Input, Limit, Line, Output, Page, page_of
from service.callers import Right, Role
from service.store import accounts, audit
from service.uploads import Upload
from service.web.asking import ApiCaller, TheSite

router = APIRouter()


class Me(Output):
    """Whom the access token stands for, and what it may do."""

    id: int
    name: str
    email: str
    role: Role
    laboratory_id: int | None
    counties: list[str]
    region: str
    language: str
    rights: list[Right] = Field(description="of this token; the account may have more")


class Account(Output):
    """A person who may sign in."""

    id: int
    email: str
    name: str
    role: Role
    laboratory_id: int | None
    counties: list[str]
    region: str
    language: str
    created_at: datetime
    closed_at: datetime | None
    has_password: bool
    has_second_factor: bool


class GivenAccount(Input):
    """What an administrator decides about an account."""

    email: Line
    name: Line
    role: Role
    laboratory_id: GivenId | None = Field(
        default=None, description="of the laboratory's people and of agents"
    )
    counties: list[Line] = Field(default=[], max_length=500, description="of agents")
    region: Line = Field(default="", description="of agronomists")
    language: Line = "en"


class Invitation(Output):
    """The one-time link that sets a password; it is told once and kept nowhere."""

    account: Account
    link: str


class Laboratory(Output):
    """A laboratory and what its reports print about it."""

    id: int
    name: str
    address: list[str]
    contact: str
    phone: str
    authorised_by: str
    logo: str = Field(description="PNG or JPEG as base64, as reports print it; empty: none")


class GivenLaboratory(Input):
    """What an administrator writes about a laboratory."""

    name: Line
    address: list[Line] = Field(min_length=1, max_length=12)
    contact: Line = ""
    phone: Line = ""
    authorised_by: Line = ""


class County(Output):
    """A county and the region whose tables are used there."""

    id: str
    name: str
    region: str


class GivenCounty(Input):
    """A county to add."""

    id: Line
    name: Line
    region: Line


class Change(Output):
    """One change: who, when, what, before and after."""

    id: int
    at: datetime
    account_id: int | None = Field(description="null: the command line, or nobody signed in")
    who: str
    door: str = Field(description="page, api or command")
    verb: str
    kind: str
    object_id: str
    before: Any
    after: Any
    reason: str
    request_id: str


def _account(found: accounts.Account) -> Account:
    fields = found.model_dump(exclude={"disabled_at", "counties"})
    return Account(**fields, counties=list(found.counties), closed_at=found.disabled_at)


def _person(given: GivenAccount) -> Person:
    return Person(**given.model_dump(mode="json"))


@router.get("/me")
def me(site: TheSite, caller: ApiCaller) -> Me:
    """Whom this access token stands for."""
    mine = myself.show_myself(site, caller).account
    fields = mine.model_dump(include={"id", "name", "email", "role", "laboratory_id", "region", "language"})
    return Me(**fields, counties=list(mine.counties), rights=sorted(caller.rights))


@router.get("/accounts")
def list_accounts(site: TheSite, caller: ApiCaller, after: After = 0, limit: Limit = 100) -> Page[Account]:
    """The accounts."""
    return page_of(people.accounts_after(site, caller, after, limit + 1), limit, _account)


@router.post("/accounts", status_code=201)
def add_account(site: TheSite, caller: ApiCaller, given: GivenAccount) -> Invitation:
    """Add an account; the answer holds the one-time link that sets its password."""
    account, path = people.add_account(site, caller, _person(given))
    return Invitation(account=_account(account), link=site.settings.address + path)


@router.get("/accounts/{account_id}")
def show_account(site: TheSite, caller: ApiCaller, account_id: Id) -> Account:
    """One account."""
    return _account(people.show_account(site, caller, account_id))


@router.put("/accounts/{account_id}")
def change_account(site: TheSite, caller: ApiCaller, account_id: Id, given: GivenAccount) -> Account:
    """Change an account: all its fields are given. A change of what it may see or do ends its sessions."""
    return _account(people.change_account(site, caller, account_id, _person(given)))


@router.delete("/accounts/{account_id}", status_code=204)
def close_account(site: TheSite, caller: ApiCaller, account_id: Id) -> None:
    """Close an account. It stays on the list, because the list of changes names it."""
    people.disable_account(site, caller, account_id)


@router.post("/accounts/{account_id}/open")
def open_account(site: TheSite, caller: ApiCaller, account_id: Id) -> Account:
    """Open a closed account again."""
    people.enable_account(site, caller, account_id)
    return _account(people.show_account(site, caller, account_id))


@router.post("/accounts/{account_id}/link", status_code=201)
def make_link(site: TheSite, caller: ApiCaller, account_id: Id) -> Invitation:
    """Make a new one-time link that sets the account's password; an earlier one works no more."""
    path = people.invite(site, caller, account_id)
    account = people.show_account(site, caller, account_id)
    return Invitation(account=_account(account), link=site.settings.address + path)


@router.delete("/accounts/{account_id}/second-factor", status_code=204)
def reset_second_factor(site: TheSite, caller: ApiCaller, account_id: Id) -> None:
    """Forget the telephone of an account: the next sign-in sets up another."""
    people.reset_second_factor(site, caller, account_id)


@router.get("/laboratories")
def list_laboratories(site: TheSite, caller: ApiCaller) -> list[Laboratory]:
    """The laboratories."""
    return [_laboratory(each.id, each.card) for each in laboratories.list_laboratories(site, caller)]


def _laboratory(laboratory_id: int, card: dict[str, Any]) -> Laboratory:
    shown = {name: card.get(name, "") for name in (*Card.model_fields, "logo")}
    return Laboratory(id=laboratory_id, **shown)


@router.post("/laboratories", status_code=201)
def add_laboratory(site: TheSite, caller: ApiCaller, given: GivenLaboratory) -> Laboratory:
    """Add a laboratory."""
    laboratory_id = laboratories.add_laboratory(site, caller, Card(**given.model_dump()))
    return _laboratory(laboratory_id, laboratories.show_laboratory(site, caller, laboratory_id).card)


@router.put("/laboratories/{laboratory_id}")
def change_laboratory(
    site: TheSite, caller: ApiCaller, laboratory_id: Id, given: GivenLaboratory
) -> Laboratory:
    """Change what a laboratory prints about itself; reports already issued keep what they say."""
    laboratories.change_laboratory(site, caller, laboratory_id, Card(**given.model_dump()))
    return _laboratory(laboratory_id, laboratories.show_laboratory(site, caller, laboratory_id).card)


@router.put("/laboratories/{laboratory_id}/logo")
def set_logo(
    site: TheSite,
    caller: ApiCaller,
    laboratory_id: Id,
    file: Annotated[UploadFile, File(description="PNG or JPEG, at most 500 KB, 8 to 1,000 px a side")],
) -> Laboratory:
    """Give a laboratory a logo, or another; it is kept small. Reports already issued keep theirs."""
    laboratories.set_logo(site, caller, laboratory_id, Upload(file.filename or "", file.file.read()))
    return _laboratory(laboratory_id, laboratories.show_laboratory(site, caller, laboratory_id).card)


@router.delete("/laboratories/{laboratory_id}/logo", status_code=204)
def remove_logo(site: TheSite, caller: ApiCaller, laboratory_id: Id) -> None:
    """Take the logo off a laboratory's card; reports already issued keep it."""
    laboratories.remove_logo(site, caller, laboratory_id)


@router.get("/counties")
def list_counties(site: TheSite, caller: ApiCaller) -> list[County]:
    """The counties."""
    return [County(**each.model_dump()) for each in laboratories.list_counties(site, caller)]


@router.post("/counties", status_code=201)
def add_county(site: TheSite, caller: ApiCaller, given: GivenCounty) -> County:
    """Add a county."""
    laboratories.add_county(site, caller, given.id, given.name, given.region)
    return next(each for each in list_counties(site, caller) if each.id == given.id)


@router.get("/changes")
def list_changes(
    site: TheSite, caller: ApiCaller, after: After = 0, limit: Limit = 100,
    account_id: Annotated[
        int | None, Query(ge=0, le=LARGEST_ID, description="of whom; 0: the command line")
    ] = None,
    kind: Annotated[Line, Query(description="of what, such as account")] = "",
    day: Annotated[date | None, Query(description="on which day, UTC")] = None,
) -> Page[Change]:  # fmt: skip
    """Everything that was changed, the oldest first."""
    which = audit.Filter(account_id=account_id, kind=kind, day=day)
    found = people.changes_after(site, caller, which, after, limit + 1)
    return page_of(found, limit, lambda line: Change(**line.model_dump()))


class ReportLink(Output):
    """A link by which a grower opens one report without an account; it is told once and kept nowhere."""

    link: str


@router.get("/growers/{grower_id}/personal-data")
def export_grower(site: TheSite, caller: ApiCaller, grower_id: Id) -> dict[str, Any]:
    """Everything kept about a grower, table by table. That it was fetched is kept as a change."""
    return privacy.export_grower(site, caller, grower_id)


@router.delete("/growers/{grower_id}/personal-data", status_code=204)
def erase_grower(site: TheSite, caller: ApiCaller, grower_id: Id) -> None:
    """Erase names, contacts, places and PDFs of a grower; it cannot be undone. Values stay without a name."""
    privacy.erase_grower(site, caller, grower_id)


@router.post("/reports/{report_id}/link", status_code=201)
def make_report_link(site: TheSite, caller: ApiCaller, report_id: Id) -> ReportLink:
    """Make a link by which a grower opens one report without an account. It expires."""
    return ReportLink(link=site.settings.address + privacy.report_link(site, caller, report_id))
