"""The administrator's pages: accounts, laboratories, counties, changes."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, Query, UploadFile
from starlette.responses import HTMLResponse, Response

from service.actions import laboratories, people
from service.actions.laboratories import Card
from service.actions.people import Person
from service.actions.wrongfields import WrongFields
from service.callers import Role
from service.characters import UNSEEN
from service.pages.forms import Id
from service.store.accounts import Account
from service.store.audit import Filter
from service.uploads import Upload
from service.web.visit import Posted, Visit, Visiting
from service.web.wrong import worded

router = APIRouter()
Typed = Annotated[str, Form()]
Ticked = Annotated[list[str] | None, Form()]


# ------------------------------------------------------------------------------------------- accounts


@router.get("/accounts")
def accounts_page(visit: Visiting, page: int = 1) -> HTMLResponse:
    """List the accounts."""
    page = min(max(page, 1), people.LAST_PAGE)
    found, last = people.list_accounts(visit.site, visit.caller, page)
    return visit.page("people/accounts.html.j2", accounts=found, page_number=page, last=last)


@router.get("/accounts/new")
def new_account(visit: Visiting) -> HTMLResponse:
    """Show the form for another account."""
    return _account_form(visit, None, Person(email="", name="", role=Role.LABORATORY.value))


def _account_form(
    visit: Visit, account: Account | None, person: Person, errors: dict[str, str] | None = None
) -> HTMLResponse:
    site = visit.site
    return visit.page(
        "people/account.html.j2", 422 if errors else 200, account=account, person=person,
        errors=errors or {}, roles=[role.value for role in Role],
        laboratories=laboratories.list_laboratories(site, visit.caller),
        counties=laboratories.list_counties(site, visit.caller),
        regions=[
            (people.EVERY_REGION, visit.words("people.every-region")),
            *sorted(people.regions(site, visit.caller).items(), key=lambda each: each[1].casefold()),
        ],
    )  # fmt: skip


def _regions(visit: Visit) -> list[tuple[str, str]]:
    return sorted(((each.id, each.name) for each in visit.tables.regions.values()), key=lambda each: each[1])


def _person(
    email: str, name: str, role: str, laboratory: str, counties: list[str] | None, region: str, language: str
) -> Person:
    laboratory_id = int(laboratory) if laboratory.isdecimal() and len(laboratory) < 10 else None
    return Person(
        email=email, name=name, role=role, laboratory_id=laboratory_id, counties=tuple(counties or ()),
        region=region, language=language,
    )  # fmt: skip


@router.post("/accounts")
def add_account(
    visit: Posted, email: Typed = "", name: Typed = "", role: Typed = "", laboratory_id: Typed = "",
    counties: Ticked = None, region: Typed = "", language: Typed = "en",
) -> Response:  # fmt: skip
    """Add an account; its one-time link is shown at once and never again."""
    person = _person(email, name, role, laboratory_id, counties, region, language)
    try:
        account, path = people.add_account(visit.site, visit.caller, person)
    except WrongFields as error:
        return _account_form(visit, None, person, worded(visit, error))
    return _link(visit, account, path)


def _link(visit: Visit, account: Account, path: str) -> HTMLResponse:
    until = visit.site.database.now() + timedelta(hours=visit.site.settings.invitation_hours)
    return visit.page(
        "people/link.html.j2", account=account, link=visit.site.settings.address + path, until=until
    )


@router.get("/accounts/{account_id}")
def account_page(visit: Visiting, account_id: Id) -> HTMLResponse:
    """Show one account and what can be done with it."""
    account = people.show_account(visit.site, visit.caller, account_id)
    names = Person.model_fields.keys()
    person = Person(**account.model_dump(mode="json", include=set(names)))
    if account.role is Role.AGRONOMIST and not account.region:
        person = person.model_copy(update={"region": people.EVERY_REGION})
    return _account_form(visit, account, person)


@router.post("/accounts/{account_id}")
def change_account(
    visit: Posted, account_id: Id, email: Typed = "", name: Typed = "", role: Typed = "",
    laboratory_id: Typed = "", counties: Ticked = None, region: Typed = "", language: Typed = "en",
) -> Response:  # fmt: skip
    """Change an account."""
    person = _person(email, name, role, laboratory_id, counties, region, language)
    try:
        people.change_account(visit.site, visit.caller, account_id, person)
    except WrongFields as error:
        account = people.show_account(visit.site, visit.caller, account_id)
        return _account_form(visit, account, person, worded(visit, error))
    return visit.go("/accounts", "people.done-account")


@router.post("/accounts/{account_id}/link")
def make_link(visit: Posted, account_id: Id) -> HTMLResponse:
    """Make a new one-time link and show it once."""
    path = people.invite(visit.site, visit.caller, account_id)
    return _link(visit, people.show_account(visit.site, visit.caller, account_id), path)


@router.post("/accounts/{account_id}/close")
def close_account(visit: Posted, account_id: Id) -> Response:
    """Close an account."""
    people.disable_account(visit.site, visit.caller, account_id)
    return visit.go("/accounts", "people.done-closed")


@router.post("/accounts/{account_id}/open")
def open_account(visit: Posted, account_id: Id) -> Response:
    """Open an account again."""
    people.enable_account(visit.site, visit.caller, account_id)
    return visit.go(f"/accounts/{account_id}", "people.done-opened")


@router.post("/accounts/{account_id}/second-factor")
def reset_second_factor(visit: Posted, account_id: Id) -> Response:
    """Forget the telephone of an account."""
    people.reset_second_factor(visit.site, visit.caller, account_id)
    return visit.go(f"/accounts/{account_id}", "people.done-factor")


# ------------------------------------------------------------------------------ laboratories, counties


@router.get("/laboratories")
def laboratories_page(visit: Visiting) -> HTMLResponse:
    """List the laboratories, with the form for another."""
    return _laboratories(visit, None, {})


def _laboratories(visit: Visit, card: Card | None, errors: dict[str, str]) -> HTMLResponse:
    return visit.page(
        "people/laboratories.html.j2", 422 if errors else 200, errors=errors, card=_shown(card),
        laboratories=laboratories.list_laboratories(visit.site, visit.caller),
    )  # fmt: skip


def _shown(card: Card | None) -> dict[str, Any]:
    empty = dict.fromkeys(Card.model_fields, "") | {"address": ()}
    return empty if card is None else card.model_dump()


def _card(name: str, address: str, contact: str, phone: str, authorised_by: str) -> Card:
    lines = tuple(address.splitlines())
    return Card(name=name, address=lines, contact=contact, phone=phone, authorised_by=authorised_by)


@router.post("/laboratories")
def add_laboratory(
    visit: Posted, name: Typed = "", address: Typed = "", contact: Typed = "", phone: Typed = "",
    authorised_by: Typed = "",
) -> Response:  # fmt: skip
    """Add a laboratory."""
    card = _card(name, address, contact, phone, authorised_by)
    try:
        laboratories.add_laboratory(visit.site, visit.caller, card)
    except WrongFields as error:
        return _laboratories(visit, card, worded(visit, error))
    return visit.go("/laboratories", "people.done-laboratory")


@router.get("/laboratories/{laboratory_id}")
def laboratory_page(visit: Visiting, laboratory_id: Id) -> HTMLResponse:
    """Show what a laboratory prints about itself."""
    return _laboratory(visit, laboratory_id, None, {})


def _laboratory(visit: Visit, laboratory_id: int, typed: Card | None, errors: dict[str, str]) -> HTMLResponse:
    found = laboratories.show_laboratory(visit.site, visit.caller, laboratory_id)
    card = {name: found.card.get(name, "") for name in Card.model_fields} if typed is None else _shown(typed)
    return visit.page(
        "people/laboratory.html.j2", 422 if errors else 200, laboratory=found, card=card, errors=errors
    )


@router.post("/laboratories/{laboratory_id}")
def change_laboratory(
    visit: Posted, laboratory_id: Id, name: Typed = "", address: Typed = "", contact: Typed = "",
    phone: Typed = "", authorised_by: Typed = "",
) -> Response:  # fmt: skip
    """Change what a laboratory prints about itself."""
    card = _card(name, address, contact, phone, authorised_by)
    try:
        laboratories.change_laboratory(visit.site, visit.caller, laboratory_id, card)
    except WrongFields as error:
        return _laboratory(visit, laboratory_id, card, worded(visit, error))
    return visit.go("/laboratories", "people.done-laboratory")


@router.get("/laboratories/{laboratory_id}/logo")
def show_logo(visit: Visiting, laboratory_id: Id) -> Response:
    """Show the logo of a laboratory as reports print it."""
    content, kind = laboratories.logo_of(visit.site, visit.caller, laboratory_id)
    return Response(content, media_type=kind)


@router.post("/laboratories/{laboratory_id}/logo")
def set_logo(visit: Posted, laboratory_id: Id, file: Annotated[UploadFile, File()]) -> Response:
    """Give a laboratory a logo, or another."""
    try:
        upload = Upload(file.filename or "", file.file.read())
        laboratories.set_logo(visit.site, visit.caller, laboratory_id, upload)
    except WrongFields as error:
        return _laboratory(visit, laboratory_id, None, worded(visit, error))
    return visit.go(f"/laboratories/{laboratory_id}", "people.done-logo")


@router.post("/laboratories/{laboratory_id}/logo/remove")
def remove_logo(visit: Posted, laboratory_id: Id) -> Response:
    """Take the logo off a laboratory's card."""
    laboratories.remove_logo(visit.site, visit.caller, laboratory_id)
    return visit.go(f"/laboratories/{laboratory_id}", "people.done-logo-removed")


