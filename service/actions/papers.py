"""Values typed from any laboratory's paper: onto samples that are there, or with a visit made for them.

They pass the very checks of a list of samples and of a file of bench values, as rows of such a file.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field

from interpretation.agronomy.tables import TableSet
from interpretation.errors import SampleListError
from service.actions.advising import Plan, check_crops
from service.actions.registering import write_samples
from service.actions.samplelists import checked_list
from service.callers import Caller, Right
from service.characters import UNSEEN
from service.grids import Grid
from service.refusals import Conflict, Invalid
from service.samplefiles import bench_in, samples_in
from service.site import Site
from service.store import land, samples, values, visits
from service.store.database import Change
from service.store.land import absent
from service.store.values import NewValue, Put

MOST_SAMPLES, MOST_VALUES = 12, 200
LONGEST_REASON = 200
FORM = "the form"
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # none that is read as another
VALUE_COLUMNS = (
    "lab_number", "analyte", "form", "method", "value", "unit", "basis", "standard_uncertainty", "origin",
)  # fmt: skip
Cell = Field(default="", max_length=400)


class TypedValue(BaseModel):
    """One value of a paper as it is typed; ``sample`` is a lab number, or a walk-in's sample by its place."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    row: int = Field(default=0, ge=0, le=100_000, description="its row in the form, for messages; 0: counted")
    sample: str = Field(max_length=64)
    analyte: str = Cell
    form: str = Cell
    method: str = Cell
    value: str = Field(default="", max_length=40, description="a number, or a limit such as <0.5")
    unit: str = Cell
    basis: str = Cell
    standard_uncertainty: str = Field(default="", max_length=40)
    origin: str = Field(default="", max_length=200, description="which laboratory, and its paper's number")


class TypedSample(BaseModel):
    """One sample of a walk-in, as it is typed."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    label: str = Cell
    depth_from_cm: str = Field(default="", max_length=40)
    depth_to_cm: str = Field(default="", max_length=40)
    texture: str = Cell


class WalkIn(BaseModel):
    """A visit made from a paper: to a registered field, or to a new one of a new or a numbered grower."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    field_id: int | None = Field(default=None, ge=1, le=2**31 - 1, description="a registered field")
    grower_name: str = Cell
    grower_code: str = Field(default="", max_length=64, description="the laboratory's number of the grower")
    farm_name: str = Cell
    field_name: str = Cell
    field_code: str = Field(default="", max_length=64, description="empty: one is made")
    county_id: str = Field(default="", max_length=64)
    area_ha: str = Field(default="", max_length=40)
    sampled_on: date
    plan: Plan
    origin: str = Field(
        default="", max_length=200, description="said of values that do not say it themselves"
    )
    samples: tuple[TypedSample, ...] = Field(min_length=1, max_length=MOST_SAMPLES)
    values: tuple[TypedValue, ...] = Field(min_length=1, max_length=MOST_VALUES)


@dataclass(frozen=True)
class WalkedIn:
    """What a walk-in has made."""

    visit_id: int
    lab_numbers: tuple[str, ...]
    stored: int


def type_values(
    site: Site, caller: Caller, visit_id: int, rows: Sequence[TypedValue], origin: str = ""
) -> Put:
    """Store values typed from a paper on the samples of a visit.

    Parameters
    ----------
    rows
        ``sample`` of each is a lab number of the visit.
    origin
        Which paper, for rows that do not say so themselves.

    Raises
    ------
    SampleListError
        With row and column: the checks of a file of bench values.
    Invalid
        If nothing was typed, or a row does not say which paper it is from.
    Conflict
        If the laboratory itself has released a value of the same sample, test and method.
    """
    with site.database.change(caller, Right.TYPE_VALUES) as change:
        found = visits.the_visit(change, visit_id)
        samples = {each.lab_number: each for each in visits.samples_of(change, visit_id)}
        known = pd.DataFrame(
            [each.model_dump(include=_PLACE) for each in samples.values()], columns=sorted(_PLACE)
        )
        frame = _frame(rows, known, origin, site.tables)
        ids = {number: each.id for number, each in samples.items()}
        return _put(change, found.id, frame, ids, rows)


