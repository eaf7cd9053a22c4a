"""A run as it came from the instrument: a header, the analyst's curve choice and the cups."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

import pandas as pd
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

Model = Literal["linear", "quadratic"]
Weighting = Literal["1", "1/x", "1/x2"]
Response = Literal["rising", "falling"]
SignalKind = Literal["peak area", "peak height", "absorbance", "concentration"]

KINDS = (
    "standard",  # nominal value known, part of the curve
    "blank",  # calibration blank: the standards' matrix alone
    "method blank",  # extractant taken through every step of the extraction
    "check",  # continuing check, a known solution re-read during the run
    "second source",  # a known solution of independent origin
    "reference soil",  # control soil with a control chart
    "sample",
    "duplicate",  # a second extraction or reading of the sample named in `of`
    "spike",  # the sample named in `of` with a known addition (`nominal_mg_per_l`, in the cup as read)
    "wash",  # carrier or extractant between cups; never reported
)

READINGS: dict[str, str] = {
    "row": "int64",  # row in the file, for messages
    "position": "int64",  # order on the instrument
    "kind": "str",  # one of KINDS
    "cup_id": "str",  # sample's lab number, standard's name, reference soil's name
    "of": "str",  # sample a duplicate or spike belongs to, else ""
    "nominal_mg_per_l": "float64",  # standards, checks, spikes; NaN elsewhere
    "signal": "float64",  # NaN when the file holds concentrations, or the cup has no reading
    "solution_mg_per_l": "float64",  # NaN when the file holds signals
    "below_mg_per_l": "float64",  # from "<0.05" in a concentration file, else NaN
    "dilution": "float64",  # 1 for undiluted
    "excluded": "bool",  # a person takes this cup out of the curve or the results
    "reason": "str",  # why; required when excluded
}

Columns = Mapping[str, NDArray[Any]]


def columns_of(readings: pd.DataFrame) -> dict[str, NDArray[Any]]:
    """Take the columns of :data:`READINGS` out of a frame at once, text as objects.

    Taking a column out costs more than computing with its hundred cups, so all cells leave the frame
    together and the steps of a measurement share them.
    """
    cells = dict(zip(readings.columns, readings.to_numpy(dtype=object).T, strict=True))
    return {name: cells[name].astype(object if kind == "str" else kind) for name, kind in READINGS.items()}


class _Settings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, str_strip_whitespace=True)


class CurveChoice(_Settings):
    """The analyst's choice of curve. The program proposes another, it never switches."""

    model: Model = "linear"
    weighting: Weighting = "1/x"
    response: Response = "rising"
    zero_standard: bool = Field(
        default=False, description="let the zero standard (or the calibration blanks) take part in the fit"
    )


class RunHeader(_Settings):
    """What must be known about a run and is not in its cups. Nothing here is guessed.

    The exported numbers may or may not already be corrected for a blank or a dilution, and mg/L may count
    N or NO3: each has its own field, and each is required.
    """

    run_id: str = Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")
    laboratory: str = Field(min_length=1, max_length=200)
    analyte: str
    form: str
    method: str = Field(description="id of a file in tables/methods")
    signal_kind: SignalKind
    standards_matrix: str = Field(min_length=1, description="solution the standards were made in")
    run_on: date
    operator: str = Field(min_length=1, max_length=200)
    instrument: str = Field(default="", max_length=200, description="free text")
    blank_subtracted: bool = Field(description="whether exported values are already blank-subtracted")
    dilution_applied: bool = Field(description="whether exported concentrations are already times dilution")
    curve: CurveChoice = CurveChoice()
    drift_correction: bool = Field(
        default=False, description="divide by the drift between bracketing checks; printed when used"
    )
    example: bool = Field(default=False, description="invented data; every page made from it says so")


@dataclass(frozen=True)
class Run:
    """A header and its cups.

    Attributes
    ----------
    header
        What the file or its side file declares.
    readings
        One row a cup, columns and types of :data:`READINGS`, in instrument order.
    source
        Name of the file, for messages.
    """

    header: RunHeader
    readings: pd.DataFrame
    source: str = ""
