"""Runs for the tests of acceptance and soil values, exact so that every figure can be checked by hand.

The signal is ``2 + 100 x``. Without scatter the quantification limit is 0, so the reporting level is the
lowest standard: 0.5 mg/L.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from interpretation.laboratory.acceptance import QualityReport, check
from interpretation.laboratory.curve import fit_curve
from interpretation.laboratory.inverse import as_read, solution
from interpretation.laboratory.limits import Limits
from interpretation.laboratory.measure import Measurement, Preparation, measure
from interpretation.laboratory.preparation import SAMPLES, no_samples
from interpretation.laboratory.run import READINGS, Run, RunHeader
from interpretation.methods import Method
from interpretation.results import CheckLine, CheckName
from service.limitsfile import read_limits

LIMITS = read_limits()
DAY = datetime.date(2026, 3, 2)
STANDARDS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
BRAY = Method(
    id="bray1-1:10-colour", title="Bray-1", analyte="P", form="P", matrix="Bray-1 extractant",
    soil_g=2.0, extract_ml=20.0, unit="mg/kg", basis="air-dry",
)  # fmt: skip
NITRATE = Method(
    id="kcl-1:10-nitrate-colour", title="KCl nitrate", analyte="nitrate", form="NO3-N",
    matrix="2 M potassium chloride", soil_g=10.0, extract_ml=100.0, unit="mg/kg", basis="oven-dry",
    weighed_basis="as-received",
)  # fmt: skip
CEC = Method(
    id="cec-nh4oac-displaced", title="CEC", analyte="CEC", form="charge", matrix="1 M sodium chloride",
    soil_g=5.0, extract_ml=250.0, unit="cmol/kg", basis="oven-dry", weighed_basis="oven-dry",
)  # fmt: skip

Cup = dict[str, Any]


def cup(kind: str, cup_id: str, mg_per_l: float, **more: Any) -> Cup:
    """One cup that reads ``mg_per_l``."""
    return {"kind": kind, "cup_id": cup_id, "solution_mg_per_l": mg_per_l, **more}


def standards() -> list[Cup]:
    return [cup("standard", f"S{x:g}", x, nominal_mg_per_l=x) for x in STANDARDS]


def checked(samples: Iterable[Cup], *, check_mg_per_l: tuple[float, float] = (5.0, 5.0)) -> list[Cup]:
    """A run that passes every check, around some samples: two checks of 5 mg/L stand about them."""
    before, after = check_mg_per_l
    return [
        *standards(),
        cup("blank", "B", 0.0),
        cup("second source", "Q", 5.0, nominal_mg_per_l=5.0),
        cup("method blank", "MB1", 0.0),
        cup("method blank", "MB2", 0.0),
        cup("check", "C", before, nominal_mg_per_l=5.0),
        *samples,
        cup("check", "C", after, nominal_mg_per_l=5.0),
    ]


def samples(*mg_per_l: float) -> list[Cup]:
    """Samples 001, 002, ..."""
    return [cup("sample", f"{number:03d}", x) for number, x in enumerate(mg_per_l, 1)]


def header_of(of: Method = BRAY, **more: Any) -> RunHeader:
    facts = {
        "run_id": "T-1", "laboratory": "Quillwater Soil Laboratory", "analyte": of.analyte,
        "form": of.form, "method": of.id, "signal_kind": "peak area",
        "standards_matrix": of.matrix, "run_on": DAY,
        "operator": "A. N. Analyst", "blank_subtracted": False, "dilution_applied": False,
    }  # fmt: skip
    return RunHeader.model_validate(facts | more)


def run_of(cups: Iterable[Cup], by: Method = BRAY, **header: Any) -> Run:
    """Number the cups and turn concentrations into signals, unless the run is one of concentrations."""
    facts = header_of(by, **header)
    plain = {
        "of": "", "nominal_mg_per_l": np.nan, "signal": np.nan, "below_mg_per_l": np.nan, "dilution": 1.0,
        "excluded": False, "reason": "",
    }  # fmt: skip
    rows = [plain | {"row": n + 1, "position": n} | one for n, one in enumerate(cups, 1)]
    frame = pd.DataFrame(rows)[list(READINGS)].astype(READINGS)
    if facts.signal_kind != "concentration":
        signal = frame["signal"].fillna(2 + 100 * frame["solution_mg_per_l"])
        frame = frame.assign(signal=signal, solution_mg_per_l=np.nan)
    return Run(facts, frame, "test.csv")


def judge(run: Run, limits: Limits = LIMITS, method: Method = BRAY) -> QualityReport:
    """Fit, read off and check, in the steps that ``measure`` takes."""
    if run.header.signal_kind == "concentration":
        return check(as_read(run.readings), None, limits, run, method)
    curve = fit_curve(run.readings, run.header.curve, limits.curve)
    return check(solution(run.readings, curve), curve, limits, run, method)


def measured(
    cups: Iterable[Cup],
    method: Method = BRAY,
    listed: Iterable[dict[str, Any]] = (),
    limits: Limits = LIMITS,
    **header: Any,
) -> Measurement:
    return measure(run_of(cups, method, **header), Preparation(method, listing(listed)), limits)


def listing(rows: Iterable[dict[str, Any]]) -> pd.DataFrame:
    """Samples of a preparation; what a row leaves out is not known."""
    rows = list(rows)
    if not rows:
        return no_samples()
    unknown: dict[str, Any] = dict.fromkeys(SAMPLES, np.nan) | {"sampled_on": pd.NaT}
    return pd.DataFrame([unknown | row for row in rows])[list(SAMPLES)].astype(SAMPLES)


def lines_of(
    report: QualityReport | Measurement, name: CheckName, detail: str | None = None
) -> list[CheckLine]:
    quality = report.quality if isinstance(report, Measurement) else report
    return [line for line in quality.checks if line.check is name and detail in (None, line.detail)]
