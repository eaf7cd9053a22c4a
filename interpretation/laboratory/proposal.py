"""Which curve the standards themselves speak for. A proposal: the analyst's choice is never switched."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

import numpy as np

from interpretation.errors import CalibrationError
from interpretation.laboratory.criteria import CurveCriteria
from interpretation.laboratory.curve import Curve, fit_standards
from interpretation.laboratory.run import Model, Weighting
from interpretation.results import Alternative

# Relative standard errors closer than this many percentage points are a tie (this project's choice).
TIE_PERCENT = 0.5


@dataclass(frozen=True, slots=True)
class Proposal:
    """The curve proposed and every one that was tried.

    Attributes
    ----------
    model, weighting
        Of the proposed curve.
    alternatives
        All that could be fitted, simplest first, the chosen one among them. A combination that ends in a
        calibration error (too few levels, bends over, ...) is not listed.
    """

    model: str
    weighting: str
    alternatives: tuple[Alternative, ...]


def propose(curve: Curve, criteria: CurveCriteria) -> Proposal:
    """Propose model and weighting from recoveries and relative standard error.

    Parameters
    ----------
    curve
        The analyst's curve; its standards, response and use of the zero standard are kept.
    criteria
        Recovery windows and largest relative standard error.

    Returns
    -------
    Proposal

    Notes
    -----
    Usable is a curve whose every non-zero retained standard is back-calculated within its window and whose
    relative standard error is within its limit. Of the usable ones the line comes before the quadratic; of
    one model, the weighting with the smallest relative standard error. If none is usable, the smallest of
    all. Curves within :data:`TIE_PERCENT` of the smallest are a tie: the analyst's own wins it, else the
    simpler model, else the weaker weighting. The coefficient of determination is shown, never used.
    """
    tried = _alternatives(curve, criteria)
    usable = [one for one in tried if one.usable]
    field = [one for one in usable if one.model == usable[0].model] if usable else tried
    smallest = min(one.rse_percent for one in field)
    tied = [one for one in field if one.rse_percent <= smallest + TIE_PERCENT]
    own = [one for one in tied if (one.model, one.weighting) == (curve.choice.model, curve.choice.weighting)]
    best = (own or tied)[0]
    return Proposal(best.model, best.weighting, tuple(tried))


def curve_usable(curve: Curve, criteria: CurveCriteria) -> bool:
    """Whether every retained standard comes back within its window and the curve is precise enough."""
    judged = curve.standards.retained & (curve.standards.nominal_mg_per_l > 0)
    recovered = criteria.recovered(
        curve.standards.nominal_mg_per_l[judged], curve.recovery_percent[judged], curve.lowest_mg_per_l
    )
    return bool(recovered.all()) and criteria.precise(curve.rse_percent)


def _alternatives(curve: Curve, criteria: CurveCriteria) -> list[Alternative]:
    """Every model and weighting that can be fitted to the same standards, simplest first."""
    found = []
    for model in get_args(Model):
        for weighting in get_args(Weighting):
            choice = curve.choice.model_copy(update={"model": model, "weighting": weighting})
            try:
                other = fit_standards(curve.standards, choice, criteria)
            except CalibrationError:  # this combination is no alternative; the others may be
                continue
            found.append(_alternative(other, criteria))
    return found


def _alternative(curve: Curve, criteria: CurveCriteria) -> Alternative:
    judged = curve.standards.retained & (curve.standards.nominal_mg_per_l > 0)
    recovery = curve.recovery_percent[judged]
    return Alternative(
        model=curve.choice.model,
        weighting=curve.choice.weighting,
        rse_percent=curve.rse_percent,
        worst_recovery_percent=float(recovery[np.abs(recovery - 100).argmax()]),
        r_squared=curve.fit.r_squared,
        usable=curve_usable(curve, criteria),
    )
