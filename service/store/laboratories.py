"""Laboratories and counties, as the administrator keeps them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.store.database import Look
from service.store.schema import county, laboratory


class Laboratory(BaseModel):
    """A laboratory and what it prints about itself."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    name: str
    card: dict[str, Any]  # fields of reports.view.LaboratoryCard, without what is one page's
    created_at: datetime


class County(BaseModel):
    """A county and the region whose tables are used there."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: str
    name: str
    region: str


def laboratories(look: Look) -> tuple[Laboratory, ...]:
    """All laboratories by name."""
    rows = look.connection.execute(_laboratories().order_by(laboratory.c.name)).mappings()
    return tuple(Laboratory.model_validate(dict(row)) for row in rows)


def laboratory_by_id(look: Look, laboratory_id: int) -> Laboratory | None:
    """One laboratory."""
    chosen = _laboratories().where(laboratory.c.id == laboratory_id)
    row = look.connection.execute(chosen).mappings().one_or_none()
    return None if row is None else Laboratory.model_validate(dict(row))


def _laboratories() -> sa.Select[*tuple[Any, ...]]:
    return sa.select(laboratory.c.id, laboratory.c.name, laboratory.c.card, laboratory.c.created_at)


def add_laboratory(look: Look, card: dict[str, Any]) -> int:
    """Add a laboratory; returns its id."""
    added: int = look.connection.execute(
        laboratory.insert()
        .values(name=card["name"], card=card, created_at=look.now)
        .returning(laboratory.c.id)
    ).scalar_one()
    return added


def change_laboratory(look: Look, laboratory_id: int, card: dict[str, Any]) -> None:
    """Give a laboratory another card; reports already issued keep theirs."""
    look.connection.execute(
        laboratory.update().where(laboratory.c.id == laboratory_id).values(name=card["name"], card=card)
    )


def counties(look: Look) -> tuple[County, ...]:
    """All counties by name."""
    rows = look.connection.execute(sa.select(county).order_by(county.c.name, county.c.id)).mappings()
    return tuple(County.model_validate(dict(row)) for row in rows)


def add_county(look: Look, added: County) -> None:
    """Add a county."""
    look.connection.execute(county.insert().values(added.model_dump()))


def set_limits(look: Look, laboratory_id: int, limits: str) -> None:
    """Give a laboratory its own acceptance limits, as YAML; the empty text stands for the shipped ones."""
    look.connection.execute(laboratory.update().where(laboratory.c.id == laboratory_id).values(limits=limits))
