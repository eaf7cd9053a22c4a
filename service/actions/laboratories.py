"""Laboratories and counties: what accounts and records belong to."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, StringConstraints

from reports.logos import content_of, media_type
from reports.view import LONGEST_LINE, MOST_LINES
from service.actions.wrongfields import WrongFields, wrong_line
from service.callers import Caller, Right
from service.logos import LogoError, described, read_logo
from service.refusals import NotFound
from service.site import Site
from service.store import laboratories as places
from service.store.database import Look
from service.store.laboratories import County, Laboratory
from service.uploads import Upload

_COUNTY_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_LONGEST_ID = 60
Text = Annotated[str, StringConstraints(strip_whitespace=True)]


class Card(BaseModel):
    """What an administrator writes about a laboratory; reports print it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Text
    address: tuple[Text, ...]
    contact: Text = ""
    phone: Text = ""
    authorised_by: Text = ""


def list_laboratories(site: Site, caller: Caller) -> tuple[Laboratory, ...]:
    """All laboratories."""
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        return places.laboratories(look)


def show_laboratory(site: Site, caller: Caller, laboratory_id: int) -> Laboratory:
    """One laboratory."""
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        return _existing(look, laboratory_id)


def _existing(look: Look, laboratory_id: int) -> Laboratory:
    found = places.laboratory_by_id(look, laboratory_id)
    if found is None:
        raise NotFound(
            "there is no such laboratory", expected="one of the list", fix="look at the list of laboratories"
        )
    return found


def add_laboratory(site: Site, caller: Caller, card: Card) -> int:
    """Add a laboratory; returns its id.

    Raises
    ------
    WrongFields
        Naming each field that cannot be taken.
    """
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        fields = _checked(change, card, None)
        laboratory_id = places.add_laboratory(change, fields)
        change.note("add", "laboratory", laboratory_id, after=fields)
        return laboratory_id


def change_laboratory(site: Site, caller: Caller, laboratory_id: int, card: Card) -> None:
    """Change what a laboratory prints about itself; reports already issued keep what they say.

    Raises
    ------
    WrongFields
        Naming each field that cannot be taken.
    """
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        old = _existing(change, laboratory_id)
        new = old.card | _checked(change, card, laboratory_id)
        places.change_laboratory(change, laboratory_id, new)
        changed = [name for name in new if new[name] != old.card.get(name)]
        change.note(
            "change", "laboratory", laboratory_id, {name: old.card.get(name) for name in changed},
            {name: new[name] for name in changed},
        )  # fmt: skip


def set_logo(site: Site, caller: Caller, laboratory_id: int, upload: Upload) -> None:
    """Give a laboratory a logo, or another one; reports already issued keep theirs.

    Raises
    ------
    WrongFields
        If the file cannot be a logo.
    """
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        _existing(look, laboratory_id)
    try:
        logo = read_logo(upload.content, "logo")  # outside of the change: unpacking takes its time
    except LogoError as error:
        raise WrongFields("the logo was not stored", {"logo": error.key}) from None
    _keep_logo(site, caller, laboratory_id, logo)


def remove_logo(site: Site, caller: Caller, laboratory_id: int) -> None:
    """Take the logo off a laboratory's card; reports already issued keep it."""
    _keep_logo(site, caller, laboratory_id, "")


def _keep_logo(site: Site, caller: Caller, laboratory_id: int, logo: str) -> None:
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        old = _existing(change, laboratory_id).card
        before = old.get("logo", "")
        rest = {name: value for name, value in old.items() if name != "logo"}
        places.change_laboratory(change, laboratory_id, rest | ({"logo": logo} if logo else {}))
        change.note(
            "change", "laboratory", laboratory_id, {"logo": described(before)}, {"logo": described(logo)}
        )


def logo_of(site: Site, caller: Caller, laboratory_id: int) -> tuple[bytes, str]:
    """The logo of a laboratory and its media type.

    Raises
    ------
    NotFound
        If there is no such laboratory, or it has no logo.
    """
    logo = show_laboratory(site, caller, laboratory_id).card.get("logo", "")
    if not logo:
        raise NotFound(
            "this laboratory has no logo", expected="a laboratory with a logo", fix="give it one first"
        )
    return content_of(logo), media_type(logo)


def _checked(look: Look, card: Card, laboratory_id: int | None) -> dict[str, Any]:
    fields = card.model_dump(mode="json")
    fields["address"] = [line for line in fields["address"] if line]
    wrong = {}
    for name, value in fields.items():
        needed = name in ("name", "address")
        lines = value if isinstance(value, list) else [value]
        mistakes = [wrong_line(line, LONGEST_LINE, needed=needed) for line in lines or [""]]
        if any(mistakes):
            wrong[name] = next(each for each in mistakes if each)
    if len(fields["address"]) > MOST_LINES:
        wrong["address"] = "too-long"
    if any(each.name == card.name and each.id != laboratory_id for each in places.laboratories(look)):
        wrong["name"] = "taken"
    if wrong:
        raise WrongFields("the laboratory was not stored", wrong)
    return fields


def list_counties(site: Site, caller: Caller) -> tuple[County, ...]:
    """All counties."""
    with site.database.look(caller, Right.MANAGE_ACCOUNTS) as look:
        return places.counties(look)


def add_county(site: Site, caller: Caller, county_id: str, name: str, region: str) -> None:
    """Add a county; its region says whose tables are used there.

    Raises
    ------
    WrongFields
        Naming each field that cannot be taken.
    """
    name = name.strip()
    with site.database.change(caller, Right.MANAGE_ACCOUNTS) as change:
        wrong = {}
        if not _COUNTY_ID.fullmatch(county_id) or len(county_id) > _LONGEST_ID:
            wrong["id"] = "county-id"
        elif any(each.id == county_id for each in places.counties(change)):
            wrong["id"] = "taken"
        if mistake := wrong_line(name, LONGEST_LINE):
            wrong["name"] = mistake
        if region not in site.tables.regions:
            wrong["region"] = "region"
        if wrong:
            raise WrongFields("the county was not stored", wrong)
        places.add_county(change, County(id=county_id, name=name, region=region))
        change.note("add", "county", county_id, after={"name": name, "region": region})
