"""What waits for a person: counted and listed on indexes, never over everything there is."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

import sqlalchemy as sa

from service.store.database import Look
from service.store.land import own_fields
from service.store.schema import farm, field, grower, report, run, sample, sampling, soil_value, waiting_cup

NEWEST = 5_000  # visits that are looked through: an older one without a report is no work that waits


class WaitingVisit(NamedTuple):
    """One visit that has values and no report."""

    id: int
    sampled_on: date
    crop: str
    field_name: str
    grower_name: str


def runs_by_state(look: Look) -> dict[str, int]:
    """How many runs of the laboratory are in each state that somebody still has to do something about."""
    rows = look.connection.execute(
        sa.select(run.c.state, sa.func.count())
        .where(
            run.c.laboratory_id == look.scope.laboratory_id,
            run.c.state.in_(("read", "confirmed", "accepted", "held")),
        )
        .group_by(run.c.state)
    )
    return {row[0]: row[1] for row in rows}


def cups(look: Look) -> int:
    """How many cups of released runs wait for their sample to be registered."""
    own = waiting_cup.c.laboratory_id == look.scope.laboratory_id
    return look.connection.execute(
        sa.select(sa.func.count()).select_from(waiting_cup).where(own)
    ).scalar_one()


def visits(look: Look, most: int) -> list[WaitingVisit]:
    """The newest visits that have values and no report."""
    newest = sa.select(sa.func.max(sampling.c.id)).scalar_subquery()
    has_value = (
        sa.select(soil_value.c.id)
        .join(sample, soil_value.c.sample_id == sample.c.id)
        .where(sample.c.sampling_id == sampling.c.id, soil_value.c.superseded_at.is_(None))
    )
    # Asked of each visit, so that the newest visits are gone through and not all fields there are.
    is_own = (
        sa.select(field.c.id)
        .where(field.c.id == sampling.c.field_id, own_fields(look.scope))
        .correlate(sampling)
    )
    has_report = sa.select(report.c.id).where(report.c.sampling_id == sampling.c.id)
    rows = look.connection.execute(
        sa.select(
            sampling.c.id, sampling.c.sampled_on, sampling.c.crop,
            sa.case((field.c.name == "", field.c.code), else_=field.c.name), grower.c.name,
        )
        .join(field, sampling.c.field_id == field.c.id)
        .join(farm, field.c.farm_id == farm.c.id)
        .join(grower, farm.c.grower_id == grower.c.id)
        .where(
            is_own.exists(), sampling.c.id > newest - NEWEST, has_value.exists(), ~has_report.exists(),
            grower.c.erased_at.is_(None),
        )
        .order_by(sampling.c.id.desc())
        .limit(most)
    )  # fmt: skip
    return [WaitingVisit._make(row) for row in rows]
