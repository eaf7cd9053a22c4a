"""Small runs to calibrate: standards, blanks and samples as frames of readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from interpretation.laboratory.criteria import CurveCriteria
from interpretation.laboratory.curve import Curve, fit_curve
from interpretation.laboratory.run import READINGS, CurveChoice

# As loose as criteria go, for published sets that were not made for a laboratory's acceptance rules.
LOOSE = CurveCriteria(linear_levels=3, quadratic_levels=4, slope_confidence=0.95)


def run_of(
    x: Sequence[float], y: Sequence[float], *, blanks: Sequence[float] = (), samples: Sequence[float] = ()
) -> pd.DataFrame:
    """Readings of a run: standards S1, S2, ... then blanks B1, ... then samples 001, ..."""
    cups = [("standard", f"S{i + 1}", xi, yi) for i, (xi, yi) in enumerate(zip(x, y, strict=True))]
    cups += [("blank", f"B{i + 1}", np.nan, yi) for i, yi in enumerate(blanks)]
    cups += [("sample", f"{i + 1:03d}", np.nan, yi) for i, yi in enumerate(samples)]
    frame = pd.DataFrame(cups, columns=["kind", "cup_id", "nominal_mg_per_l", "signal"])
    number = np.arange(1, len(cups) + 1)
    return frame.assign(
        row=number + 1,  # row 1 of the file is its heading
        position=number,
        of="",
        solution_mg_per_l=np.nan,
        below_mg_per_l=np.nan,
        dilution=1.0,
        excluded=False,
        reason="",
    ).astype(READINGS)[list(READINGS)]


def exclude(readings: pd.DataFrame, cup_id: str, reason: str) -> pd.DataFrame:
    """The same run with one cup taken out by a person."""
    gone = readings["cup_id"] == cup_id
    return readings.assign(excluded=readings["excluded"] | gone, reason=readings["reason"].mask(gone, reason))


def curve_of(
    x: Sequence[float],
    y: Sequence[float],
    model: str = "linear",
    weighting: str = "1",
    *,
    response: str = "rising",
    criteria: CurveCriteria = LOOSE,
) -> Curve:
    """The curve through x and y; a zero among the x takes part."""
    choice = CurveChoice(model=model, weighting=weighting, response=response, zero_standard=0 in list(x))  # type: ignore[arg-type]
    return fit_curve(run_of(x, y), choice, criteria)
