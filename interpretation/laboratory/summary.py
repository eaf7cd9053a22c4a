"""A fitted curve as one record, with everything an analyst needs to judge it."""

from __future__ import annotations

import math

import pandas as pd

from interpretation.laboratory.criteria import CurveCriteria
from interpretation.laboratory.curve import Curve
from interpretation.laboratory.detection import blank_signals, limits_of
from interpretation.laboratory.linearity import mandel, ratio_deviation
from interpretation.laboratory.proposal import propose
from interpretation.results import CurveSummary, StandardPoint


def curve_summary(curve: Curve, readings: pd.DataFrame, criteria: CurveCriteria) -> CurveSummary:
    """Sum a curve up; the proposal and the linearity figures are computed only here.

    Parameters
    ----------
    curve
        The fitted curve.
    readings
        The run it was fitted to: its calibration blanks enter the detection limit.
    criteria
        What the proposal goes by.

    Returns
    -------
    interpretation.results.CurveSummary
        Mandel's figures are None where an exact fit or fewer than four standards leave nothing to test; the
        ratio is None for a falling response without a zero standard, whose signal is no measure of
        concentration by itself. A standard that did not take part is marked excluded, with its reason.

    Raises
    ------
    CalibrationError
        If nothing on the curve can be quantified.
    """
    limits = limits_of(curve, blank_signals(readings))
    proposal = propose(curve, criteria)
    statistic, critical = _mandel(curve)
    return CurveSummary(
        model=curve.choice.model,
        weighting=curve.choice.weighting,
        response=curve.choice.response,
        zero_standard=curve.zero_standard,
        coefficients=tuple(curve.coefficients.tolist()),
        standard_errors=tuple(curve.fit.standard_errors.tolist()),
        residual_sd=curve.residual_sd,
        degrees_of_freedom=curve.degrees_of_freedom,
        r_squared=curve.fit.r_squared,
        rse_percent=curve.rse_percent,
        lowest_mg_per_l=curve.lowest_mg_per_l,
        highest_mg_per_l=curve.highest_mg_per_l,
        detection_limit_mg_per_l=limits.detection_mg_per_l,
        quantification_limit_mg_per_l=limits.quantification_mg_per_l,
        limit_definition=limits.definition,
        mandel_statistic=statistic,
        mandel_critical=critical,
        ratio_worst_percent=_worst_ratio(curve),
        proposed_model=proposal.model,
        proposed_weighting=proposal.weighting,
        alternatives=proposal.alternatives,
        standards=standard_points(curve),
    )


def standard_points(curve: Curve) -> tuple[StandardPoint, ...]:
    """Every standard of the curve, in file order, retained or not."""
    standards = curve.standards
    columns = (
        standards.position.tolist(), standards.cup_id.tolist(), standards.nominal_mg_per_l.tolist(),
        standards.signal.tolist(), curve.back_calculated_mg_per_l.tolist(),
        curve.recovery_percent.tolist(), curve.residuals.tolist(),
        standards.retained.tolist(), standards.reason.tolist(),
    )  # fmt: skip
    return tuple(
        StandardPoint(
            position=position,
            cup_id=cup_id,
            nominal_mg_per_l=nominal,
            signal=_known(signal),
            back_calculated_mg_per_l=_known(back),
            recovery_percent=_known(recovery),
            residual=_known(residual),
            excluded=not retained,
            reason=reason,
        )
        for position, cup_id, nominal, signal, back, recovery, residual, retained, reason in zip(
            *columns, strict=True
        )
    )


def _mandel(curve: Curve) -> tuple[float | None, float | None]:
    retained = curve.standards.retained
    if retained.sum() < 4:
        return None, None
    test = mandel(curve.standards.nominal_mg_per_l[retained], curve.standards.signal[retained])
    statistic = _known(test.statistic)
    return statistic, test.critical if statistic is not None else None


def _worst_ratio(curve: Curve) -> float | None:
    standards = curve.standards
    x, y = standards.nominal_mg_per_l[standards.retained], standards.signal[standards.retained]
    if curve.zero_standard:
        zero_signal = float(y[x == 0].mean())
    elif curve.choice.response == "rising":
        zero_signal = 0.0
    else:
        return None
    deviation = ratio_deviation(x[x > 0], y[x > 0], zero_signal)
    return _known(float(deviation[abs(deviation).argmax()]))


def _known(value: float) -> float | None:
    """A number a record may hold, or None."""
    return value if math.isfinite(value) else None
