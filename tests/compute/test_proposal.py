"""The proposal of another curve, and the summary that carries it."""

from __future__ import annotations

import numpy as np
import pytest

from interpretation.laboratory.criteria import DEFAULT_CRITERIA, CurveCriteria
from interpretation.laboratory.curve import fit_curve
from interpretation.laboratory.proposal import curve_usable, propose
from interpretation.laboratory.run import CurveChoice
from interpretation.laboratory.summary import curve_summary
from tests.compute.calibration_runs import LOOSE, curve_of, exclude, run_of

LEVELS = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0]
SIGNALS = [27.1, 51.7, 102.6, 251.0, 507.0, 999.0]


@pytest.mark.parametrize(
    ("recovery", "lowest", "kept"),
    [
        # others 90 to 110, lowest 80 to 120, as printed to one decimal
        (90.0, False, True), (89.96, False, True), (89.94, False, False),
        (110.0, False, True), (110.04, False, True), (110.06, False, False),
        (80.0, True, True), (79.94, True, False), (120.04, True, True), (120.06, True, False),
        (np.nan, False, False),
    ],
)  # fmt: skip
def test_recovery_windows(recovery: float, lowest: bool, kept: bool) -> None:
    found = DEFAULT_CRITERIA.recovered(np.array([0.5 if lowest else 5.0]), np.array([recovery]), 0.5)
    assert found.tolist() == [kept]


@pytest.mark.parametrize(("rse", "precise"), [(19.9, True), (20.04, True), (20.06, False)])
def test_rse_limit(rse: float, precise: bool) -> None:
    assert DEFAULT_CRITERIA.precise(rse) is precise


def test_sources_are_named_once() -> None:
    assert DEFAULT_CRITERIA.sources == ("sm-4020", "sw846-8000d", "sm-6020", "common-practice")


@pytest.mark.parametrize("weighting", ["1", "1/x", "1/x2"])
def test_a_tie_goes_to_the_analyst(weighting: str) -> None:
    # On an exact line every weighting recovers 100 %.
    curve = curve_of(LEVELS, [2 + 50 * x for x in LEVELS], "linear", weighting)
    assert propose(curve, DEFAULT_CRITERIA).weighting == weighting


def test_a_line_is_proposed_over_a_quadratic_that_does_no_better() -> None:
    curve = curve_of(LEVELS, [2 + 50 * x for x in LEVELS], "quadratic", "1")
    found = propose(curve, DEFAULT_CRITERIA)
    assert (found.model, found.weighting) == ("linear", "1")
    assert len(found.alternatives) == 6


def test_a_quadratic_is_proposed_for_a_bend() -> None:
    curve = curve_of(LEVELS, [2 + 50 * x - 0.9 * x * x for x in LEVELS])
    assert not curve_usable(curve, DEFAULT_CRITERIA)
    assert propose(curve, DEFAULT_CRITERIA).model == "quadratic"


def test_where_none_is_usable_the_most_precise_is_proposed() -> None:
    curve = curve_of(LEVELS, [40.0, 40.0, 130.0, 220.0, 560.0, 950.0])
    found = propose(curve, DEFAULT_CRITERIA)
    assert not any(one.usable for one in found.alternatives)
    best = min(found.alternatives, key=lambda one: one.rse_percent)
    proposed = next(
        one for one in found.alternatives if (one.model, one.weighting) == (found.model, found.weighting)
    )
    assert proposed.rse_percent <= best.rse_percent + 0.5


def test_what_cannot_be_fitted_is_no_alternative() -> None:
    # Five levels are too few for a quadratic.
    found = propose(curve_of(LEVELS[:5], SIGNALS[:5]), DEFAULT_CRITERIA)
    assert [one.model for one in found.alternatives] == 3 * ["linear"]


# ------------------------------------------------------------------------------- summary


def test_summary_tells_the_whole_curve() -> None:
    readings = exclude(run_of([0, *LEVELS], [2.2, *SIGNALS], blanks=[1.9, 2.1]), "S4", "wrong flask")
    curve = fit_curve(readings, CurveChoice(zero_standard=True))
    found = curve_summary(curve, readings, DEFAULT_CRITERIA)
    assert (found.model, found.weighting, found.response, found.zero_standard) == (
        "linear", "1/x", "rising", True,
    )  # fmt: skip
    assert found.coefficients == pytest.approx(tuple(curve.coefficients))
    assert found.standard_errors == pytest.approx(np.sqrt(np.diag(curve.fit.covariance)))
    assert (found.lowest_mg_per_l, found.highest_mg_per_l) == (0.5, 20)
    assert found.limit_definition == "calibration"
    assert 0 < found.detection_limit_mg_per_l < found.highest_mg_per_l
    zero, *_, top, blank, _ = found.standards
    assert [point.cup_id for point in found.standards] == [
        "S1",
        "S2",
        "S3",
        "S4",
        "S5",
        "S6",
        "S7",
        "B1",
        "B2",
    ]
    assert zero.recovery_percent is None
    assert blank.nominal_mg_per_l == 0
    assert top.residual == pytest.approx(999 - float(curve.signal_at(20.0)))
    left_out = found.standards[3]
    assert (left_out.excluded, left_out.reason, left_out.residual) == (True, "wrong flask", None)
    assert left_out.recovery_percent == pytest.approx(100, abs=5)
    assert found.mandel_statistic is not None
    # Ratios are taken above the mean of the retained zeros, (2.2 + 1.9 + 2.1) / 3 = 2.0667.
    ratios = (np.array(SIGNALS) - 6.2 / 3)[[0, 1, 3, 4, 5]] / np.array(LEVELS)[[0, 1, 3, 4, 5]]
    worst = 100 * (ratios / np.median(ratios) - 1)
    assert found.ratio_worst_percent == pytest.approx(worst[np.abs(worst).argmax()])
    assert found.alternatives


def test_summary_leaves_out_what_a_curve_does_not_have() -> None:
    # An exact falling line: no scatter for Mandel, no ratio without a zero standard, one cup without reading.
    readings = run_of([*LEVELS, 30.0], [*(2000 - 50 * x for x in LEVELS), np.nan])
    readings = exclude(readings, "S7", "no peak")
    curve = fit_curve(readings, CurveChoice(response="falling"))
    found = curve_summary(curve, readings, DEFAULT_CRITERIA)
    assert (found.mandel_statistic, found.mandel_critical, found.ratio_worst_percent) == (None, None, None)
    assert (found.standards[6].signal, found.standards[6].back_calculated_mg_per_l) == (None, None)


def test_summary_of_three_standards_has_no_mandel() -> None:
    readings = run_of([1.0, 5.0, 10.0], [10.0, 50.1, 100.0])
    curve = fit_curve(readings, CurveChoice(weighting="1"), LOOSE)
    criteria = CurveCriteria(linear_levels=3)
    assert curve_summary(curve, readings, criteria).mandel_statistic is None
