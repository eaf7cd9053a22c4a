"""Laboratory actions: calibrate a run, measure it, write its values and its sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict

from interpretation.agronomy.tables import TableSet
from interpretation.errors import RunError
from interpretation.laboratory.curve import fit_curve
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.measure import Measurement, Preparation, run_sheet
from interpretation.laboratory.measure import measure as measure_run
from interpretation.laboratory.run import CurveChoice, Run
from interpretation.laboratory.summary import curve_summary
from interpretation.methods import Method
from interpretation.results import CurveSummary, Flag, RunSheet, Verdict
from reports.render import pdf
from reports.sheet import build_sheet
from reports.view import LaboratoryCard
from service.actions.card import issued
from service.files import safe_name, write_atomically
from service.samplefiles import Samples


@dataclass(frozen=True)
class Bench:
    """What a laboratory measures with: tables of methods, its limits, and the samples it received."""

    tables: TableSet
    limits: Limits
    samples: Samples


class MeasuredRun(BaseModel):
    """One measured run and the files written for it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    sheet: RunSheet
    reasons: tuple[str, ...]  # every check that did not pass, in words
    released: int  # samples whose value left the laboratory
    withheld: dict[str, Flag]  # lab number -> what keeps its value back
    values_file: Path | None  # none when nothing was released
    sheet_file: Path


def with_choices(run: Run, choice: Mapping[str, Any], exclude: Mapping[int, str]) -> Run:
    """The run as the analyst wants it fitted: another curve, or cups taken out with a reason.

    Raises
    ------
    RunError
        If a cup to take out is not in the run.
    """
    header = run.header
    if choice:
        curve = CurveChoice.model_validate(header.curve.model_dump() | dict(choice))
        header = header.model_copy(update={"curve": curve})
    readings = run.readings
    if exclude:
        positions = readings["position"].to_numpy()
        for position in exclude:
            if position not in positions:
                raise RunError(
                    f"there is no cup at position {position} to take out",
                    where=run.source,
                    expected=f"a position from {positions.min()} to {positions.max()}",
                    fix="give the position as it stands in the run file",
                )
        chosen = np.isin(positions, list(exclude))
        readings = readings.assign(
            excluded=readings["excluded"].to_numpy() | chosen,
            reason=[
                exclude.get(position, reason)
                for position, reason in zip(positions.tolist(), readings["reason"], strict=True)
            ],
        )
    return replace(run, header=header, readings=readings)


def calibrate(run: Run, limits: Limits) -> CurveSummary:
    """Fit the run's curve and every other that could be fitted."""
    if run.header.signal_kind == "concentration":
        raise RunError(
            "this run holds concentrations, so there is no curve to fit",
            where=run.source,
            expected="a run of signals (peak area, peak height or absorbance)",
            fix="use 'measure' directly",
        )
    return curve_summary(fit_curve(run.readings, run.header.curve, limits.curve), run.readings, limits.curve)


def preparation(method: Method, samples: Samples, *, confirmed: bool = False) -> Preparation:
    """What was done to each sample for this method, and whether the laboratory vouches for the method.

    A soil weighed air-dry brings its air-dry moisture, a soil weighed as received its field moisture.
    """
    return prepared_by(method, samples.preparation, confirmed=confirmed)


def prepared_by(method: Method, known: pd.DataFrame, *, confirmed: bool) -> Preparation:
    """The same from the columns of ``service.samplefiles.PREPARATION``."""
    moisture = "air_dry_moisture_percent" if method.weighed_basis == "air-dry" else "moisture_percent"
    return Preparation(method, known.assign(moisture_percent=known[moisture]), confirmed)


def method_of(run: Run, tables: TableSet) -> Method:
    """The method a run's header names.

    Raises
    ------
    RunError
        If the tables have none of this id.
    """
    if run.header.method not in tables.methods:
        raise RunError(
            f"unknown method {run.header.method!r}",
            where=run.source,
            expected=f"one of {', '.join(sorted(tables.methods))}",
            fix="correct the run's header, or add the method to the tables folder",
        )
    return tables.methods[run.header.method]


def measure_and_write(run: Run, bench: Bench, card: LaboratoryCard, folder: Path) -> MeasuredRun:
    """Measure a run; write the laboratory's sheet (PDF), then the released soil values (CSV).

    When nothing is released, the values of an earlier measurement of the same run are removed: they no
    longer stand.

    Raises
    ------
    FurrowsliceError
        If the run's method is unknown, is from memory and not confirmed on the card, or a step refuses the
        run.
    """
    header = run.header
    method = method_of(run, bench.tables)
    prepared = preparation(method, bench.samples, confirmed=header.method in card.confirmed_methods)
    measured = measure_run(run, prepared, bench.limits)
    sheet = run_sheet(measured)
    page = build_sheet(sheet, issued(card, sheet.model_dump_json(), header.run_on))
    stem = safe_name(header.run_id)
    sheet_file = write_atomically(folder / f"{stem}.sheet.pdf", pdf(page))
    values_file = folder / f"{stem}.values.csv"
    if len(measured.soil_values):
        write_atomically(values_file, values_csv(measured.soil_values))
    else:
        values_file.unlink(missing_ok=True)
    return MeasuredRun(
        sheet=sheet,
        reasons=page.reasons,
        released=len(measured.soil_values),
        withheld=withheld(measured),
        values_file=values_file if len(measured.soil_values) else None,
        sheet_file=sheet_file,
    )


def withheld(measured: Measurement) -> dict[str, Flag]:
    """What keeps each unreleased sample back: the run's verdict, or a flag of its own."""
    soil = measured.soil
    if measured.verdict is not Verdict.ACCEPT:
        return dict.fromkeys(soil["lab_number"], Flag.RUN_NOT_ACCEPTED)
    kept = soil[soil["withheld"] != ""]
    return {number: Flag(flag) for number, flag in zip(kept["lab_number"], kept["withheld"], strict=True)}


def _plain(value: float, digits: int) -> str:
    """Write a number to so many significant digits, never with an exponent: the reader takes none."""
    if np.isnan(value):
        return ""
    return np.format_float_positional(value, precision=digits, unique=False, fractional=False, trim="-")


def values_csv(values: pd.DataFrame) -> str:
    """Soil values as a file that ``read_bench`` reads; a censored value is written ``<limit``.

    Values keep six digits, more than any laboratory knows: they are rounded once, where they are printed.
    Depth and day are left out: the sample list has them.
    """
    pairs = zip(values["value"], values["below"], strict=True)
    written = values.assign(
        value=[_plain(value, 6) or f"<{_plain(below, 10)}" for value, below in pairs],
        standard_uncertainty=[_plain(each, 4) for each in values["standard_uncertainty"]],
    )
    columns = [
        "lab_number",
        "analyte",
        "form",
        "method",
        "value",
        "unit",
        "basis",
        "standard_uncertainty",
        "origin",
    ]
    return written.to_csv(columns=columns, index=False, lineterminator="\n")
