"""Past samples of a region and their standing values, of every laboratory, read as columns.

An agronomist belongs to no laboratory and has no right to personal data: nothing here says whose a field is.
Rows are turned into columns a few at a time, so that a hundred thousand samples never lie in memory as a
million Python objects.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa
from numpy.typing import NDArray

from service.store.database import Look
from service.store.land import absent
from service.store.schema import audit, county, field, laboratory, sample, sampling, soil_value

AT_ONCE = 250  # rows that are Python objects at one time: four times as fast as with 20,000
KIND = ("analyte", "form", "method", "unit", "basis")
OF_TABLES = ("table-draft", "table-release", "account", "report")  # kinds of changes that no sample feels


@dataclass(frozen=True)
class Wanted:
    """Which samples of a region: of these years, counties, crops and visits; nothing named: of all."""

    region: str
    years: tuple[int, ...] = ()
    counties: tuple[str, ...] = ()
    crops: tuple[str, ...] = ()
    visits: tuple[int, ...] = ()


@dataclass(frozen=True)
class Choices:
    """What samples of a region can be chosen by; a county by its id and name."""

    years: tuple[int, ...]
    counties: tuple[tuple[str, str], ...]
    crops: tuple[str, ...]


@dataclass(frozen=True)
class PlaceRow:
    """Where a visit was made, without whose field it is."""

    visit_id: int
    field_id: int
    field_code: str
    county_name: str | None
    laboratory_id: int
    laboratory_name: str
    area_ha: float | None
    crop: str
    sampled_on: date
    example: bool


_BETWEEN = "|"  # five texts are read as one; it stands in no name of an analyte, form, method, unit or basis
_VISIT = sampling.join(field, sampling.c.field_id == field.c.id)
_SAMPLE = sample.join(_VISIT, sample.c.sampling_id == sampling.c.id)
_OF_SAMPLE = (
    sample.c.id.label("sample_id"), sampling.c.id.label("visit_id"), sampling.c.field_id,
    *(sample.c[name] for name in (
        "sampled_on", "depth_from_cm", "depth_to_cm", "bulk_density_g_per_cm3", "lime_percent", "texture",
        "soil_group",
    )),
    *(sampling.c[name] for name in (
        "crop", "yield_unit", "previous_crop", "yield_goal", "manure_n_kg_per_ha", "manure_p2o5_kg_per_ha",
        "manure_k2o_kg_per_ha", "manured_since_harvest", "manured_in_three_years", "near_water",
    )),
    field.c.area_ha,
)  # fmt: skip
_PRINTED = (field.c.laboratory_id, sample.c.lab_number, sample.c.cores, sample.c.received_on)
_TEXTS = ("texture", "soil_group", "crop", "yield_unit", "previous_crop")
_TYPES = {
    "sample_id": "int64", "visit_id": "int64", "field_id": "int64", "laboratory_id": "int64",
    "sampled_on": "datetime64[D]", "received_on": "datetime64[D]",
}  # fmt: skip


def choices(look: Look, region: str) -> Choices:
    """What there is to choose by."""
    first, last = look.connection.execute(
        sa.select(sa.func.min(sampling.c.sampled_on), sa.func.max(sampling.c.sampled_on))
        .select_from(_VISIT)
        .where(field.c.region == region)
    ).one()
    crops = look.connection.execute(
        sa.select(sampling.c.crop).select_from(_VISIT).where(field.c.region == region).distinct()
    ).scalars()
    counties = look.connection.execute(
        sa.select(county.c.id, county.c.name).where(county.c.region == region).order_by(county.c.name)
    )
    return Choices(
        tuple(range(last.year, first.year - 1, -1)) if last else (),
        tuple((row.id, row.name) for row in counties), tuple(sorted(crops)),
    )  # fmt: skip


def count(look: Look, wanted: Wanted) -> int:
    """How many samples there are, with values or without."""
    return look.connection.execute(
        sa.select(sa.func.count(sample.c.id)).select_from(_SAMPLE).where(*_conditions(wanted))
    ).scalar_one()


def newest(look: Look) -> tuple[int, int]:
    """A mark that is another one as soon as a value, a sample, a plan or a field has changed."""
    change = sa.select(audit.c.id).where(audit.c.kind.not_in(OF_TABLES)).order_by(audit.c.id.desc()).limit(1)
    value = look.connection.execute(sa.select(sa.func.max(soil_value.c.id))).scalar()
    return look.connection.execute(change).scalar() or 0, value or 0


def samples_of(look: Look, wanted: Wanted, *, whole: bool = False) -> pd.DataFrame:
    """Samples, by their ids: visit, field, and what must be known of a sample before advice is given.

    Parameters
    ----------
    wanted
        The caller has been shown to be this region's.
    whole
        With what only a report prints: laboratory, number, cores, day of receipt.
    """
    columns = (*_OF_SAMPLE, *_PRINTED) if whole else _OF_SAMPLE
    chosen = sa.select(*columns).select_from(_SAMPLE).where(*_conditions(wanted)).order_by(sample.c.id)
    texts: dict[str, dict[str, int]] = {name: {} for name in (*_TEXTS, *(("lab_number",) if whole else ()))}
    parts: dict[str, list[NDArray[Any]]] = {column.name: [] for column in columns}
    for rows in _some(look, chosen):
        for (name, into), found in zip(parts.items(), zip(*rows, strict=True), strict=True):
            codes = texts.get(name)
            into.append(
                np.array(found, _TYPES.get(name, "float64")) if codes is None else _coded(found, codes)
            )
    made: dict[str, Any] = {}
    for name, into in parts.items():
        if name in texts:
            made[name] = _words(list(texts[name]), _joined(into, "int32"))
        else:
            made[name] = _joined(into, _TYPES.get(name, "float64"))
    return pd.DataFrame(made, copy=False)


def values_of(
    look: Look, wanted: Wanted, *, analytes: Collection[str] | None = None,
    ids: tuple[int, int] | None = None, whole: bool = False,
) -> pd.DataFrame:  # fmt: skip
    """Standing values of samples.

    Parameters
    ----------
    analytes
        Only values of these; None: of all.
    ids
        Only values of samples from one id to another.
    whole
        With their uncertainty and origin.
    """
    conditions = _conditions(wanted)
    if ids is not None:
        conditions.append(sample.c.id.between(*ids))
    of_these = sa.select(sample.c.id).select_from(_SAMPLE).where(*conditions)
    chosen = [soil_value.c.superseded_at.is_(None), soil_value.c.sample_id.in_(of_these)]
    if ids is not None:
        chosen.append(soil_value.c.sample_id.between(*ids))
    if analytes is not None:
        chosen.append(soil_value.c.analyte.in_(sorted(analytes)))
    numbers = ("value", "below", "standard_uncertainty") if whole else ("value", "below")
    what = (*KIND, "origin") if whole else KIND
    in_one: sa.ColumnElement[str] = soil_value.c[what[0]]
    for name in what[1:]:
        in_one = in_one + _BETWEEN + soil_value.c[name]
    query = sa.select(soil_value.c.sample_id, *(soil_value.c[name] for name in numbers), in_one).where(
        *chosen
    )
    kinds: dict[str, int] = {}
    parts: list[list[NDArray[Any]]] = [[] for _ in range(2 + len(numbers))]
    for rows in _some(look, query.order_by(soil_value.c.sample_id) if whole else query):
        sample_id, *found, kind = zip(*rows, strict=True)
        parts[0].append(np.array(sample_id, dtype=np.int64))
        for into, one in zip(parts[1:], found, strict=False):
            into.append(np.array(one, dtype=np.float64))
        parts[-1].append(_coded(kind, kinds))
    made: dict[str, Any] = {"sample_id": _joined(parts[0], "int64")}
    made |= {name: _joined(into, "float64") for name, into in zip(numbers, parts[1:], strict=False)}
    code = _joined(parts[-1], "int32")
    split = [text.split(_BETWEEN, len(what) - 1) for text in kinds]
    made |= {name: _words([texts[place] for texts in split], code) for place, name in enumerate(what)}
    return pd.DataFrame(made, copy=False)


def places(look: Look, region: str, visit_ids: Sequence[int]) -> dict[int, PlaceRow]:
    """Where some visits of a region were made."""
    rows = look.connection.execute(
        sa.select(
            sampling.c.id.label("visit_id"), field.c.id.label("field_id"), field.c.code.label("field_code"),
            county.c.name.label("county_name"), laboratory.c.id.label("laboratory_id"),
            laboratory.c.name.label("laboratory_name"), field.c.area_ha, sampling.c.crop,
            sampling.c.sampled_on, sampling.c.example,
        )
        .select_from(
            _VISIT.join(laboratory, field.c.laboratory_id == laboratory.c.id).outerjoin(
                county, field.c.county_id == county.c.id
            )
        )
        .where(field.c.region == region, sampling.c.id.in_(visit_ids))
    )  # fmt: skip
    return {row.visit_id: PlaceRow(**row._asdict()) for row in rows}


def place(look: Look, region: str, visit_id: int) -> PlaceRow:
    """Where one visit was made.

    Raises
    ------
    NotFound
        If there is no such visit in the region.
    """
    found = places(look, region, [visit_id]).get(visit_id)
    if found is None:
        raise absent("visit")
    return found


def _conditions(wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = [field.c.region == wanted.region]
    if wanted.years:
        found.append(
            sa.or_(
                *(sample.c.sampled_on.between(date(year, 1, 1), date(year, 12, 31)) for year in wanted.years)
            )
        )
    if wanted.counties:
        found.append(field.c.county_id.in_(wanted.counties))
    if wanted.crops:
        found.append(sampling.c.crop.in_(wanted.crops))
    if wanted.visits:
        found.append(sampling.c.id.in_(wanted.visits))
    return found


def _some(look: Look, wanted: sa.Select[Any]) -> Iterator[Sequence[Any]]:
    """Rows, so few at a time that they stay where the processor reaches them at once."""
    found = look.connection.execute(wanted)
    while rows := found.fetchmany(AT_ONCE):
        yield rows


def _joined(parts: Sequence[NDArray[Any]], kind: str) -> NDArray[Any]:
    return np.concatenate([np.empty(0, dtype=kind), *parts])


def _coded(found: Sequence[str], codes: dict[str, int]) -> NDArray[np.int32]:
    """Number texts by a list of those that were met, which grows."""
    for text in sorted(set(found) - codes.keys()):
        codes[text] = len(codes)
    return np.fromiter(map(codes.__getitem__, found), np.int32, len(found))


def _words(texts: Sequence[str], codes: NDArray[Any]) -> pd.api.extensions.ExtensionArray:
    """A column of texts of which few are different."""
    return pd.array(texts, dtype="str").take(codes)
