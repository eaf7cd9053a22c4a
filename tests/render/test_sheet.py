"""What a laboratory sheet says."""

from __future__ import annotations

import json

from interpretation.results import Flag, Outcome, RunSheet, Verdict
from reports.build import build_report
from reports.render import html
from reports.sheet import build_sheet
from tests.render.demo_run import curve, run_sheet
from tests.render.demo_world import field, laboratory


def test_every_reason_of_the_verdict_is_told_the_gravest_first() -> None:
    page = build_sheet(run_sheet(), laboratory())
    assert (page.verdict, page.verdict_word) == ("hold", "On hold")
    assert page.reasons == (
        "Continuing check, 20: C2: hold. 88.2 %, limits 90 to 110",
        "Samples within the range, 16: Q26-0415: hold. Dilute with extractant and run again.",
        "Trend with position: look. −4.2 %, limits −3 to 3. The trend is larger than its scatter.",
    )


def test_an_accepted_run_with_points_to_look_at_says_so() -> None:
    checks = tuple(line for line in run_sheet().checks if line.outcome is not Outcome.HOLD)
    page = build_sheet(run_sheet(verdict=Verdict.ACCEPT, checks=checks), laboratory())
    assert page.verdict_text.startswith("No check stops the run.")
    clean = tuple(line for line in checks if line.outcome is Outcome.PASS)
    page = build_sheet(run_sheet(verdict=Verdict.ACCEPT, checks=clean), laboratory())
    assert (page.reasons, page.verdict_text[:11]) == ((), "Every check")


def test_the_curve_is_told_in_figures() -> None:
    page = build_sheet(run_sheet(), laboratory())
    assert page.curve is not None
    facts = {fact.label: fact.value for fact in page.curve.facts}
    assert facts["Range"] == "0.5 to 20 mg/L"
    assert facts["Relative standard error"] == "2.91 %"
    assert facts["Limits defined as"] == "from the scatter about the calibration line"
    assert facts["Mandel's test"] == "2.31; 99 % point 34.1"
    assert page.curve.coefficients.rows[1] == ("b (slope)", "0.0422", "0.00012")
    taken_out = page.curve.standards.rows[5]
    assert taken_out[-1] == "taken out: bubble in the cuvette"
    assert page.curve.proposal.startswith("The proposal is the curve that was chosen")


def test_the_excluded_standard_is_drawn_hollow() -> None:
    page = build_sheet(run_sheet(), laboratory())
    assert page.curve is not None
    signal, residual, recovery = page.curve.plots
    assert [dot.hollow for dot in signal.dots] == [False] * 5 + [True, False]
    assert len(residual.dots) == 6  # it has no residual
    assert len(recovery.dots) == 7
    assert len(recovery.dashed) == 2  # 90 and 110 %


def test_another_proposal_is_printed_and_nothing_is_switched() -> None:
    page = build_sheet(run_sheet(curve=curve(proposed_weighting="1/x2")), laboratory())
    assert page.curve is not None
    assert page.curve.proposal.endswith("The analyst chose otherwise; nothing was switched.")
    assert page.curve.facts[1].value == "1/x"


def test_a_file_of_concentrations_has_no_curve() -> None:
    page = build_sheet(run_sheet(curve=None), laboratory())
    assert page.curve is None
    assert page.no_curve in html(page)


def test_cups_carry_their_flags_and_the_flags_are_explained() -> None:
    page = build_sheet(run_sheet(), laboratory())
    rows = {row[0]: row for row in page.cups.rows}
    assert rows["15"][7] == "< 2 mg/kg"
    assert rows["14"][7] == "7.2 mg/kg"
    assert rows["16"][8] == "above the highest standard; run not accepted"
    used = {flag for cup in run_sheet().cups for flag in cup.flags}
    assert used == {Flag.BELOW_LOQ, Flag.OVER_RANGE, Flag.RUN_NOT_ACCEPTED, Flag.NO_SIGNAL}
    assert len(page.flags) == len(used)


def test_drift_and_soil_water_are_printed_choices() -> None:
    page = build_sheet(run_sheet(drift_corrected=True, soil_water_added=True), laboratory())
    facts = {fact.label: fact.value for fact in page.facts}
    assert (facts["Drift correction"], facts["Soil water"]) == ("applied", "added to the extract volume")


def test_the_attached_data_are_the_run() -> None:
    data = json.loads(build_sheet(run_sheet(), laboratory()).attachment)
    assert RunSheet.model_validate_json(json.dumps(data["run"])) == run_sheet()


def test_report_and_sheet_share_the_mark_of_an_example() -> None:
    assert build_sheet(run_sheet(), laboratory()).band == build_report(field(), laboratory()).band
    assert build_sheet(run_sheet(example=False), laboratory()).band == ""


def test_the_sources_of_the_limits_are_named() -> None:
    page = build_sheet(run_sheet(), laboratory())
    assert "Limits of the checks come from: laboratory." in page.declarations


def test_the_reagents_are_warned_of_and_the_data_sheets_come_first() -> None:
    page = build_sheet(run_sheet(), laboratory())
    fluoride, antimony, acid, deferral = page.hazards
    assert "hydrogen fluoride" in fluoride
    assert "antimony" in antimony
    assert "60 °C" in acid
    assert deferral.startswith("Follow the safety data sheets and your laboratory's hygiene plan.")
    assert fluoride in html(page)
    none = build_sheet(run_sheet(hazards=()), laboratory())
    assert none.hazards == (deferral,)  # it is never left out


def test_a_method_from_memory_is_said_to_be_confirmed() -> None:
    said = "The method's details were recalled, not looked up. This laboratory has confirmed them."
    assert said in build_sheet(run_sheet(from_memory=True), laboratory()).declarations
    assert said not in build_sheet(run_sheet(), laboratory()).declarations
