"""Samples: lists, one by one, and what came of each."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, File, Form, Query, UploadFile
from pydantic import Field

from interpretation.agronomy.tables import YieldUnit
from interpretation.quantities import Basis, SoilUnit
from reports.format import Units
from service.actions import papers, registering, samples
from service.actions.registering import Registered
from service.actions.samples import SampleView
from service.api.common import After, Id, Input, Limit, Line, Output, Page, page_of
from service.registration import MOST_OTHER_CROPS
from service.sampleforms import samples_of
from service.store.samples import Measured, SampleInList
from service.store.values import ValueRow
from service.uploads import Upload, laid_down
from service.web.asking import ApiCaller, TheSite

router = APIRouter()
MOST_AT_ONCE = 5000
THE_BODY = "samples"  # what messages call rows that came as JSON
Number = Annotated[float, Field(allow_inf_nan=False)]


class GivenSample(Input):
    """One sample as a row of a list says it, by the names of its columns; left out is not known."""

    lab_number: Line
    label: Line = ""
    field_id: Line = Field(description="a field that is registered already is found by it")
    field_name: Line
    farm_name: Line
    grower_name: Line = ""
    grower_id: Line = Field("", description="the laboratory's number of the client: a grower is known by it")
    grower_address: Line = ""
    grower_telephone: Line = ""
    grower_email: Line = ""
    language: Literal["", "en", "es"] = ""
    units: Literal[""] | Units = ""
    mail_consent: bool = False
    copy_to: Line = ""
    copy_consent: bool = False
    region: Line = Field(description="id of a region of the tables")
    county: Line = Field("", description="id of a county of this server")
    crop: Line = Field(description="id of a crop of the tables")
    other_crops: list[Line] = Field([], max_length=MOST_OTHER_CROPS)
    yield_goal: Number | None = None
    yield_unit: YieldUnit | None = Field(None, description="left out: the crop's own")
    previous_crop: Line = ""
    tillage: Line = ""
    irrigated: bool | None = None
    limed_in_two_years: bool | None = None
    area_ha: Number | None = None
    depth_from_cm: Number
    depth_to_cm: Number
    sampled_on: date
    received_on: date | None = None
    cores: Number | None = None
    texture: Line = ""
    soil_group: Line = ""
    bulk_density_g_per_cm3: Number | None = None
    lime_percent: Number | None = None
    ph_water: Number | None = None
    moisture_percent: Number | None = Field(None, description="of the soil as received, on oven-dry mass")
    air_dry_moisture_percent: Number | None = None
    soil_g: Number | None = None
    extract_ml: Number | None = None
    manure_n_kg_per_ha: Number | None = None
    manure_p2o5_kg_per_ha: Number | None = None
    manure_k2o_kg_per_ha: Number | None = None
    manured_since_harvest: bool | None = None
    manured_in_three_years: bool | None = None
    near_water: bool = False
    tests_wanted: Line = ""
    longitude: Number | None = Field(None, description="degrees, WGS 84")
    latitude: Number | None = None
    example: bool = Field(False, description="invented: every page made from it says so")


class GivenSamples(Input):
    """Samples that are registered together, whole or not at all."""

    samples: list[GivenSample] = Field(min_length=1, max_length=MOST_AT_ONCE)
    received_on: date | None = Field(None, description="for samples that do not say themselves")


class WaitingRun(Output):
    """A released run with cups that had waited for samples just registered."""

    run: int
    cups: int


class RegisteredSamples(Output):
    """What was registered."""

    samples: list[int] = Field(description="ids, in the order of the list")
    visits: list[int] = Field(description="ids of the visits to fields, one for each field of the list")
    new_fields: int
    new_growers: int
    waiting: list[WaitingRun]


class ListedSample(Output):
    """One sample of a list."""

    id: int
    lab_number: str
    label: str
    field: int
    field_code: str
    field_name: str
    crop: str
    sampled_on: date
    received_on: date | None
    values: int = Field(description="how many values stand")


class SoilValue(Output):
    """One soil value, standing or superseded; exactly one of `value` and `below` is a number."""

    id: int
    analyte: str
    form: str
    method: str
    value: float | None
    below: float | None
    unit: SoilUnit
    basis: Basis
    standard_uncertainty: float | None
    origin: str
    run: int | None
    run_name: str | None
    released_at: datetime
    superseded_at: datetime | None
    superseded_by: int | None


class Withdrawal(Input):
    """Why a typed value is withdrawn."""

    reason: Line


class OneSample(Output):
    """What is known of one sample, and all its values."""

    id: int
    lab_number: str
    label: str
    visit: int
    field: int
    field_code: str
    field_name: str
    farm_name: str
    grower: int
    grower_name: str
    region: str
    county_name: str | None
    crop: str
    other_crops: list[str]
    tests_wanted: str
    depth_from_cm: float
    depth_to_cm: float
    sampled_on: date
    received_on: date | None
    texture: str
    soil_group: str
    cores: float | None
    bulk_density_g_per_cm3: float | None
    lime_percent: float | None
    ph_water: float | None
    moisture_percent: float | None
    air_dry_moisture_percent: float | None
    soil_g: float | None
    extract_ml: float | None
    longitude: float | None
    latitude: float | None
    registered_at: datetime
    registered_by: str
    values: list[SoilValue] = Field(description="those that stand before those that are superseded")


@router.post("/samples/lists", status_code=201, summary="Register a list of samples (CSV or .xlsx)")
def register_list(
    site: TheSite,
    caller: ApiCaller,
    file: Annotated[UploadFile, File(description="one row a sample, with column titles")],
    received_on: Annotated[date | None, Form(description="for rows that do not say themselves")] = None,
) -> RegisteredSamples:
    """Register a list whole or not at all: growers, farms and fields that are new come with it."""
    with laid_down(Upload(file.filename or "", file.file.read())) as (path, _):
        return _registered(registering.register_list(site, caller, path, received_on))


@router.post("/samples", status_code=201, summary="Register one or more samples")
def register_samples(site: TheSite, caller: ApiCaller, given: GivenSamples) -> RegisteredSamples:
    """Register samples as a list of rows would be, whole or not at all."""
    read = samples_of([_cells(each) for each in given.samples], THE_BODY)
    return _registered(registering.register_samples(site, caller, read, given.received_on))


@router.get("/samples", summary="Samples")
def list_samples(
    site: TheSite,
    caller: ApiCaller,
    after: After = 0,
    limit: Limit = 100,
    search: Annotated[
        Line, Query(max_length=64, description="beginning of a lab number or of a field's code")
    ] = "",
    values: Annotated[Measured | None, Query(description="only samples with, or without, a value")] = None,
) -> Page[ListedSample]:
    """List the samples of the caller by rising id."""
    found = samples.samples_after(site, caller, after, limit + 1, search=search, measured=values)
    return page_of(found, limit, _listed)


@router.get("/samples/{sample_id}", summary="One sample with all its values")
def one_sample(site: TheSite, caller: ApiCaller, sample_id: Id) -> OneSample:
    """Show what is known of a sample, and its values: standing ones before superseded."""
    return _shown(samples.show_sample(site, caller, sample_id))


@router.post(
    "/samples/{sample_id}/values/{value_id}/withdrawal", summary="Withdraw a typed value", status_code=201
)
def withdraw_value(
    site: TheSite, caller: ApiCaller, sample_id: Id, value_id: Id, given: Withdrawal
) -> OneSample:
    """Let a typed value stand no more: it is kept, and no report is made from it any longer."""
    papers.withdraw(site, caller, sample_id, value_id, given.reason)
    return _shown(samples.show_sample(site, caller, sample_id))


def _cells(given: GivenSample) -> dict[str, str]:
    """The cells of a list's row that say the same."""
    cells = {}
    for name, value in given.model_dump(exclude_none=True).items():
        match value:
            case bool():
                cells[name] = "yes" if value else "no"
            case float():
                cells[name] = np.format_float_positional(value, trim="-")
            case list():
                cells[name] = ";".join(value)
            case _:
                cells[name] = str(value)
    return cells


def _registered(done: Registered) -> RegisteredSamples:
    return RegisteredSamples(
        samples=list(done.sample_ids),
        visits=list(done.sampling_ids),
        new_fields=done.new_fields,
        new_growers=done.new_growers,
        waiting=[WaitingRun(run=run, cups=cups) for run, cups in done.waiting.items()],
    )


def _listed(row: SampleInList) -> ListedSample:
    values = row.model_dump()
    return ListedSample(field=values.pop("field_id"), **values)


def _value(row: ValueRow) -> SoilValue:
    values: dict[str, Any] = row.model_dump(exclude={"sample_id", "released_by"})
    return SoilValue(run=values.pop("run_id"), **values)


def _shown(view: SampleView) -> OneSample:
    facts = view.row.model_dump()
    renamed = {"visit": "sampling_id", "field": "field_id", "grower": "grower_id"}
    ids = {name: facts.pop(old) for name, old in renamed.items()}
    return OneSample(**facts, **ids, values=[_value(row) for row in view.values])
