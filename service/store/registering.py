"""Growers, farms, fields, samplings and samples as a list registers them: looked up and written in bulk."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from service.store.database import Change, Look
from service.store.land import own_growers
from service.store.schema import county, farm, field, grower, sample, sampling, waiting_cup
from service.store.values import chunks


@dataclass(frozen=True)
class KnownField:
    """A field of the laboratory, of any county: a code stands for one field."""

    id: int
    code: str
    name: str
    region: str
    county_id: str | None
    farm_id: int
    farm_name: str
    grower_id: int
    grower_code: str | None
    grower_name: str


@dataclass(frozen=True)
class KnownGrower:
    """A grower who has a number; ``own`` where the caller may know them."""

    id: int
    name: str
    own: bool


def fields_by_code(look: Look, codes: Iterable[str]) -> dict[str, KnownField]:
    """Fields of the laboratory by folded code."""
    found: dict[str, KnownField] = {}
    for some in chunks(sorted(codes)):
        rows = look.connection.execute(
            sa.select(
                field.c.code_folded, field.c.id, field.c.code, field.c.name, field.c.region,
                field.c.county_id, field.c.farm_id, farm.c.name.label("farm_name"), farm.c.grower_id,
                grower.c.code.label("grower_code"), grower.c.name.label("grower_name"),
            )
            .join(farm, field.c.farm_id == farm.c.id)
            .join(grower, farm.c.grower_id == grower.c.id)
            .where(field.c.laboratory_id == look.scope.laboratory_id, field.c.code_folded.in_(some))
        )  # fmt: skip
        for row in rows:
            code, *values = row
            found[code] = KnownField(*values)
    return found


def growers_by_code(look: Look, codes: Iterable[str]) -> dict[str, KnownGrower]:
    """Growers of the laboratory by their number."""
    found: dict[str, KnownGrower] = {}
    for some in chunks(sorted(codes)):
        rows = look.connection.execute(
            sa.select(grower.c.code, grower.c.id, grower.c.name, own_growers(look.scope).label("own")).where(
                grower.c.laboratory_id == look.scope.laboratory_id, grower.c.code.in_(some)
            )
        )
        found |= {row.code: KnownGrower(row.id, row.name, bool(row.own)) for row in rows}
    return found


def farms_of(look: Look, grower_ids: Iterable[int]) -> dict[tuple[int, str], int]:
    """Farms by grower and folded name."""
    found: dict[tuple[int, str], int] = {}
    for some in chunks(sorted(grower_ids)):
        rows = look.connection.execute(
            sa.select(farm.c.grower_id, farm.c.name, farm.c.id)
            .join(grower, farm.c.grower_id == grower.c.id)
            .where(grower.c.laboratory_id == look.scope.laboratory_id, farm.c.grower_id.in_(some))
            .order_by(farm.c.id.desc())  # the oldest of one name wins
        )
        found |= {(row.grower_id, row.name.casefold()): row.id for row in rows}
    return found


def taken_numbers(look: Look, numbers: Iterable[str]) -> list[str]:
    """Those of some lab numbers that the laboratory has given already."""
    taken: list[str] = []
    for some in chunks(numbers):
        taken += look.connection.scalars(
            sa.select(sample.c.lab_number).where(
                sample.c.laboratory_id == look.scope.laboratory_id, sample.c.lab_number.in_(some)
            )
        )
    return taken


def regions_of_counties(look: Look, ids: Iterable[str]) -> dict[str, str]:
    """Region of each county that there is."""
    rows = look.connection.execute(
        sa.select(county.c.id, county.c.region).where(county.c.id.in_(sorted(ids)))
    )
    return {row.id: row.region for row in rows}


def waiting_among(look: Look, numbers: Iterable[str]) -> dict[int, int]:
    """Released runs with cups that wait for these lab numbers, and how many."""
    found: dict[int, int] = {}
    for some in chunks(numbers):
        rows = look.connection.execute(
            sa.select(waiting_cup.c.run_id, sa.func.count())
            .where(
                waiting_cup.c.laboratory_id == look.scope.laboratory_id, waiting_cup.c.lab_number.in_(some)
            )
            .group_by(waiting_cup.c.run_id)
        )
        for run_id, count in rows:
            found[run_id] = found.get(run_id, 0) + count
    return found


# ---------------------------------------------------------------------------------------------- writing


def add_growers(change: Change, rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """Add growers of the caller's laboratory; returns their ids in order."""
    shared = {"laboratory_id": change.scope.laboratory_id, "created_at": change.now}
    return _add(change, grower, [{**row, **shared} for row in rows])


def add_farms(change: Change, rows: Sequence[tuple[int, str]]) -> list[int]:
    """Add farms, as id of the grower and name; returns their ids in order."""
    return _add(change, farm, [{"grower_id": grower_id, "name": name} for grower_id, name in rows])


def add_fields(change: Change, rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """Add fields of the caller's laboratory; returns their ids in order."""
    shared = {"laboratory_id": change.scope.laboratory_id, "created_at": change.now}
    return _add(change, field, [{**row, "code_folded": row["code"].casefold(), **shared} for row in rows])


def place_field(change: Change, field_id: int, county_id: str) -> None:
    """Write the county of a field of the caller's laboratory."""
    own = (field.c.id == field_id) & (field.c.laboratory_id == change.scope.laboratory_id)
    change.connection.execute(field.update().where(own).values(county_id=county_id))


def add_samplings(change: Change, rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """Add samplings; returns their ids in order."""
    shared = {"registered_at": change.now, "registered_by": change.caller.name}
    return _add(change, sampling, [{**row, **shared} for row in rows])


def add_samples(change: Change, rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """Add samples of the caller's laboratory; returns their ids in order."""
    shared = {"laboratory_id": change.scope.laboratory_id}
    return _add(change, sample, [{**row, **shared} for row in rows])


def _add(change: Change, table: sa.Table, rows: list[dict[str, Any]]) -> list[int]:
    """Insert rows in one statement; ids are taken beforehand: only one engine returns them all at once."""
    ids = _new_ids(change, table, len(rows))
    if rows:
        said = [name for name in rows[0] if any(row[name] not in (None, "") for row in rows)]
        written = [
            {"id": new, **{name: row[name] for name in said}} for row, new in zip(rows, ids, strict=True)
        ]  # what no row says is left to the table, which costs the engine's driver nothing
        change.connection.execute(table.insert(), written)
    return ids


def _new_ids(change: Change, table: sa.Table, count: int) -> list[int]:
    """Take so many new ids: from PostgreSQL's sequence, or behind the last one where there is one writer."""
    if change.connection.dialect.name == "postgresql":
        sequence = sa.func.pg_get_serial_sequence(table.name, "id")
        taken = sa.select(sa.func.nextval(sequence)).select_from(sa.func.generate_series(1, count))
        return list(change.connection.scalars(taken))
    last = change.connection.scalar(sa.select(sa.func.coalesce(sa.func.max(table.c.id), 0))) or 0
    return list(range(last + 1, last + 1 + count))
