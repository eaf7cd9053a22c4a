"""Reports with what their files are handed out by: those that a job issued, in its order, and any others."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa

from service.store.database import Look
from service.store.land import own_fields
from service.store.schema import county, farm, field, grower, job_item, report, sampling


@dataclass(frozen=True)
class IssuedFile:
    """One report of a job, and to whom it goes."""

    number: int
    file_name: str
    report: str  # as printed
    sha256: str
    county_name: str
    grower_id: int
    grower_name: str
    grower_address: str
    farm_name: str
    field_code: str
    field_name: str
    crop: str
    sampled_on: date
    issued_on: date
    language: str
    paper: str


_OF_REPORT = (
    report.join(sampling, report.c.sampling_id == sampling.c.id)
    .join(field, sampling.c.field_id == field.c.id)
    .join(farm, field.c.farm_id == farm.c.id)
    .join(grower, farm.c.grower_id == grower.c.id)
    .outerjoin(county, field.c.county_id == county.c.id)
)
_HOME = _OF_REPORT.join(job_item, job_item.c.report_id == report.c.id)
_COLUMNS = (
    report.c.report_id.label("report"),
    report.c.document_sha256.label("sha256"), sa.func.coalesce(county.c.name, "").label("county_name"),
    farm.c.grower_id, grower.c.name.label("grower_name"), grower.c.address.label("grower_address"),
    farm.c.name.label("farm_name"), field.c.code.label("field_code"), field.c.name.label("field_name"),
    report.c.crop, sampling.c.sampled_on, report.c.issued_on, report.c.language, report.c.paper,
)  # fmt: skip
_FILE = sa.select(job_item.c.number, job_item.c.file_name, *_COLUMNS).select_from(_HOME)


def issued(look: Look, job_id: int, *, after: int = 0, most: int = 50) -> tuple[IssuedFile, ...]:
    """Reports of a job that the caller has been shown to own, from behind a number on.

    Those of growers whose data were erased are left out.
    """
    chosen = _FILE.where(_handed_out(look, job_id), job_item.c.number > after)
    rows = look.connection.execute(chosen.order_by(job_item.c.number).limit(most)).mappings()
    return tuple(IssuedFile(**row) for row in rows)


def part(look: Look, job_id: int, *, skip: int, most: int) -> tuple[IssuedFile, ...]:
    """So many of the same, after so many others."""
    chosen = _FILE.where(_handed_out(look, job_id)).order_by(job_item.c.number).offset(skip).limit(most)
    return tuple(IssuedFile(**row) for row in look.connection.execute(chosen).mappings())


def count(look: Look, job_id: int) -> int:
    """How many they are."""
    chosen = sa.select(sa.func.count()).select_from(_HOME).where(_handed_out(look, job_id))
    return look.connection.execute(chosen).scalar_one()


def _handed_out(look: Look, job_id: int) -> sa.ColumnElement[bool]:
    return sa.and_(
        job_item.c.job_id == job_id, job_item.c.state == "done", job_item.c.file_name != "",
        grower.c.erased_at.is_(None), own_fields(look.scope),
    )  # fmt: skip


def of_reports(look: Look, report_ids: Collection[int]) -> tuple[IssuedFile, ...]:
    """Some of the caller's reports in the order of a route: county by county, grower by grower."""
    chosen = (
        sa.select(report.c.id.label("number"), sa.literal("").label("file_name"), *_COLUMNS)
        .select_from(_OF_REPORT)
        .where(report.c.id.in_(report_ids), grower.c.erased_at.is_(None), own_fields(look.scope))
        .order_by(
            sa.func.coalesce(county.c.name, ""), grower.c.name, grower.c.id, farm.c.name, field.c.code,
            report.c.id,
        )
    )  # fmt: skip
    return tuple(IssuedFile(**row) for row in look.connection.execute(chosen).mappings())
