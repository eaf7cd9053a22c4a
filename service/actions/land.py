"""Growers, farms and fields: find them, look at one, change what is kept about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from interpretation.errors import FurrowsliceError
from reports.format import Units
from service.actions.checking import Typed
from service.actions.geojson import checked_outline
from service.callers import Caller, Right
from service.characters import UNSEEN
from service.refusals import Conflict, Invalid
from service.site import Site
from service.store import history, land
from service.store.database import Change
from service.store.history import Found, VisitOfField
from service.store.land import FarmRow, FieldInList, FieldOnMap, GrowerRow

PAGE = 50  # fields on one page of the list
MOST_FIELDS = 500  # of one grower, on one page


def _seen(text: str) -> str:
    if found := UNSEEN.search(text):
        raise ValueError(f"the text holds the invisible character U+{ord(found[0]):04X}; type it again")
    return text.strip()


Seen = Annotated[str, AfterValidator(_seen)]


@dataclass(frozen=True)
class Holding:
    """One grower with farms and fields."""

    grower: GrowerRow
    farms: tuple[FarmRow, ...]
    fields: tuple[FieldInList, ...]


@dataclass(frozen=True)
class Past:
    """One field, its visits, newest first, and everything that was found on it."""

    field: FieldOnMap
    visits: Sequence[VisitOfField]
    found: Sequence[Found]


class GrowerChange(BaseModel):
    """What may be changed of a grower; what is left out stays."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Seen | None = Field(default=None, max_length=200)
    address: Seen | None = Field(default=None, max_length=400)
    telephone: Seen | None = Field(default=None, max_length=60)
    email: Seen | None = Field(default=None, max_length=254, pattern=r"^$|^[^@\s]+@[^@\s]+$")
    language: Literal["en", "es"] | None = None
    units: Units | None = None
    mail_consent: bool | None = None
    copy_to: Seen | None = Field(default=None, max_length=254, pattern=r"^$|^[^@\s]+@[^@\s]+$")
    copy_consent: bool | None = None


class FieldChange(BaseModel):
    """What may be changed of a field; what is left out stays.

    ``outline`` is a GeoJSON Polygon; an empty object takes it away.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: Seen | None = Field(default=None, max_length=200)
    county_id: Seen | None = Field(default=None, max_length=64)
    area_ha: Typed | None = Field(default=None, gt=0, le=100_000)
    outline: dict[str, Any] | None = None


def find(site: Site, caller: Caller, search: str, page: int = 1) -> tuple[tuple[FieldInList, ...], bool]:
    """One page of the fields that match a search, and whether there are more behind it."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        found = land.find_fields(look, search, skip=(page - 1) * PAGE, most=PAGE + 1)
    return found[:PAGE], len(found) > PAGE


def fields_after(site: Site, caller: Caller, search: str, after: int, most: int) -> tuple[FieldInList, ...]:
    """Fields that match a search, by rising id."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        return land.fields_after(look, search, after, most)


def growers_after(site: Site, caller: Caller, search: str, after: int, most: int) -> tuple[GrowerRow, ...]:
    """Growers that match a search, by rising id."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        return land.growers_after(look, search, after, most)


def holding(site: Site, caller: Caller, grower_id: int) -> Holding:
    """One grower with farms and fields."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        grower = land.the_grower(look, grower_id)
        return Holding(grower, land.farms_of(look, grower_id), land.fields_of(look, grower_id, MOST_FIELDS))


def past(site: Site, caller: Caller, field_id: int) -> Past:
    """One field with its history: three queries, whatever the number of years."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        field = land.the_field(look, field_id)
        return Past(field, history.visits(look, field_id), history.found(look, field_id))