def walk_in(site: Site, caller: Caller, given: WalkIn) -> WalkedIn:
    """Make a visit with its samples and store the values of a paper on them, all or nothing.

    Raises
    ------
    SampleListError, Invalid, Conflict, NotAllowed
        As registering a list of samples and :func:`type_values`.
    """
    check_crops(site.tables, given.plan)
    with site.database.look(caller, Right.TYPE_VALUES) as look:
        where = _where(look, given)
    name = "".join(secrets.choice(_LETTERS) for _ in range(6))
    numbers = [f"W-{name}-{number}" for number in range(1, len(given.samples) + 1)]
    grid = _sample_grid(given, where | {"field_id": where["field_id"] or f"W-{name}"}, numbers)
    listed = checked_list(samples_in(grid), site.tables)
    rows = [
        row.model_copy(update={"sample": _numbered(row, index, numbers)})
        for index, row in enumerate(given.values, 1)
    ]
    context = samples_in(grid).context
    frame = _frame(rows, context, given.origin, site.tables)
    with site.database.change(caller, Right.REGISTER_SAMPLES) as change:
        registered = write_samples(change, listed)
        ids = dict(zip(numbers, registered.sample_ids, strict=True))
        (visit_id,) = registered.sampling_ids
        if given.plan.comment:
            made = visits.the_visit(change, visit_id)
            visits.change_plan(change, made, made.version, {"comment": given.plan.comment})
        put = _put(change, visit_id, frame, ids, rows)
    return WalkedIn(visit_id, tuple(numbers), put.stored)


_PLACE = {"lab_number", "depth_from_cm", "depth_to_cm", "sampled_on"}


def withdraw(site: Site, caller: Caller, sample_id: int, value_id: int, reason: str) -> None:
    """Withdraw a typed value: typed under another method it would stand beside the right one for good.

    It is kept and shown as withdrawn. Reports that were issued stay as they are until another replaces them.

    Raises
    ------
    Invalid
        If no reason is given.
    Conflict
        If the value is a measured one, or stands no more.
    NotFound
        If there is no such value of the sample.
    """
    why = " ".join(reason.split())
    if not why or len(why) > LONGEST_REASON or UNSEEN.search(why):
        wanted = f"up to {LONGEST_REASON} characters that can be seen"
        raise Invalid(
            "it is not said why the value is withdrawn" if not why else "the reason cannot be taken",
            where="reason", expected=f"a reason, {wanted}", fix="say what was wrong with it",
            fields={"reason": f"say why: {wanted}"},
        )  # fmt: skip
    with site.database.change(caller, Right.TYPE_VALUES) as change:
        samples.the_sample(change, sample_id)
        if not values.withdraw(change, sample_id, value_id):
            there = {each.id: each for each in values.of_samples(change, [sample_id])}
            if value_id not in there:
                raise absent("value")
            raise Conflict(
                "this value was measured here" if there[value_id].run_id else "this value stands no more",
                where=f"value {value_id}", expected="a typed value that stands",
                fix="let the laboratory rerun the sample" if there[value_id].run_id
                else "load the page again and look at what stands now",
            )  # fmt: skip
        change.note("withdraw", "values", value_id, {"sample": sample_id}, reason=why)


def _numbered(row: TypedValue, index: int, numbers: Sequence[str]) -> str:
    """Lab number of the sample that a value names by its place."""
    if row.sample.isdecimal() and 1 <= int(row.sample) <= len(numbers):
        return numbers[int(row.sample) - 1]
    raise Invalid(
        f"there is no sample {row.sample!r}", where=f"{FORM}, row {row.row or index}",
        expected=f"a number from 1 to {len(numbers)}", fix="fill that sample in, or choose another",
    )  # fmt: skip


def _frame(rows: Sequence[TypedValue], known: pd.DataFrame, origin: str, tables: TableSet) -> pd.DataFrame:
    """Values as a file of bench values would give them, each with the paper it is from."""
    if not rows:
        raise Invalid(
            "no value was typed", where=FORM, expected="at least one row with a value",
            fix="fill a row in, or go back",
        )  # fmt: skip
    cells = [
        [
            row.sample, row.analyte, row.form, row.method, row.value, row.unit, row.basis,
            row.standard_uncertainty, row.origin.strip() or origin.strip(),
        ]
        for row in rows
    ]  # fmt: skip
    grid = _grid([list(VALUE_COLUMNS), *cells], [0, *(row.row or i for i, row in enumerate(rows, 1))])
    frame = bench_in(grid, known, "")
    for index, (method, analyte, said) in enumerate(
        zip(frame["method"], frame["analyte"], frame["origin"], strict=True)
    ):
        where = grid.where(index + 1)
        if not said:
            raise Invalid(
                "it is not said which paper the value is from", where=where,
                expected="the laboratory and the number of its paper",
                fix="type it once for all, or in the row",
                fields={"origin": "the laboratory and the number of its paper"},
            )  # fmt: skip
        if method not in tables.methods or tables.methods[method].analyte != analyte:
            known_ids = sorted(each.id for each in tables.methods.values() if each.analyte == analyte)
            raise SampleListError(
                f"{method} is no method for {analyte}" if method in tables.methods
                else f"the tables know no method {method!r}",
                where=f"{where}, column method", expected=f"one of {', '.join(known_ids)}",
                fix="choose the paper's method from the list; leave the row out if it is not there",
            )  # fmt: skip
    return frame


