"""A table of cups is a run only if it makes sense as one."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.errors import RunError
from interpretation.laboratory.parse import parse_run
from interpretation.laboratory.run import READINGS, RunHeader

HEADER = RunHeader(
    run_id="BR-0412", laboratory="Quillwater Soil Laboratory", analyte="P", form="P",
    method="bray1-1:10-colour", signal_kind="absorbance", standards_matrix="bray-1 extractant",
    run_on=date(2026, 3, 4), operator="E. Rowe", blank_subtracted=False, dilution_applied=False,
)  # fmt: skip
CONCENTRATIONS = HEADER.model_copy(update={"signal_kind": "concentration"})
NAN = float("nan")


def _cups(*changes: dict[str, Any]) -> pd.DataFrame:
    """Blank, standard, two samples and a duplicate; each change names its cup and new values."""
    frame = pd.DataFrame(
        {
            "row": [2, 3, 4, 5, 6],
            "position": [1, 2, 3, 4, 5],
            "kind": ["blank", "standard", "sample", "sample", "duplicate"],
            "cup_id": ["", "S1", "0012", "0013", ""],
            "of": ["", "", "", "", "0012"],
            "nominal_mg_per_l": [NAN, 0.5, NAN, NAN, NAN],
            "signal": [0.002, 0.051, 0.063, 0.071, 0.064],
            "solution_mg_per_l": [NAN] * 5,
            "below_mg_per_l": [NAN] * 5,
            "dilution": [NAN, 1.0, 1.0, 10.0, 1.0],
            "excluded": [False] * 5,
            "reason": [""] * 5,
        }
    )
    for change in changes:
        cup = change.pop("cup")
        for name, value in change.items():
            frame.loc[cup, name] = value
    return frame


def test_a_good_run_is_typed_and_complete() -> None:
    run = parse_run(HEADER, _cups(), source="run.csv")
    assert {name: str(dtype) for name, dtype in run.readings.dtypes.items()} == READINGS
    assert run.readings["dilution"].tolist() == [1.0, 1.0, 1.0, 10.0, 1.0]
    assert run.source == "run.csv"


def test_missing_columns_get_their_defaults() -> None:
    cups = _cups().loc[:3, ["signal", "cup_id", "kind", "position", "row", "nominal_mg_per_l"]]
    readings = parse_run(HEADER, cups).readings
    assert list(readings.columns) == list(READINGS)
    assert readings["dilution"].tolist() == [1.0] * 4
    assert readings["of"].tolist() == [""] * 4
    assert not readings["excluded"].any()


def test_the_cups_handed_in_are_left_alone() -> None:
    cups = _cups()
    before = cups.copy(deep=True)
    parse_run(HEADER, cups)
    pd.testing.assert_frame_equal(cups, before)


@given(st.permutations(range(5)))
def test_row_order_does_not_matter(order: list[int]) -> None:
    whole = parse_run(HEADER, _cups()).readings
    pd.testing.assert_frame_equal(parse_run(HEADER, _cups().iloc[order]).readings, whole)


@pytest.mark.parametrize(
    ("change", "parts"),
    [
        ({"cup": 3, "position": 3}, ["row 5, position 3, sample 0013", "there twice, also in row 4"]),
        ({"cup": 3, "kind": "unknown"}, ["row 5, position 4", "unknown kind 'unknown'", "standard, blank"]),
        ({"cup": 2, "cup_id": ""}, ["row 4, position 3, sample", "the cup has no id"]),
        ({"cup": 1, "nominal_mg_per_l": NAN}, ["row 3, position 2, standard S1", "no nominal value"]),
        (
            {"cup": 1, "nominal_mg_per_l": -0.1},
            ["standard S1", "the nominal value cannot be", "zero or more"],
        ),
        ({"cup": 4, "kind": "spike"}, ["row 6", "spike: the cup has no nominal value"]),
        (
            {"cup": 4, "kind": "spike", "nominal_mg_per_l": 0.0},
            ["the nominal value cannot be", "for a spike"],
        ),
        ({"cup": 2, "signal": 1.01e12}, ["sample 0012", "signal is of an impossible size", "up to 1e+12"]),
        ({"cup": 2, "signal": -np.inf}, ["sample 0012", "signal is of an impossible size"]),
        ({"cup": 1, "nominal_mg_per_l": 9e-7}, ["nominal_mg_per_l is of an", "zero or from 1e-06"]),
        ({"cup": 1, "nominal_mg_per_l": 1.01e7}, ["standard S1", "up to 1e+07"]),
        ({"cup": 2, "dilution": 1.01e6}, ["dilution is of an impossible size", "up to 1e+06"]),
        ({"cup": 2, "dilution": 0.999}, ["sample 0012", "a dilution below 1", "not its inverse"]),
        ({"cup": 4, "of": "0099"}, ["row 6", "belongs to '0099', which is no sample of this run"]),
        ({"cup": 4, "of": "S1"}, ["belongs to 'S1', which is no sample"]),
        ({"cup": 4, "of": ""}, ["duplicate", "does not say which sample"]),
        ({"cup": 2, "of": "0013"}, ["sample 0012", "belongs to no sample", "duplicate and spike"]),
        ({"cup": 2, "excluded": True}, ["sample 0012", "excluded without a reason"]),
        ({"cup": 2, "reason": "bubble"}, ["sample 0012", "a reason is given and the cup is not excluded"]),
        ({"cup": 2, "solution_mg_per_l": 1.0}, ["the header says the cups hold absorbance", "signal only"]),
        ({"cup": 2, "below_mg_per_l": 1.0}, ["the header says the cups hold absorbance"]),
    ],
)
def test_what_is_no_run_is_refused(change: dict[str, Any], parts: list[str]) -> None:
    with pytest.raises(RunError) as caught:
        parse_run(HEADER, _cups(dict(change)), source="run.csv")
    for part in (*parts, "run.csv, row", "Expected:", "To fix it:"):
        assert part in str(caught.value), str(caught.value)


def test_a_zero_standard_and_an_undiluted_cup_stand_on_their_limits() -> None:
    cups = _cups({"cup": 1, "nominal_mg_per_l": 0.0}, {"cup": 2, "dilution": 1.0})
    assert parse_run(HEADER, cups).readings["nominal_mg_per_l"][1] == 0.0


def test_sizes_stand_on_their_limits() -> None:
    cups = _cups(
        {"cup": 1, "nominal_mg_per_l": 1e-6}, {"cup": 2, "signal": 1e12}, {"cup": 3, "dilution": 1e6}
    )
    readings = parse_run(HEADER, cups).readings
    assert readings["nominal_mg_per_l"][1] == 1e-6
    assert (readings["signal"].max(), readings["dilution"].max()) == (1e12, 1e6)


def _concentrations(**columns: list[float]) -> pd.DataFrame:
    return _cups().assign(signal=NAN, solution_mg_per_l=[0.01, 0.5, 1.2, -0.02, 1.3]).assign(**columns)


def test_concentrations_may_be_slightly_negative_and_may_be_limits() -> None:
    cups = _concentrations(
        solution_mg_per_l=[-0.01, 0.5, NAN, -0.02, 1.3], below_mg_per_l=[NAN, NAN, 0.05, NAN, NAN]
    )
    readings = parse_run(CONCENTRATIONS, cups).readings
    assert readings["below_mg_per_l"][2] == 0.05
    assert readings["solution_mg_per_l"][3] == -0.02


@pytest.mark.parametrize(
    ("columns", "part"),
    [
        ({"signal": [NAN, NAN, 0.1, NAN, NAN]}, "the header says the cups hold concentration"),
        ({"below_mg_per_l": [NAN, NAN, 0.1, NAN, NAN]}, "a concentration and a limit"),
        (
            {"below_mg_per_l": [NAN] * 4 + [-0.1], "solution_mg_per_l": [1.0] * 4 + [NAN]},
            "a limit of zero or less",
        ),
        ({"solution_mg_per_l": [NAN] * 5}, "no cup has a reading"),
    ],
)
def test_readings_agree_with_the_header(columns: dict[str, list[float]], part: str) -> None:
    with pytest.raises(RunError, match=part):
        parse_run(CONCENTRATIONS, _concentrations(**columns))


def test_a_sample_may_be_read_undiluted_and_diluted() -> None:
    cups = _cups({"cup": 3, "cup_id": "0012"})
    readings = parse_run(HEADER, cups).readings
    assert readings.loc[readings["cup_id"] == "0012", "dilution"].tolist() == [1.0, 10.0]


def test_a_cup_without_reading_is_kept() -> None:
    assert np.isnan(parse_run(HEADER, _cups({"cup": 2, "signal": NAN})).readings["signal"][2])


def test_a_run_without_samples_has_to_be_meant() -> None:
    with pytest.raises(RunError, match="the run has no samples"):
        parse_run(HEADER, _cups().iloc[:2])
    assert len(parse_run(HEADER, _cups().iloc[:2], calibration_only=True).readings) == 2


@pytest.mark.parametrize(
    ("change", "part"),
    [
        ({"analyte": "Q"}, "unknown analyte 'Q'"),
        ({"form": "NO3-N"}, "'NO3-N' is not a form of P"),
        ({"dilution_applied": True}, "dilution_applied is said of a run whose cups hold absorbance"),
    ],
)
def test_a_header_that_contradicts_itself_is_refused(change: dict[str, Any], part: str) -> None:
    with pytest.raises(RunError, match=part):
        parse_run(HEADER.model_copy(update=change), _cups())


def test_cups_need_their_columns() -> None:
    with pytest.raises(RunError, match="the cups have no column 'kind'"):
        parse_run(HEADER, _cups().drop(columns="kind"))
    with pytest.raises(RunError, match="the run has no cups"):
        parse_run(HEADER, _cups().iloc[:0])