def field(site: Site, caller: Caller, field_id: int) -> FieldOnMap:
    """One field alone."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        return land.the_field(look, field_id)


def counties(site: Site, caller: Caller) -> tuple[tuple[str, str, str], ...]:
    """Counties the caller may put a field in: id, name and region."""
    with site.database.look(caller, Right.READ_FIELDS) as look:
        return land.counties(look)


def change_grower(site: Site, caller: Caller, grower_id: int, change: GrowerChange) -> None:
    """Change what is kept about a grower.

    Raises
    ------
    Conflict
        If the grower's personal data were erased: nothing is entered again behind that.
    Invalid
        If a copy is allowed and there is no address to send it to.
    """
    with site.database.change(caller, Right.PLAN_FIELDS) as writing:
        before = land.the_grower(writing, grower_id)
        if before.erased:
            raise Conflict(
                "what was kept about this grower has been erased", where="grower",
                expected="a grower who is still a customer",
                fix="enter the grower anew with the next visit if they have come back",
            )  # fmt: skip
        given = {name: value for name, value in change.model_dump().items() if value is not None}
        after = before.model_copy(update=given)
        if after.copy_consent and not after.copy_to:
            raise Invalid(
                "a copy is allowed, and there is no address for it", where="copy_to",
                expected="the address that the copy goes to", fix="type the address, or do not allow a copy",
                fields={"copy_to": "type the address that the copy goes to"},
            )  # fmt: skip
        if after.mail_consent and not after.email:
            raise Invalid(
                "mail is allowed, and there is no address for it", where="email",
                expected="the grower's address", fix="type the address, or do not allow mail",
                fields={"email": "type the address that reports go to"},
            )  # fmt: skip
        changed = _changed(before, given)
        if changed:
            land.change_grower(writing, before, changed)
        # The names of the columns, never what they hold: the log outlives the right to keep personal data.
        writing.note("change", "grower", grower_id, after={"changed": sorted(changed)})


def rename_farm(site: Site, caller: Caller, grower_id: int, farm_id: int, name: str) -> None:
    """Give a farm another name.

    Raises
    ------
    NotFound
        If the grower has no such farm.
    Invalid
        If the name is longer than a report has room for.
    """
    if len(name) > 200 or UNSEEN.search(name):
        raise Invalid(
            "the name of the farm cannot be taken", where="name",
            expected="at most 200 characters that can be seen", fix="shorten it, or type it again",
            fields={"name": "at most 200 characters that can be seen"},
        )  # fmt: skip
    with site.database.change(caller, Right.PLAN_FIELDS) as writing:
        land.the_grower(writing, grower_id)
        if farm_id not in [farm.id for farm in land.farms_of(writing, grower_id)]:
            raise land.absent("farm")
        land.change_farm(writing, farm_id, name.strip())
        writing.note("change", "farm", farm_id, after={"changed": ["name"]})


def change_field(site: Site, caller: Caller, field_id: int, change: FieldChange) -> None:
    """Change a field's name, county, area or outline.

    Raises
    ------
    Invalid
        If the county is not one of the caller's, or the outline is no polygon on the ground.
    """
    with site.database.change(caller, Right.PLAN_FIELDS) as writing:
        before = land.the_field(writing, field_id)
        given = {name: value for name, value in change.model_dump().items() if value is not None}
        if "county_id" in given:
            given |= _county(writing, given["county_id"])
        if "outline" in given:
            given["outline"] = _outline(given["outline"])
        changed = _changed(before, given)
        if changed:
            land.change_field(writing, before, changed)
        writing.note("change", "field", field_id, after={"changed": sorted(changed)})


def _changed(before: BaseModel, given: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in given.items() if getattr(before, name) != value}


def _county(look: Change, county_id: str) -> dict[str, Any]:
    """County of a field, and the region whose tables hold there."""
    for known, _, region in land.counties(look):
        if known == county_id:
            return {"county_id": county_id, "region": region}
    raise Invalid(
        "this county is not one of yours", where="county_id", expected="a county that you work in",
        fix="choose one from the list", fields={"county_id": "choose one from the list"},
    )  # fmt: skip


def _outline(outline: dict[str, Any]) -> dict[str, Any] | None:
    if not outline:
        return None
    try:
        return checked_outline(outline)
    except FurrowsliceError as error:
        raise Invalid(
            error.what, where=error.where or "outline", expected=error.expected, fix=error.fix,
            fields={"outline": error.what},
        ) from None  # fmt: skip
