"""Laboratories and counties: what accounts and records belong to."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, StringConstraints

from reports.view import LONGEST_LINE, MOST_LINES
from service.actions.wrongfields import WrongFields, wrong_line
from service.callers import Caller, Right
from service.refusals import NotFound
from service.site import Site
from service.store import laboratories as places
from service.store.database import Look
from service.store.laboratories import County, Laboratory

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
