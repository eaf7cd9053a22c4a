"""Soil values: written once, superseded by newer ones, never changed otherwise."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TypeVar

import pandas as pd
import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.store.database import Change, Look
from service.store.schema import run, sample, soil_value

Item = TypeVar("Item")
AT_ONCE = 500  # values in one condition: every engine takes so many


@dataclass(frozen=True)
class NewValue:
    """One soil value to be stored; exactly one of ``value`` and ``below`` is given."""

    sample_id: int
    analyte: str
    form: str
    method: str
    value: float | None
    below: float | None
    unit: str
    basis: str
    standard_uncertainty: float | None
    origin: str
    run_id: int | None = None  # None: typed


class ValueRow(BaseModel):
    """One soil value as it is stored, standing or superseded."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    sample_id: int
    run_id: int | None
    run_name: str | None  # the laboratory's name of the run
    analyte: str
    form: str
    method: str
    value: float | None
    below: float | None
    unit: str
    basis: str
    standard_uncertainty: float | None
    origin: str
    released_at: datetime
    released_by: str
    superseded_at: datetime | None
    superseded_by: int | None  # None of one that was withdrawn, too


@dataclass(frozen=True)
class Put:
    """How many values were stored, and how many older ones they supersede."""

    stored: int
    superseded: int


def chunks(items: Iterable[Item], size: int = AT_ONCE) -> Iterator[list[Item]]:
    """Cut a list into pieces that fit into one condition."""
    every = list(items)
    for start in range(0, len(every), size):
        yield every[start : start + size]


def new_values(frame: pd.DataFrame, ids: Mapping[str, int], run_id: int | None = None) -> list[NewValue]:
    """Rows to be stored, from a frame of ``interpretation.soil_values`` and the sample of each lab number."""

    def known(number: float) -> float | None:
        return None if number != number else float(number)

    return [
        NewValue(
            ids[row["lab_number"]], row["analyte"], row["form"], row["method"], known(row["value"]),
            known(row["below"]), row["unit"], row["basis"], known(row["standard_uncertainty"]),
            row["origin"], run_id,
        )
        for row in frame.to_dict("records")
    ]  # fmt: skip


def put(change: Change, rows: Sequence[NewValue]) -> Put:
    """Store soil values; the standing value of the same sample, analyte and method is superseded.

    Both are kept, and the older one points at the newer.

    Parameters
    ----------
    change
        An open change; the caller has seen to it that the samples are its own.
    rows
        At most one for each sample, analyte and method.

    Raises
    ------
    Conflict
        When the transaction finds that somebody else has just stored a value of the same kind.
    """
    if not rows:
        return Put(0, 0)
    standing = _standing(change, {(row.sample_id, row.analyte, row.method) for row in rows})
    older = [number for number, _ in standing]
    for some in chunks(older):  # first, because only one value of a kind may stand
        change.connection.execute(
            soil_value.update().where(soil_value.c.id.in_(some)).values(superseded_at=change.now)
        )
    written = {"released_at": change.now, "released_by": change.caller.name}
    change.connection.execute(soil_value.insert(), [asdict(row) | written for row in rows])
    newer = soil_value.alias("newer")
    for some in chunks(older):
        change.connection.execute(
            soil_value.update()
            .where(soil_value.c.id.in_(some))
            .values(
                superseded_by=sa.select(newer.c.id)
                .where(
                    newer.c.sample_id == soil_value.c.sample_id,
                    newer.c.analyte == soil_value.c.analyte,
                    newer.c.method == soil_value.c.method,
                    newer.c.superseded_at.is_(None),
                )
                .scalar_subquery()
            )
        )
    return Put(len(rows), len(older))


def withdraw(change: Change, sample_id: int, value_id: int) -> bool:
    """Let a typed value of a sample stand no more, without one in its place; False if none such stands."""
    done = change.connection.execute(
        soil_value.update()
        .where(
            soil_value.c.id == value_id,
            soil_value.c.sample_id == sample_id,
            soil_value.c.run_id.is_(None),
            soil_value.c.superseded_at.is_(None),
        )
        .values(superseded_at=change.now)
    )
    return done.rowcount == 1


def standing_keys(
    look: Look, keys: set[tuple[int, str, str]], runs: Collection[int] | None = None
) -> set[tuple[int, str, str]]:
    """Those of some samples, analytes and methods that have a value already; with ``runs``, one of these."""
    return {key for _, key in _standing(look, keys, runs)}


def _standing(
    look: Look, keys: set[tuple[int, str, str]], runs: Collection[int] | None = None
) -> list[tuple[int, tuple[int, str, str]]]:
    """Ids of the standing values of these samples, analytes and methods, with these."""
    kind = (soil_value.c.sample_id, soil_value.c.analyte, soil_value.c.method)
    found = []
    for some in chunks(sorted({key[0] for key in keys})):
        rows = look.connection.execute(
            sa.select(soil_value.c.id, *kind).where(
                soil_value.c.sample_id.in_(some),
                soil_value.c.superseded_at.is_(None),
                sa.true() if runs is None else soil_value.c.run_id.in_(sorted(runs)),
            )
        )
        found += [(row.id, key) for row in rows if (key := (row.sample_id, row.analyte, row.method)) in keys]
    return found


def of_samples(look: Look, sample_ids: Sequence[int]) -> tuple[ValueRow, ...]:
    """Every value of samples the caller has been shown to own; standing ones before superseded."""
    found: list[ValueRow] = []
    for some in chunks(sample_ids):
        rows = look.connection.execute(
            sa.select(*(soil_value.c[name] for name in ValueRow.model_fields if name != "run_name"))
            .add_columns(run.c.run_id.label("run_name"))
            .outerjoin(run, soil_value.c.run_id == run.c.id)
            .where(soil_value.c.sample_id.in_(some))
            .order_by(
                soil_value.c.sample_id, soil_value.c.superseded_at.is_not(None), soil_value.c.analyte,
                soil_value.c.id.desc(),
            )
        )  # fmt: skip
        found += [ValueRow.model_validate(row._asdict()) for row in rows]
    return tuple(found)


def released_of_run(look: Look, run_id: int) -> dict[str, tuple[int, bool]]:
    """Lab number -> id of the sample and whether the value still stands, for all values of one run."""
    rows = look.connection.execute(
        sa.select(sample.c.lab_number, sample.c.id, soil_value.c.superseded_at)
        .join(sample, soil_value.c.sample_id == sample.c.id)
        .where(soil_value.c.run_id == run_id, sample.c.laboratory_id == look.scope.laboratory_id)
    )
    return {row.lab_number: (row.id, row.superseded_at is None) for row in rows}
