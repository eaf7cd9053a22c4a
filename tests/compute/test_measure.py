"""The whole laboratory chain on one run, and the laws it obeys."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from interpretation.agronomy.classing import classify
from interpretation.agronomy.tables import ScaleTable
from interpretation.errors import CalibrationError, RunError
from interpretation.laboratory.acceptance import check
from interpretation.laboratory.flags import names
from interpretation.laboratory.inverse import solution
from interpretation.laboratory.measure import Preparation, measure, run_sheet
from interpretation.laboratory.run import KINDS
from interpretation.results import Flag, Verdict
from interpretation.soil_values import COLUMNS, soil_values
from tests.compute.laboratory_runs import (
    BRAY,
    LIMITS,
    NITRATE,
    checked,
    cup,
    listing,
    measured,
    run_of,
    samples,
    standards,
)

LISTED = [
    {"lab_number": f"{n:03d}", "depth_from_cm": 0.0, "depth_to_cm": 20.0, "sampled_on": "2026-02-20"}
    for n in range(1, 8)
]


def test_what_crosses_to_the_agronomy_is_typed_as_it_demands() -> None:
    done = measured(checked(samples(3.0, 0.1, 24.0, 5.0)), listed=LISTED)
    released = done.soil_values
    pd.testing.assert_frame_equal(released, soil_values(released))
    assert list(released.columns) == list(COLUMNS)
    assert released["lab_number"].tolist() == ["001", "002", "004"]  # 003 is over range
    assert released["origin"].unique().tolist() == ["run T-1"]
    assert released["sampled_on"].iloc[0] == pd.Timestamp("2026-02-20")
    assert released[["depth_from_cm", "depth_to_cm"]].iloc[0].tolist() == [0.0, 20.0]


def test_nothing_crosses_from_a_run_on_hold() -> None:
    done = measured(checked(samples(3.0), check_mg_per_l=(5.0, 6.0)), listed=LISTED)
    assert done.verdict is Verdict.HOLD
    assert done.soil_values.empty
    pd.testing.assert_frame_equal(done.soil_values, soil_values(done.soil_values))
    assert done.soil["value"].tolist() == [30.0]  # there to be looked at
    assert Flag.RUN_NOT_ACCEPTED in names(int(done.soil["flags"].iloc[0]))


def test_a_rejected_run_releases_nothing_either() -> None:
    done = measured(checked(samples(3.0)), standards_matrix="water")
    assert (done.verdict, len(done.soil_values)) == (Verdict.REJECT, 0)


def test_the_diluted_reading_stands() -> None:
    # 24 is over the top of 20; at 1 in 10 it reads 2.4: 2.4 x 10 x 10 = 240
    done = measured(checked([*samples(24.0, 3.0), cup("sample", "001", 2.4, dilution=10.0)]), listed=LISTED)
    assert done.soil["value"].tolist() == [240.0, 30.0]
    assert done.soil["cup"].tolist() == [13, 12]


def test_a_value_is_rounded_once() -> None:
    # 2.2475 mg/L x 10 = 22.475 mg/kg. The sheet prints one decimal, 22.5; a table in whole mg/kg, where
    # "high" begins at 23, must see 22.475 and say 22: by way of 22.5 it would say 23 and "high".
    done = measured(checked(samples(2.2475)), listed=LISTED)
    assert done.soil["value"].tolist() == [22.5]
    assert done.soil_values["value"].tolist() == pytest.approx([22.475], abs=1e-9)
    scale = ScaleTable.model_validate(
        {
            "id": "vale/p",
            "region": "vale",
            "crops": "any",
            "analyte": "P",
            "method": BRAY.id,
            "unit": "mg/kg",
            "basis": "air-dry",
            "depth_cm": (0, 20),
            "round_to": 1,
            "sources": ("s",),
            "effective_from": "2026-01-01",
            "standing": "invented",
            "classes": [{"name": "medium", "from": 0}, {"name": "high", "from": 23}],
        }
    )
    nothing = np.full(1, np.nan)
    classes = classify(done.soil_values["value"].to_numpy(), nothing, nothing, scale)
    assert (classes.reported[0], classes.index[0]) == (22.0, 0)


def test_a_run_without_samples_is_still_judged() -> None:
    done = measured(checked([]))
    assert done.soil.empty
    assert done.soil_values.empty
    assert run_sheet(done).verdict is done.verdict


def test_one_list_of_samples_serves_several_runs() -> None:
    shared = Preparation(BRAY, listing(LISTED))
    for mg_per_l in (3.0, 5.0):
        run = run_of(checked(samples(mg_per_l, 2.0)))
        own = measure(run, Preparation(BRAY, listing(LISTED)), LIMITS)
        pd.testing.assert_frame_equal(measure(run, shared, LIMITS).soil_values, own.soil_values)


@pytest.mark.parametrize("wrong", [{"found": float("nan")}, {"outcome": "passed"}])
def test_a_sheet_takes_no_check_that_says_nothing(wrong: dict[str, object]) -> None:
    done = measured(checked(samples(3.0)))
    lines = (dataclasses.replace(done.quality.checks[0], **wrong), *done.quality.checks[1:])  # type: ignore[arg-type]
    quality = dataclasses.replace(done.quality, checks=lines)
    with pytest.raises(ValidationError, match=next(iter(wrong))):
        run_sheet(dataclasses.replace(done, quality=quality))


def test_uncertainty_is_that_of_the_whole_test_where_it_is_larger() -> None:
    cups = checked(samples(3.0))
    for one, off in zip(cups[1:6], (0.01, -0.01, 0.02, -0.02, 0.03), strict=True):
        one["solution_mg_per_l"] += off
    own, whole = (
        measured(cups, BRAY.model_copy(update={"reproducibility_percent": p})).soil.iloc[0]
        for p in (None, 12.0)
    )
    assert own["value"] == whole["value"]
    # not rounded: 12 % of the value before rounding
    assert whole["standard_uncertainty"] == pytest.approx(0.12 * whole["value"], rel=0.002)
    assert 0.5e-2 * own["value"] < own["standard_uncertainty"] < 0.03 * own["value"]


# --------------------------------------------------------------------------------------------- laws


def busy() -> list[dict[str, object]]:
    """A run with a bit of everything."""
    return checked(
        [
            *samples(3.0, 0.1, 24.0, 5.0),
            cup("sample", "003", 2.4, dilution=10.0),
            cup("duplicate", "001-D", 3.1, of="001"),
            cup("spike", "004-S", 6.9, of="004", nominal_mg_per_l=2.0),
            cup("reference soil", "QR-1", 3.0),
        ]
    )


@settings(max_examples=20)
@given(st.permutations(range(20)))
def test_the_order_of_rows_does_not_matter(order: list[int]) -> None:
    run = run_of(busy())
    assert len(run.readings) == len(order)
    shuffled = dataclasses.replace(run, readings=run.readings.iloc[order].reset_index(drop=True))
    one, other = (measure(r, Preparation(BRAY, listing(LISTED)), LIMITS) for r in (run, shuffled))
    pd.testing.assert_frame_equal(one.soil_values, other.soil_values)
    for a, b in zip(one.quality.checks, other.quality.checks, strict=True):
        assert (a.check, a.outcome, a.detail, a.position) == (b.check, b.outcome, b.detail, b.position)
        assert a.figure == (b.figure if b.figure is None else pytest.approx(b.figure, abs=1e-9))
    assert one.cups["position"].tolist() == other.cups["position"].tolist()


@settings(max_examples=25)
@given(st.floats(0.6, 19), st.floats(1, 50))
def test_linear_in_dilution(mg_per_l: float, dilution: float) -> None:
    fine = BRAY.model_copy(update={"digits": ()})  # replaced below: no rounding to speak of
    fine = fine.model_copy(update={"digits": BRAY.digits[:1]})
    one, more = (
        measured(checked([cup("sample", "001", mg_per_l, dilution=d)]), fine).soil.iloc[0]
        for d in (1.0, dilution)
    )
    assert more["value"] == pytest.approx(one["value"] * dilution, abs=0.05 * dilution + 0.05 + 1e-6)
    assert more["standard_uncertainty"] == pytest.approx(dilution * one["standard_uncertainty"], rel=1e-6)


@settings(max_examples=25)
@given(st.floats(0.6, 19), st.floats(0, 300), st.floats(0, 300))
def test_more_moisture_never_lowers_a_value(mg_per_l: float, one: float, more: float) -> None:
    drier, wetter = (
        measured(checked(samples(mg_per_l)), NITRATE, [{"lab_number": "001", "moisture_percent": m}])
        for m in sorted((one, more))
    )
    assert drier.soil["value"].iloc[0] <= wetter.soil["value"].iloc[0]


def test_check_and_measure_say_the_same() -> None:
    run = run_of(busy())
    done = measure(run, Preparation(BRAY, listing(LISTED)), LIMITS)
    assert done.curve is not None
    apart = check(solution(run.readings, done.curve), done.curve, LIMITS, run, BRAY)
    assert apart.checks == done.quality.checks
    assert apart.flags.tolist() == done.quality.flags.tolist()


def test_the_frame_and_the_arrays_read_the_same() -> None:
    run = run_of(busy())
    done = measure(run, Preparation(BRAY, listing(LISTED)), LIMITS)
    assert done.curve is not None
    frame = solution(run.readings, done.curve)
    for name in ("solution_mg_per_l", "solution_uncertainty_mg_per_l"):
        np.testing.assert_array_equal(done.cups[name], frame[name])


readings = st.one_of(
    st.sampled_from([0.0, 0.5, 5.0, 20.0, np.nan]), st.floats(-5, 60).map(lambda x: round(x, 6))
)
cups_of_any_kind = st.builds(
    cup,
    st.sampled_from(KINDS[1:]),
    st.sampled_from(["A", "B", "C"]),
    readings,
    of=st.sampled_from(["A", "B", "", "nobody"]),
    nominal_mg_per_l=readings,
    dilution=st.sampled_from([1.0, 2.0, 10.0]),
    excluded=st.booleans(),
    below_mg_per_l=st.sampled_from([np.nan, np.nan, 0.3]),
)


@settings(max_examples=150)
@given(
    st.lists(cups_of_any_kind, max_size=16),
    st.sampled_from(["peak area", "concentration"]),
    st.booleans(),
    st.booleans(),
)
def test_whatever_a_run_holds_it_is_judged(
    cups: list[dict[str, object]], signal_kind: str, correct: bool, subtracted: bool
) -> None:
    done = measured(
        [*standards(), *cups], signal_kind=signal_kind, drift_correction=correct, blank_subtracted=subtracted
    )
    values = done.soil
    assert not (values["value"].notna() & values["below"].notna()).any()
    assert not (values["value"] <= 0).any()
    assert not (values["below"] <= 0).any()
    assert ((values["withheld"] != "") | values["value"].notna() | values["below"].notna()).all()
    pd.testing.assert_frame_equal(done.soil_values, soil_values(done.soil_values))
    sheet = run_sheet(done)
    assert len(sheet.cups) == len(cups) + 6
    assert sheet.checks


# -------------------------------------------------------------------------------------------- sheet


def test_the_sheet_shows_every_cup_and_what_came_of_it() -> None:
    done = measured(busy(), listed=LISTED)
    sheet = run_sheet(done)
    assert [line.position for line in sheet.cups] == list(range(1, 21))
    beside = {line.cup_id: line for line in sheet.cups if line.kind == "sample" and line.unit}
    assert beside["001"].value == 30.0
    assert (beside["002"].value, beside["002"].below) == (None, 5.0)
    assert (beside["003"].value, beside["003"].dilution) == (240.0, 10.0)
    over = next(line for line in sheet.cups if line.cup_id == "003" and line.dilution == 1)
    assert (over.value, over.unit, over.flags) == (None, "", (Flag.OVER_RANGE,))
    assert sheet.curve is not None
    assert sheet.method_note == "2 g + 20 mL"
    assert sheet.checks == done.quality.checks
    assert not sheet.drift_corrected


def test_the_sheet_of_concentrations_has_no_curve() -> None:
    sheet = run_sheet(measured(busy(), signal_kind="concentration"))
    assert sheet.curve is None
    assert {line.signal for line in sheet.cups} == {None}


def test_the_sheet_says_when_drift_was_corrected_and_water_added() -> None:
    method = NITRATE.model_copy(update={"soil_water_added": True})
    cups = checked(samples(3.0), check_mg_per_l=(5.0, 5.2))
    listed = [{"lab_number": "001", "moisture_percent": 20.0}]
    sheet = run_sheet(measured(cups, method, listed, drift_correction=True))
    assert sheet.drift_corrected
    assert sheet.soil_water_added


# ------------------------------------------------------------------------------------------ refusals


@pytest.mark.parametrize("dilution", [0.0, 0.5, -1.0, np.nan, np.inf])
def test_a_dilution_below_one(dilution: float) -> None:
    with pytest.raises(RunError) as caught:
        measured(checked([cup("sample", "001", 3.0, dilution=dilution)]))
    message = str(caught.value)
    assert message.startswith(f"test.csv, row 13: dilution {dilution:g} cannot be")
    assert "Expected: final volume over aliquot volume, 1 or more" in message
    assert "To fix it: write 10 for 1 mL made up to 10 mL" in message


def test_signals_that_claim_to_be_multiplied() -> None:
    with pytest.raises(RunError) as caught:
        measured(checked(samples(3.0)), dilution_applied=True)
    assert str(caught.value).startswith("test.csv: signals cannot be multiplied by the dilution already")


def test_no_curve_no_measurement() -> None:
    with pytest.raises(CalibrationError):
        measured(samples(3.0))


def test_excluded_cups_stay_in_sight_and_out_of_the_results() -> None:
    taken_out = cup("sample", "001", 3.0, excluded=True, reason="spilt")
    done = measured(checked([taken_out, cup("sample", "002", 4.0)]))
    assert done.soil["withheld"].tolist() == [Flag.EXCLUDED.value, ""]
    assert done.cups["cup_id"].tolist().count("001") == 1
    assert "001" not in [line.cup_id for line in done.quality.checks]
