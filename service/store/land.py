"""Growers, farms and fields: found by words of their names and codes, read and changed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.callers import Scope
from service.characters import search_words
from service.refusals import NotFound
from service.store.database import Look
from service.store.schema import county, farm, field, grower, sampling


class Row(BaseModel):
    """Base of what this store returns."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class GrowerRow(Row):
    """One grower."""

    id: int
    code: str | None
    name: str
    address: str
    telephone: str
    email: str
    language: str
    units: str
    mail_consent: bool
    copy_to: str
    copy_consent: bool
    erased: bool


class FarmRow(Row):
    """One farm of a grower."""

    id: int
    name: str


class FieldRow(Row):
    """One field, with whose it is."""

    id: int
    code: str
    name: str
    farm_id: int
    farm_name: str
    grower_id: int
    grower_name: str
    county_id: str | None
    county_name: str | None
    region: str
    area_ha: float | None

    @property
    def called(self) -> str:
        """Name of the field, or its code where it has none."""
        return self.name or self.code


class FieldInList(FieldRow):
    """One field of a list, with the day of its last visit."""

    last_visit: date | None


class FieldOnMap(FieldRow):
    """One field with its outline: a GeoJSON polygon, or None."""

    outline: dict[str, Any] | None


_FIELD = (
    field.c.id, field.c.code, field.c.name, field.c.farm_id, farm.c.name.label("farm_name"),
    farm.c.grower_id, grower.c.name.label("grower_name"), field.c.county_id,
    county.c.name.label("county_name"), field.c.region, field.c.area_ha,
)  # fmt: skip
_WHOLE = (
    field.join(farm, field.c.farm_id == farm.c.id)
    .join(grower, farm.c.grower_id == grower.c.id)
    .outerjoin(county, field.c.county_id == county.c.id)
)
# Built once, for the page that is looked at most.
_ONE = (
    sa.select(*_FIELD, field.c.outline)
    .select_from(_WHOLE)
    .where(field.c.id == sa.bindparam("field_id"), field.c.laboratory_id == sa.bindparam("laboratory_id"))
)
_ONE_OF_COUNTIES = _ONE.where(field.c.county_id.in_(sa.bindparam("counties", expanding=True)))
_LAST_VISIT = (
    sa.select(sa.func.max(sampling.c.sampled_on))
    .where(sampling.c.field_id == field.c.id)
    .correlate(field)
    .scalar_subquery()
    .label("last_visit")
)
_GROWER = [
    *(grower.c[name] for name in GrowerRow.model_fields if name != "erased"),
    grower.c.erased_at.is_not(None).label("erased"),
]


def own_fields(scope: Scope) -> sa.ColumnElement[bool]:
    """Whether a field is the caller's: of the laboratory, and of one of the counties."""
    mine = field.c.laboratory_id == scope.laboratory_id
    return mine if scope.counties is None else mine & field.c.county_id.in_(sorted(scope.counties))


def own_among(scope: Scope) -> sa.ColumnElement[bool]:
    """The same where rows are chosen by their ids.

    SQLite would go through all fields of the laboratory once there are more than a few ids: a sum in the
    place of the column keeps it from the index.
    """
    mine = field.c.laboratory_id + 0 == scope.laboratory_id
    return mine if scope.counties is None else mine & field.c.county_id.in_(sorted(scope.counties))


def own_growers(scope: Scope) -> sa.ColumnElement[bool]:
    """Whether a grower is the caller's: of the laboratory, and with a field in one of the counties."""
    mine = grower.c.laboratory_id == scope.laboratory_id
    if scope.counties is None:
        return mine
    some = sa.select(farm.c.grower_id).join(field, field.c.farm_id == farm.c.id).where(own_fields(scope))
    return mine & grower.c.id.in_(some)


def having_words(scope: Scope, search: str) -> list[sa.ColumnElement[bool]]:
    """Conditions on a field: every word of a search begins a word of the field, its farm or its grower."""
    conditions: list[sa.ColumnElement[bool]] = []
    for word in search_words(search).split()[:6]:
        pattern = f"% {word}%"
        farms = (
            sa.select(farm.c.id)
            .join(grower, farm.c.grower_id == grower.c.id)
            .where(grower.c.laboratory_id == scope.laboratory_id)
            .where(farm.c.words.like(pattern) | grower.c.words.like(pattern))
        )
        conditions.append(field.c.words.like(pattern) | field.c.farm_id.in_(farms))
    return conditions


def find_fields(look: Look, search: str, *, skip: int = 0, most: int = 50) -> tuple[FieldInList, ...]:
    """Fields whose own, farm's or grower's words match, in the order of their names."""
    found = _matching(look, search).order_by(field.c.words, field.c.id).offset(skip).limit(most)
    return tuple(FieldInList(**row) for row in look.connection.execute(found).mappings())


def fields_after(look: Look, search: str, after: int, most: int) -> tuple[FieldInList, ...]:
    """The same in the order of their ids, from behind one on."""
    found = _matching(look, search).where(field.c.id > after).order_by(field.c.id).limit(most)
    return tuple(FieldInList(**row) for row in look.connection.execute(found).mappings())


