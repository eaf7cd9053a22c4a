"""Issued reports: written once, replaced by newer ones, never changed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict

from service.store.database import Change, Look
from service.store.land import absent, having_words, own_fields
from service.store.schema import farm, field, grower, laboratory, report, sample, sampling, soil_value


class ReportRow(BaseModel):
    """One issued report, with the field it is of."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: int
    report_id: str  # as printed
    visit_id: int
    field_id: int
    field_code: str
    field_name: str
    farm_name: str
    grower_id: int
    grower_name: str
    sampled_on: date
    issued_on: date
    issued_at: datetime
    issued_by: str
    crop: str
    language: str
    units: str
    paper: str
    tables_sha256: str
    document_sha256: str
    region_release_id: int | None  # None in reports older than releases
    shared_release_id: int | None
    replaces: int | None
    replaces_report: str | None  # as printed
    replaced_by: int | None
    replaced_by_report: str | None

    @property
    def called(self) -> str:
        """Name of the field, or its code where it has none."""
        return self.field_name or self.field_code


_earlier, _later = report.alias("earlier"), report.alias("later")
_OWN = (
    "id", "report_id", "issued_on", "issued_at", "issued_by", "crop", "language", "units", "paper",
    "tables_sha256", "document_sha256", "region_release_id", "shared_release_id", "replaces",
)  # fmt: skip
_REPORT = (
    sa.select(
        *(report.c[name] for name in _OWN), report.c.sampling_id.label("visit_id"), sampling.c.field_id,
        field.c.code.label("field_code"), field.c.name.label("field_name"),
        farm.c.name.label("farm_name"), farm.c.grower_id, grower.c.name.label("grower_name"),
        sampling.c.sampled_on, _earlier.c.report_id.label("replaces_report"),
        _later.c.id.label("replaced_by"), _later.c.report_id.label("replaced_by_report"),
    )
    .select_from(
        report.join(sampling, report.c.sampling_id == sampling.c.id)
        .join(field, sampling.c.field_id == field.c.id)
        .join(farm, field.c.farm_id == farm.c.id)
        .join(grower, farm.c.grower_id == grower.c.id)
        .outerjoin(_earlier, _earlier.c.id == report.c.replaces)
        .outerjoin(_later, _later.c.replaces == report.c.id)
    )
)  # fmt: skip


def find_reports(look: Look, search: str, *, skip: int = 0, most: int = 50) -> tuple[ReportRow, ...]:
    """Reports of an identity, or of fields whose words match; newest first."""
    chosen = _own(look)
    if search.strip():
        chosen = chosen.where(_sought(look, search))
    return _rows(look, chosen.order_by(report.c.id.desc()).offset(skip).limit(most))


def reports_after(look: Look, after: int, most: int, search: str = "") -> tuple[ReportRow, ...]:
    """Reports in the order in which they were issued, from behind one on."""
    chosen = _own(look).where(report.c.id > after)
    if search.strip():
        chosen = chosen.where(_sought(look, search))
    return _rows(look, chosen.order_by(report.c.id).limit(most))


def standing_ids(look: Look, search: str, up_to: int, most: int) -> tuple[int, ...]:
    """Ids of reports that match a search and that no other has replaced, up to one of them or to the last."""
    chosen = _own(look).where(_later.c.id.is_(None))
    if search.strip():
        chosen = chosen.where(_sought(look, search))
    if up_to:
        chosen = chosen.where(report.c.id <= up_to)
    ids = chosen.with_only_columns(report.c.id).order_by(report.c.id).limit(most)
    return tuple(look.connection.scalars(ids))


def of_visit(look: Look, visit_id: int) -> tuple[ReportRow, ...]:
    """Reports of one visit, oldest first."""
    return _rows(look, _own(look).where(report.c.sampling_id == visit_id).order_by(report.c.id))


def of_visits(look: Look, visit_ids: Sequence[int]) -> dict[int, tuple[ReportRow, ...]]:
    """Reports of several visits, oldest first; a visit without any is left out."""
    found: dict[int, tuple[ReportRow, ...]] = {}
    for row in _rows(look, _own(look).where(report.c.sampling_id.in_(visit_ids)).order_by(report.c.id)):
        found[row.visit_id] = (*found.get(row.visit_id, ()), row)
    return found


def the_report(look: Look, report_id: int) -> ReportRow:
    """One report.

    Raises
    ------
    NotFound
        If there is none in the caller's scope.
    """
    found = _rows(look, _own(look).where(report.c.id == report_id))
    if not found:
        raise absent("report")
    return found[0]


def is_overtaken(look: Look, row: ReportRow) -> bool:
    """Whether a value of the visit came, or stands no more, since a report of the caller's was issued."""
    newer = (
        sa.select(soil_value.c.id)
        .join(sample, soil_value.c.sample_id == sample.c.id)
        .where(sample.c.sampling_id == row.visit_id)
        .where((soil_value.c.released_at > row.issued_at) | (soil_value.c.superseded_at > row.issued_at))
    )
    return look.connection.execute(newer.limit(1)).one_or_none() is not None


def in_turn(change: Change) -> None:
    """Wait until nobody else writes or erases reports of the laboratory; nobody does until this change ends.

    Reports of one laboratory are written one after the other. Two of one crop can then not both stand, none
    escapes who erases a grower, and whoever reads them by rising id misses none: without that a lower id
    could become visible after a higher one was read.
    """
    own = laboratory.c.id == change.scope.laboratory_id
    change.connection.execute(sa.select(laboratory.c.id).where(own).with_for_update())


def add(change: Change, values: dict[str, Any]) -> int:
    """Write a report in one's turn, see :func:`in_turn`; returns its id."""
    in_turn(change)
    added: int = change.connection.execute(
        report.insert()
        .values(**values, laboratory_id=change.scope.laboratory_id, issued_at=change.now)
        .returning(report.c.id)
    ).scalar_one()
    return added


def advice_of(look: Look, report_id: int) -> dict[str, Any]:
    """The advice of a report that the caller has been shown to own."""
    advice: dict[str, Any] = look.connection.execute(
        sa.select(report.c.advice).where(report.c.id == report_id)
    ).scalar_one()
    return advice


def _own(look: Look) -> sa.Select[Any]:
    return _REPORT.where(report.c.laboratory_id == look.scope.laboratory_id, own_fields(look.scope))


def _sought(look: Look, search: str) -> sa.ColumnElement[bool]:
    printed = "".join(letter for letter in search.strip().upper() if letter.isalnum() or letter == "-")
    identity = report.c.report_id.startswith(printed, autoescape=True) if printed else sa.false()
    return identity | sa.and_(sa.true(), *having_words(look.scope, search))


def _rows(look: Look, chosen: sa.Select[Any]) -> tuple[ReportRow, ...]:
    return tuple(ReportRow(**row) for row in look.connection.execute(chosen).mappings())
