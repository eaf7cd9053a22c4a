"""Quality control against published rules: whole runs in, verdicts out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from interpretation.laboratory.control import broken_rules
from interpretation.laboratory.limits import ReferenceSoil
from interpretation.laboratory.linearity import RATIO_LIMIT_PERCENT
from interpretation.laboratory.measure import run_sheet
from interpretation.methods import Method
from interpretation.results import CheckName, Flag, Outcome, Verdict
from service.paths import tables_directory
from service.tablefiles import read_tables
from tests.compute.laboratory_runs import (
    BRAY,
    LIMITS,
    STANDARDS,
    checked,
    cup,
    judge,
    lines_of,
    measured,
    run_of,
    samples,
)
from tests.published import printed

CHARTS = printed.load("control_charts.json")["cases"]


@pytest.mark.parametrize("case", CHARTS, ids=[case["id"] for case in CHARTS])
def test_control_charts(case: dict[str, Any], ledger: printed.Enter) -> None:
    ledger(case)
    z = [(value - case["mean"]) / case["sd"] for value in case["values"]]
    broken = broken_rules(z)
    assert any(case["printed"] in rules for rules in broken)

    soil = ReferenceSoil(name="R", method=BRAY.id, mean=case["mean"], sd=case["sd"], source="control-rules")
    cups = [cup("reference soil", "R", value / 10) for value in case["values"]]  # 1:10
    report = judge(
        run_of(checked([*samples(3.0), *cups])), LIMITS.model_copy(update={"reference_soils": (soil,)})
    )
    worst = {line.outcome for line in lines_of(report, CheckName.REFERENCE_SOIL)}
    expected = Outcome.REJECT if case["verdict"] == "reject" else Outcome.WARN
    assert expected in worst
    assert report.verdict is Verdict(case["verdict"])


@pytest.mark.parametrize(
    ("found", "recovery", "outcome"), [(2.17, 108.5, Outcome.PASS), (2.21, 110.5, Outcome.HOLD)]
)
def test_calibration_is_verified_within_ten_percent(found: float, recovery: float, outcome: Outcome) -> None:
    """Case F14. APHA/AWWA/WEF, Standard Methods 2020 and 4020: 10 % of true; rule read, recovery computed."""
    cups = checked(samples(3.0))
    cups[-1] |= {"nominal_mg_per_l": 2.0, "solution_mg_per_l": found}
    line = lines_of(judge(run_of(cups)), CheckName.CONTINUING_CHECK, "")[1]
    assert (line.figure, line.outcome) == (recovery, outcome)


def test_drift_between_bracketing_checks() -> None:
    """Case G01. Straight line between checks; common practice, computed: 50.0 / 1.01 = 49.505."""
    check = [cup("check", "C", x, nominal_mg_per_l=50.0) for x in (49.0, 52.0)]  # 98 and 104 %
    standards = [cup("standard", f"S{x}", x, nominal_mg_per_l=x) for x in (5.0, 10.0, 20.0, 40.0, 60.0, 80.0)]
    head = [*standards, cup("blank", "B", 0.0), cup("method blank", "M", 0.0), cup("method blank", "M", 0.0)]
    cups = [*head, check[0], *(cup("sample", f"{n}", 50.0) for n in range(11, 20)), check[1]]
    done = measured(cups, drift_correction=True).cups.set_index("position")
    assert done.loc[[10, 20], "kind"].tolist() == ["check", "check"]
    assert done.loc[15, "solution_mg_per_l"] == pytest.approx(49.505, abs=0.001)


def test_over_range_is_diluted_and_read_again() -> None:
    """Case G04. Rayment & Lyons (2011), all flow methods: rule read, numbers computed."""
    cups = checked([cup("sample", "001", 12.4)])
    cups = [one for one in cups if one["cup_id"] != "S20"]  # the top standard is now 10 mg/L
    alone = measured(cups)
    assert alone.soil["withheld"].tolist() == [Flag.OVER_RANGE.value]
    assert alone.soil[["value", "below"]].isna().all(axis=None)
    again = measured([*cups[:-1], cup("sample", "001", 1.31, dilution=10.0), cups[-1]])
    assert again.soil["value"].tolist() == [131.0]  # 13.1 mg/L x 10


@pytest.mark.parametrize(("net", "kept"), [(-0.015, True), (-0.03, False)])
def test_small_negatives_are_kept_and_large_ones_dropped(net: float, *, kept: bool) -> None:
    """Case B09. NEON, inorganic nitrogen (read): above -0.02 mg/L it is set to 0, below it is dropped.

    Here the small one is kept as "less than" instead of 0.
    """
    cups = checked([cup("sample", "001", 0.1 + net), cup("sample", "002", 5.0)])
    for one in cups:
        if one["kind"] == "method blank":
            one["solution_mg_per_l"] = 0.1
    row = measured(cups).soil.iloc[0]
    assert np.isnan(row["value"])
    assert (row["below"] == 5.0) == kept
    assert (row["withheld"] == "") == kept


# What follows is common practice of the trade, without a printed source.

SHIPPED = read_tables(tables_directory()).methods
RUN_METHODS = [method for method in SHIPPED.values() if method.extract_ml is not None]


def test_phosphorus_in_the_bray_matrix() -> None:
    """Common practice: standards of 0.5 to 20 mg/L in the extractant; plain extractant shows no peak."""
    bray = SHIPPED[BRAY.id]
    assert (bray.calibrated_from_mg_per_l, bray.calibrated_to_mg_per_l) == (STANDARDS[0], STANDARDS[-1])
    fine = measured(checked(samples(3.0)), bray, [{"lab_number": "001", "ph_water": 6.0}])
    assert fine.verdict is Verdict.ACCEPT
    assert fine.curve is not None
    assert (fine.curve.lowest_mg_per_l, fine.curve.highest_mg_per_l) == (0.5, 20.0)
    (blank,) = lines_of(fine.quality, CheckName.CALIBRATION_BLANK)
    assert (blank.outcome, blank.found) == (Outcome.PASS, pytest.approx(0.0, abs=1e-9))


def test_a_peak_in_plain_extractant_holds_the_run() -> None:
    """Common practice: a blank that shows the peak of the lowest standard is no blank."""
    cups = checked(samples(3.0))
    for one in cups:
        if one["kind"] == "blank":
            one["solution_mg_per_l"] = 0.5
    report = judge(run_of(cups))
    assert [line.outcome for line in lines_of(report, CheckName.CALIBRATION_BLANK)] == [Outcome.HOLD]
    assert report.verdict is Verdict.HOLD


@pytest.mark.parametrize("area_per_mg_per_l", [0.04, 100.0, 25_000.0])
def test_area_is_proportional_to_concentration(area_per_mg_per_l: float) -> None:
    """Common practice: twice the area is twice the phosphorus, whatever the detector's scale."""
    cups = [c | {"signal": area_per_mg_per_l * c["solution_mg_per_l"]} for c in checked(samples(3.0, 6.0))]
    done = measured(cups)
    assert done.soil["value"].tolist() == [30.0, 60.0]
    assert done.curve is not None
    assert done.curve.coefficients == pytest.approx([0.0, area_per_mg_per_l], abs=1e-9 * area_per_mg_per_l)
    sheet = run_sheet(done).curve
    assert sheet is not None
    assert sheet.ratio_worst_percent == pytest.approx(0.0, abs=1e-6)