@router.get("/counties")
def counties_page(visit: Visiting) -> HTMLResponse:
    """List the counties, with the form for another."""
    return _counties(visit, {"id": "", "name": "", "region": ""}, {})


def _counties(visit: Visit, typed: dict[str, str], errors: dict[str, str]) -> HTMLResponse:
    return visit.page(
        "people/counties.html.j2", 422 if errors else 200, errors=errors, typed=typed,
        regions=_regions(visit),
        counties=laboratories.list_counties(visit.site, visit.caller),
    )  # fmt: skip


@router.post("/counties")
def add_county(
    visit: Posted, id: Typed = "", name: Typed = "", region: Typed = ""  # noqa: A002 - the field's name
) -> Response:  # fmt: skip
    """Add a county."""
    try:
        laboratories.add_county(visit.site, visit.caller, id, name, region)
    except WrongFields as error:
        return _counties(visit, {"id": id, "name": name, "region": region}, worded(visit, error))
    return visit.go("/counties", "people.done-county")


# -------------------------------------------------------------------------------------------- changes


@router.get("/changes")
def changes_page(
    visit: Visiting,
    who: str = "",
    kind: str = "",
    day: str = "",
    before: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None,
) -> HTMLResponse:
    """List what was changed, the newest first; a filter that cannot be read narrows nothing and says so."""
    errors = {}
    asked = None
    try:
        asked = date.fromisoformat(day) if day else None
    except ValueError:
        errors["day"] = visit.words("people.wrong-day")
    account_id = int(who) if who.isdecimal() and len(who) < 10 else None
    kind = "" if UNSEEN.search(kind) else kind
    which = Filter(account_id=account_id, kind=kind, day=asked)
    lines, below = people.list_changes(visit.site, visit.caller, which, before)
    kinds, everybody = people.what_changes_are_about(visit.site, visit.caller)
    return visit.page(
        "people/changes.html.j2", lines=lines, below=below, kinds=kinds, everybody=everybody, who=who,
        kind=kind, day=day, errors=errors, first=before is None,
    )  # fmt: skip