def _put(
    change: Change, visit_id: int, frame: pd.DataFrame, ids: Mapping[str, int], rows: Sequence[TypedValue]
) -> Put:
    new = [
        NewValue(
            sample_id=ids[row["lab_number"]], analyte=row["analyte"], form=row["form"], method=row["method"],
            value=_number(row["value"]), below=_number(row["below"]), unit=row["unit"], basis=row["basis"],
            standard_uncertainty=_number(row["standard_uncertainty"]), origin=row["origin"],
        )
        for row in frame.to_dict("records")
    ]  # fmt: skip
    put = values.put(change, new)
    measured = {
        (each.sample_id, each.analyte, each.method): each.run_name
        for each in values.of_samples(change, [*ids.values()])
        if each.run_id is not None
    }  # looked for afterwards, when nobody can release one in between: what is refused is rolled back
    for index, each in enumerate(new):
        run = measured.get((each.sample_id, each.analyte, each.method))
        if run is not None:
            raise Conflict(
                f"the laboratory has measured this itself, in run {run}",
                where=f"{FORM}, row {rows[index].row or index + 1}",
                expected="a value that the laboratory has not released",
                fix="leave the row out; only the laboratory replaces its own value, by a rerun",
            )  # fmt: skip
    change.note(
        "type", "visit", visit_id,
        after={
            "values": put.stored, "superseded": put.superseded, "methods": sorted({v.method for v in new}),
        },
    )  # fmt: skip
    return put


def _where(look: Any, given: WalkIn) -> dict[str, str]:
    """Cells that say which field it is: those of a registered one, or what was typed."""
    if given.field_id is not None:
        found = land.the_field(look, given.field_id)
        return {
            "field_id": found.code, "field_name": found.name or found.code, "farm_name": found.farm_name,
            "grower_name": "", "grower_id": "", "county": found.county_id or "", "region": found.region,
            "area_ha": "",
        }  # fmt: skip
    regions = {county: region for county, _, region in land.counties(look)}
    if given.county_id not in regions:
        raise Invalid(
            "this county is not one of yours", where="county_id", expected="a county that you work in",
            fix="choose one from the list", fields={"county_id": "choose one from the list"},
        )  # fmt: skip
    return {
        "field_id": given.field_code.strip(), "field_name": given.field_name, "farm_name": given.farm_name,
        "grower_name": given.grower_name, "grower_id": given.grower_code.strip(), "county": given.county_id,
        "region": regions[given.county_id], "area_ha": given.area_ha,
    }  # fmt: skip


def _sample_grid(given: WalkIn, where: Mapping[str, str], numbers: Sequence[str]) -> Grid:
    plan = given.plan
    shared = dict(where) | {
        "crop": plan.crop, "yield_goal": _text(plan.yield_goal), "yield_unit": plan.yield_unit or "",
        "previous_crop": plan.previous_crop, "tillage": plan.tillage, "irrigated": _said(plan.irrigated),
        "limed_in_two_years": _said(plan.limed_in_two_years),
        "manure_n_kg_per_ha": _text(plan.manure_n_kg_per_ha),
        "manure_p2o5_kg_per_ha": _text(plan.manure_p2o5_kg_per_ha),
        "manure_k2o_kg_per_ha": _text(plan.manure_k2o_kg_per_ha),
        "manured_since_harvest": _said(plan.manured_since_harvest),
        "manured_in_three_years": _said(plan.manured_in_three_years), "near_water": _said(plan.near_water),
        "sampled_on": given.sampled_on.isoformat(),
    }  # fmt: skip
    rows = [
        {"lab_number": number, **sample.model_dump(), **shared}
        for number, sample in zip(numbers, given.samples, strict=True)
    ]
    return _grid([list(rows[0]), *(list(row.values()) for row in rows)], list(range(len(rows) + 1)))


def _grid(rows: list[list[str]], numbers: list[int]) -> Grid:
    grid = Grid(FORM, rows, numbers, SampleListError)
    grid.check_size()
    grid.check_characters()
    return grid


def _number(value: float) -> float | None:
    return None if pd.isna(value) else float(value)


def _text(value: float | None) -> str:
    return "" if value is None else f"{value:.10f}".rstrip("0").rstrip(".")


def _said(value: bool | None) -> str:
    return "" if value is None else "yes" if value else "no"