def test_area_that_is_not_proportional_does_not_pass_as_a_line() -> None:
    """A detector that loses 1.5 % for each mg/L reads the top standard 30 % low: its line is rejected."""
    cups = checked(samples(3.0))
    bent = [c | {"signal": 100 * c["solution_mg_per_l"] * (1 - 0.015 * c["solution_mg_per_l"])} for c in cups]
    done = measured(bent)
    assert done.verdict is Verdict.REJECT
    sheet = run_sheet(done).curve
    assert sheet is not None
    assert sheet.ratio_worst_percent is not None
    assert abs(sheet.ratio_worst_percent) > RATIO_LIMIT_PERCENT
    assert (sheet.model, sheet.proposed_model) == ("linear", "quadratic")


@pytest.mark.parametrize("method", RUN_METHODS, ids=lambda method: method.id)
def test_standards_are_made_in_the_matrix_of_the_samples(method: Method) -> None:
    """Common practice: every run method names its matrix, and standards made in another are refused."""
    read_as = {"analyte": "ammonium", "form": "NH4-N"} if method.analyte == "CEC" else {}
    other = "water" if method.matrix != "water" else "2 M potassium chloride"
    for matrix, outcome in ((method.matrix.upper(), Outcome.PASS), (other, Outcome.REJECT)):
        report = judge(
            run_of(checked(samples(3.0)), method, standards_matrix=matrix, **read_as), method=method
        )
        assert [line.outcome for line in lines_of(report, CheckName.MATRIX)] == [outcome]