def _matching(look: Look, search: str) -> sa.Select[Any]:
    return (
        sa.select(*_FIELD, _LAST_VISIT)
        .select_from(_WHOLE)
        .where(own_fields(look.scope), *having_words(look.scope, search))
    )


def growers_after(look: Look, search: str, after: int, most: int) -> tuple[GrowerRow, ...]:
    """Growers whose name or code matches, in the order of their ids, from behind one on."""
    words = [grower.c.words.like(f"% {word}%") for word in search_words(search).split()[:6]]
    found = (
        sa.select(*_GROWER)
        .where(own_growers(look.scope), grower.c.id > after, *words)
        .order_by(grower.c.id)
        .limit(most)
    )
    return tuple(GrowerRow(**row) for row in look.connection.execute(found).mappings())


def the_grower(look: Look, grower_id: int) -> GrowerRow:
    """One grower.

    Raises
    ------
    NotFound
        If there is none in the caller's scope.
    """
    found = sa.select(*_GROWER).where(grower.c.id == grower_id, own_growers(look.scope))
    row = look.connection.execute(found).mappings().one_or_none()
    if row is None:
        raise absent("grower")
    return GrowerRow(**row)


def farms_of(look: Look, grower_id: int) -> tuple[FarmRow, ...]:
    """Farms of a grower by name; only those with a field of the caller's, where the scope has counties."""
    found = sa.select(farm.c.id, farm.c.name).where(farm.c.grower_id == grower_id)
    if look.scope.counties is not None:
        found = found.where(farm.c.id.in_(sa.select(field.c.farm_id).where(own_fields(look.scope))))
    rows = look.connection.execute(found.order_by(farm.c.name, farm.c.id)).mappings()
    return tuple(FarmRow(**row) for row in rows)


def fields_of(look: Look, grower_id: int, most: int) -> tuple[FieldInList, ...]:
    """Fields of a grower, farm by farm."""
    found = (
        sa.select(*_FIELD, _LAST_VISIT)
        .select_from(_WHOLE)
        .where(own_fields(look.scope), farm.c.grower_id == grower_id)
        .order_by(farm.c.name, farm.c.id, field.c.name, field.c.id)
        .limit(most)
    )
    return tuple(FieldInList(**row) for row in look.connection.execute(found).mappings())


def the_field(look: Look, field_id: int) -> FieldOnMap:
    """One field.

    Raises
    ------
    NotFound
        If there is none in the caller's scope.
    """
    scope = look.scope
    given = {"field_id": field_id, "laboratory_id": scope.laboratory_id}
    if scope.counties is None:
        row = look.connection.execute(_ONE, given).mappings().one_or_none()
    else:
        among = given | {"counties": sorted(scope.counties)}
        row = look.connection.execute(_ONE_OF_COUNTIES, among).mappings().one_or_none()
    if row is None:
        raise absent("field")
    return FieldOnMap(**row)


def field_of_code(look: Look, code: str) -> int | None:
    """Id of the field of a code, whatever its capital letters; None where the caller has none."""
    found = sa.select(field.c.id).where(own_fields(look.scope), field.c.code_folded == code.casefold())
    return look.connection.execute(found).scalar_one_or_none()


def counties(look: Look) -> tuple[tuple[str, str, str], ...]:
    """Counties of the caller, as id, name and region; all of them where the scope has none."""
    found = sa.select(county.c.id, county.c.name, county.c.region).order_by(county.c.name, county.c.id)
    if look.scope.counties is not None:
        found = found.where(county.c.id.in_(sorted(look.scope.counties)))
    return tuple((row.id, row.name, row.region) for row in look.connection.execute(found))


# ------------------------------------------------------------------------------------------- changes


def change_grower(look: Look, before: GrowerRow, values: Mapping[str, Any]) -> None:
    """Write some columns of a grower, and the words it is found by."""
    written = {**values, "words": search_words(values.get("name", before.name), before.code or "")}
    look.connection.execute(grower.update().where(grower.c.id == before.id).values(written))


def change_farm(look: Look, farm_id: int, name: str) -> None:
    """Give a farm another name."""
    written = {"name": name, "words": search_words(name)}
    look.connection.execute(farm.update().where(farm.c.id == farm_id).values(written))


def change_field(look: Look, before: FieldRow, values: Mapping[str, Any]) -> None:
    """Write some columns of a field, and the words it is found by."""
    written = {**values, "words": search_words(values.get("name", before.name), before.code)}
    if "outline" in written and written["outline"] is None:
        written["outline"] = sa.null()
    look.connection.execute(field.update().where(field.c.id == before.id).values(written))


def absent(kind: str) -> NotFound:
    """What is answered for a thing that is not there, or not the caller's."""
    return NotFound(
        f"there is no such {kind}",
        expected=f"a {kind} of your own",
        fix="look at the address again; it may belong to somebody else, or be gone",
    )
