"""Ratio, dilution, blank, moisture, basis, form and rounding."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from interpretation.errors import BasisError, PreparationError
from interpretation.laboratory.flags import names
from interpretation.laboratory.measure import Preparation, measure
from interpretation.laboratory.preparation import no_samples
from interpretation.laboratory.soil import (
    dry_mass_g,
    extract_volume_ml,
    half_even,
    moisture_on_dry_mass,
    moisture_on_moist_mass,
    oven_dry_content,
    reported,
    reported_limit,
    soil_content,
)
from interpretation.methods import DigitRule, Method
from interpretation.results import Flag
from tests.compute.laboratory_runs import (
    BRAY,
    CEC,
    LIMITS,
    NITRATE,
    Cup,
    checked,
    cup,
    measured,
    run_of,
    samples,
)

amounts = st.floats(0.01, 1e4)
moistures = st.floats(0, 400)


# ---------------------------------------------------------------------------------------- formulas


@given(amounts, st.floats(1, 1000), amounts, amounts)
def test_linear_in_dilution(read: float, dilution: float, volume: float, mass: float) -> None:
    once = soil_content(read, extract_ml=volume, soil_g=mass)
    assert soil_content(read, extract_ml=volume, soil_g=mass, dilution=dilution) == pytest.approx(
        once * dilution
    )


@given(amounts, amounts, st.floats(1, 1000))
def test_where_the_blank_was_diluted_matters(read: float, blank: float, dilution: float) -> None:
    both = {"extract_ml": 20, "soil_g": 2, "dilution": dilution, "blank_mg_per_l": blank}
    undiluted, alike = soil_content(read, **both), soil_content(read, **both, blank_dilution=dilution)
    assert undiluted - alike == pytest.approx(
        10 * blank * (dilution - 1), rel=1e-6, abs=1e-6 * read * dilution
    )


@given(amounts, moistures, moistures)
def test_more_moisture_never_lowers_a_dry_value(value: float, one: float, more: float) -> None:
    drier, wetter = sorted((one, more))
    assert oven_dry_content(value, wetter) >= oven_dry_content(value, drier)
    assert soil_content(1.0, extract_ml=50, soil_g=dry_mass_g(10, wetter)) >= soil_content(
        1.0, extract_ml=50, soil_g=dry_mass_g(10, drier)
    )


@given(amounts, amounts, moistures)
def test_soil_water_never_lowers_the_volume(volume: float, mass: float, moisture: float) -> None:
    assert volume <= extract_volume_ml(volume, mass, moisture) <= (volume + mass) * (1 + 1e-12)


@given(moistures)
def test_moisture_bases_turn_back(moisture: float) -> None:
    there = moisture_on_moist_mass(moisture)
    assert 0 <= there < 100
    assert moisture_on_dry_mass(there) == pytest.approx(moisture, rel=1e-9, abs=1e-9)


def test_a_peat_may_hold_more_water_than_soil() -> None:
    # 250 % of dry mass: 10 g moist are 10 / 3.5 = 2.857 g dry, 3.5 times the content of the moist soil
    assert dry_mass_g(10, 250) == pytest.approx(10 / 3.5)
    assert oven_dry_content(4.0, 250) == pytest.approx(14.0)


# ---------------------------------------------------------------------------------------- rounding


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [
        (0.5, 0, 0.0), (1.5, 0, 2.0), (2.5, 0, 2.0), (-1.5, 0, -2.0), (-2.5, 0, -2.0),
        (2.675, 2, 2.68),  # 2.67499999999999982236431605997495353221893310546875 stands for 2.675: a tie
        (19.949999999999996, 1, 20.0),  # stands for 19.95, a tie: the even digit is 0 of 20.0
        (19.94999, 1, 19.9), (19.95001, 1, 20.0), (0.05, 1, 0.0), (0.15, 1, 0.2), (1e9 + 0.5, 0, 1e9),
    ],
)  # fmt: skip
def test_half_to_even_on_the_decimal_number(value: float, decimals: int, expected: float) -> None:
    assert half_even(value, decimals) == expected


@given(st.floats(-1e6, 1e6), st.integers(0, 4))
def test_rounding_moves_by_half_a_digit_and_only_once(value: float, decimals: int) -> None:
    rounded = half_even(value, decimals)
    assert abs(rounded - value) <= 0.5 * 10.0**-decimals * (1 + 1e-6) + 1e-9 * abs(value)
    assert half_even(rounded, decimals) == rounded


def stepped(*rules: tuple[float, int]) -> Method:
    digits = tuple(DigitRule(**{"from": at}, decimals=decimals) for at, decimals in rules)
    return BRAY.model_copy(update={"digits": digits})


@pytest.mark.parametrize(
    ("value", "expected", "decimals"),
    [(0.994, 0.99, 2), (0.996, 1.0, 1), (9.94, 9.9, 1), (9.96, 10.0, 0), (10.0, 10.0, 0), (12.5, 12.0, 0)],
)
def test_digits_follow_the_size_of_what_is_printed(value: float, expected: float, decimals: int) -> None:
    # two decimals below 1, one from 1, none from 10
    rounded, places = reported([value], stepped((0, 2), (1, 1), (10, 0)))
    assert (rounded[0], places[0]) == (expected, decimals)


def test_nothing_stays_nothing() -> None:
    rounded, places = reported([np.nan, 3.26], BRAY)
    assert np.isnan(rounded[0])
    assert (rounded[1], places.tolist()) == (3.3, [1, 1])


@pytest.mark.parametrize(
    ("limit", "expected"), [(5.0, 5.0), (5.000000000001, 5.0), (5.001, 5.1), (4.99, 5.0)]
)
def test_less_than_is_rounded_up_so_that_it_stays_true(limit: float, expected: float) -> None:
    assert reported_limit([limit], BRAY)[0][0] == expected


# ------------------------------------------------------------------------------- one sample through


def value_of(
    mg_per_l: float, method: Method = BRAY, listed: dict[str, Any] | None = None, **header: Any
) -> float:
    done = measured(checked(samples(mg_per_l)), method, [{"lab_number": "001"} | (listed or {})], **header)
    return float(done.soil["value"].iloc[0])


def test_ratio_and_weights_of_its_own() -> None:
    assert value_of(3.0) == 30.0  # 3.0 x 20 / 2.0
    assert value_of(3.0, listed={"soil_g": 1.6}) == 37.5  # 3.0 x 20 / 1.6
    assert value_of(3.0, listed={"soil_g": 1.6, "extract_ml": 24.0}) == 45.0  # 3.0 x 24 / 1.6


def test_moist_soil_on_its_dry_mass() -> None:
    # 10 g at 25 % hold 8 g dry: 1.15 x 100 / 8 = 14.375, to even 14.4
    assert value_of(1.15, NITRATE, {"moisture_percent": 25.0}) == 14.4


def test_soil_water_is_added_only_where_the_method_says_so() -> None:
    # 100 mL + 2 mL of soil water: 1.15 x 102 / 8 = 14.6625
    added = NITRATE.model_copy(update={"soil_water_added": True})
    assert value_of(1.15, added, {"moisture_percent": 25.0}) == 14.7


def test_no_oven_dry_value_without_moisture() -> None:
    done = measured(checked(samples(3.0)), NITRATE, [{"lab_number": "001"}])
    assert done.soil[["value", "below"]].isna().all(axis=None)
    assert done.soil["withheld"].tolist() == [Flag.MOISTURE_MISSING.value]
    assert done.soil_values.empty
    assert value_of(3.0) == 30.0  # an air-dry method needs none


def test_scooped_soil_gives_mg_per_dm3() -> None:
    scooped = BRAY.model_copy(
        update={
            "soil_g": None,
            "scoop_cm3": 2.5,
            "extract_ml": 25.0,
            "unit": "mg/dm3",
            "basis": "scooped-volume",
        }
    )
    assert value_of(4.2, scooped) == 42.0  # 4.2 x 25 / 2.5


def test_a_run_read_as_another_form() -> None:
    # 4.427 mg NO3/L hold 1.000 mg N/L: x 100 / 8
    ion = value_of(4.4268, NITRATE, {"moisture_percent": 25.0}, form="NO3")
    assert ion == value_of(1.0, NITRATE, {"moisture_percent": 25.0}) == 12.5


def test_cec_counts_the_charge_of_displaced_ammonium() -> None:
    # 14.007 mg NH4-N/L is 1 mmol/L: 1 x 250 / 5 = 50 mmol/kg = 5.0 cmol/kg; as NH4 18.039 mg/L is the same
    as_n = value_of(14.007, CEC, analyte="ammonium", form="NH4-N")
    as_ion = value_of(18.039, CEC, analyte="ammonium", form="NH4")
    assert as_n == as_ion == 5.0


def test_other_units() -> None:
    for unit, expected in (("ug/kg", 30000.0), ("g/kg", 0.03), ("%", 0.003)):
        method = BRAY.model_copy(update={"unit": unit, "digits": (DigitRule(**{"from": 0}, decimals=4),)})
        assert value_of(3.0, method) == expected


# ------------------------------------------------------------------------------------------- blanks


def blanked(cups: list[Cup], *blanks: float, dilution: float = 1.0) -> list[Cup]:
    rest = [one for one in checked(cups) if one["kind"] != "method blank"]
    return [*rest[:8], *(cup("method blank", "MB", b, dilution=dilution) for b in blanks), *rest[8:]]


def test_the_mean_blank_comes_off() -> None:
    # (3.0 - (0.08 + 0.12) / 2) x 10
    assert measured(blanked(samples(3.0), 0.08, 0.12)).soil["value"].tolist() == [29.0]


def test_nothing_comes_off_twice() -> None:
    assert measured(blanked(samples(3.0), 0.08, 0.12), blank_subtracted=True).soil["value"].tolist() == [30.0]


def test_the_blank_stands_on_the_scale_it_was_read_on() -> None:
    diluted = [cup("sample", "001", 6.40, dilution=10.0)]
    # undiluted blank: 64.0 - 0.1 = 63.9; diluted alike: 64.0 - 1.0 = 63.0
    assert measured(blanked(diluted, 0.10, 0.10)).soil["value"].tolist() == [639.0]
    assert measured(blanked(diluted, 0.10, 0.10, dilution=10.0)).soil["value"].tolist() == [630.0]


def test_each_dilution_has_its_own_blank() -> None:
    both = [*samples(3.0), cup("sample", "002", 3.0, dilution=10.0)]
    cups = blanked(both, 0.10, 0.10)
    cups.insert(10, cup("method blank", "MB", 0.05, dilution=10.0))
    # 3.0 - 0.1 = 2.9; 30.0 - 0.5 = 29.5
    assert measured(cups).soil["value"].tolist() == [29.0, 295.0]


@pytest.mark.parametrize(
    ("net", "below", "withheld"),
    # lowest standard 0.5 mg/L, 1:10. A little below the blank is "less than", more than 0.02 is no result
    [(-0.015, 5.0, ""), (-0.02, 5.0, ""), (-0.0201, np.nan, "negative"), (-0.03, np.nan, "negative")],
)
def test_below_the_blank(net: float, below: float, withheld: str) -> None:
    done = measured(blanked([*samples(0.1 + net), cup("sample", "002", 5.0)], 0.1, 0.1))
    assert done.soil["below"].iloc[0] == pytest.approx(below, nan_ok=True)
    assert done.soil["withheld"].iloc[0] == withheld
    assert Flag.NEGATIVE in names(int(done.soil["flags"].iloc[0]))


@pytest.mark.parametrize(
    ("reading", "flagged"),
    # blank 0.6: half of 1.2
    [(1.201, False), (1.2, False), (1.199, True)],
)
def test_a_sample_that_holds_no_more_than_its_blank_is_kept_back(reading: float, *, flagged: bool) -> None:
    done = measured(blanked([*samples(reading), *(cup("sample", f"1{n}", 9.0) for n in range(3))], 0.6, 0.6))
    assert (Flag.BLANK_DOMINATES in names(int(done.soil["flags"].iloc[0]))) == flagged
    assert (done.soil["withheld"].iloc[0] == Flag.BLANK_DOMINATES.value) == flagged


# ----------------------------------------------------------------------------------------- censored


@pytest.mark.parametrize(
    ("reading", "value", "below"),
    # lowest standard 0.5 mg/L at 1:10
    [(0.4999, np.nan, 5.0), (0.5, 5.0, np.nan), (0.5001, 5.0, np.nan), (0.0, np.nan, 5.0)],
)
def test_below_the_lowest_standard_is_less_than_it(reading: float, value: float, below: float) -> None:
    done = measured(checked([*samples(reading), cup("sample", "002", 5.0), cup("sample", "003", 5.0)]))
    assert done.soil["value"].iloc[0] == pytest.approx(value, nan_ok=True)
    assert done.soil["below"].iloc[0] == pytest.approx(below, nan_ok=True)
    assert np.isnan(done.soil["standard_uncertainty"].iloc[0]) or np.isnan(below)
    assert (Flag.BELOW_LOQ in names(int(done.soil["flags"].iloc[0]))) == np.isnan(value)


def test_less_than_carries_dilution_and_ratio() -> None:
    # 0.5 x 10 x 20 / 1.6 = 62.5
    cups = checked([cup("sample", "001", 0.3, dilution=10.0), cup("sample", "002", 5.0)])
    listed = [{"lab_number": "001", "soil_g": 1.6}, {"lab_number": "002"}]
    assert measured(cups, listed=listed).soil["below"].iloc[0] == 62.5


def test_a_net_value_below_the_level_is_less_than_as_well() -> None:
    # reads 0.6, blank 0.2: net 0.4 is below 0.5, and other samples below 0.5 print "< 5"
    done = measured(blanked([*samples(0.6), cup("sample", "002", 5.0)], 0.2, 0.2))
    assert done.soil[["value", "below"]].iloc[0].tolist() == pytest.approx([np.nan, 5.0], nan_ok=True)


def test_less_than_in_the_file_is_kept() -> None:
    cups = checked([cup("sample", "001", np.nan, below_mg_per_l=0.8), cup("sample", "002", 5.0)])
    done = measured(cups, signal_kind="concentration")
    assert done.soil["below"].iloc[0] == 8.0  # 0.8 lies above the lowest standard, so the file's limit holds
    assert Flag.REPORTED_BELOW in names(int(done.soil["flags"].iloc[0]))
    cups[11]["below_mg_per_l"] = 0.1
    assert measured(cups, signal_kind="concentration").soil["below"].iloc[0] == 5.0


def test_never_zero() -> None:
    # 0.06 mg/L at 1:10 is 0.6 mg/kg; no decimals would print 1, at 0.04 they would print 0
    whole = BRAY.model_copy(update={"digits": (DigitRule(**{"from": 0}, decimals=0),)})
    cups = checked(samples(0.06, 0.04, 5.0))
    for one, x in zip(cups, (0.03, 0.05, 0.1, 0.2, 0.5, 20.0), strict=False):
        one |= {"solution_mg_per_l": x, "nominal_mg_per_l": x}
    done = measured(cups, whole)
    assert done.soil["value"].tolist()[0] == 1.0
    assert done.soil[["value", "below"]].iloc[1].tolist() == pytest.approx([np.nan, 1.0], nan_ok=True)


def test_concentrations_may_be_multiplied_already() -> None:
    cups = checked([cup("sample", "001", 30.0, dilution=10.0), cup("sample", "002", 3.0, dilution=10.0)])
    plain, applied = (
        measured(cups, signal_kind="concentration", dilution_applied=on) for on in (False, True)
    )
    # read 30.0: over the top standard of 20; or 3.0 in the cup, 30.0 in the extract
    assert plain.soil["withheld"].tolist() == [Flag.OVER_RANGE.value, ""]
    assert plain.soil["value"].tolist()[1] == 300.0
    # 0.3 in the cup is below the lowest standard: less than 0.5 x 10 x 10
    assert applied.soil["value"].tolist()[0] == 300.0
    assert applied.soil["below"].tolist()[1] == 50.0


# ------------------------------------------------------------------------------- method not valid


@pytest.mark.parametrize(
    ("listed", "valid"),
    [
        ({"ph_water": 7.39}, True), ({"ph_water": 7.4}, True), ({"ph_water": 7.41}, False), ({}, True),
        ({"lime_percent": 2.0}, True), ({"lime_percent": 2.01}, False),
    ],
)  # fmt: skip
def test_a_method_has_its_soils(listed: dict[str, float], *, valid: bool) -> None:
    method = BRAY.model_copy(
        update={"valid_ph_max": 7.4, "valid_lime_percent_max": 2.0, "use_instead": "olsen-1:20-colour"}
    )
    done = measured(checked(samples(3.0)), method, [{"lab_number": "001"} | listed])
    assert len(done.soil_values) == valid
    row = done.soil.iloc[0]
    assert (row["withheld"], row["use_instead"]) == (
        ("", "") if valid else (Flag.METHOD_NOT_VALID.value, "olsen-1:20-colour")
    )
    assert np.isnan(row["value"]) != valid


@pytest.mark.parametrize(("ph_water", "valid"), [(5.99, False), (6.0, True), (6.01, True)])
def test_a_method_may_have_a_lowest_ph(ph_water: float, *, valid: bool) -> None:
    method = BRAY.model_copy(update={"valid_ph_min": 6.0})
    done = measured(checked(samples(3.0)), method, [{"lab_number": "001", "ph_water": ph_water}])
    assert len(done.soil_values) == valid


# ------------------------------------------------------------------------------------------- refusals


def refused(
    error: type[Exception], method: Method = BRAY, listed: list[dict[str, Any]] | None = None, **header: Any
) -> str:
    with pytest.raises(error) as caught:
        measured(checked(samples(3.0)), method, listed or [], **header)
    return str(caught.value)


def test_a_sample_that_is_not_listed() -> None:
    message = refused(PreparationError, listed=[{"lab_number": "777"}])
    assert message.startswith("lab number 001: 1 sample(s) of the run are not in the list of samples")
    assert "add them to the list, or correct the id in the run" in message


def test_a_sample_that_is_listed_twice() -> None:
    message = refused(PreparationError, listed=[{"lab_number": "001"}, {"lab_number": "001"}])
    assert "lab number 001: the sample is listed more than once" in message


@pytest.mark.parametrize(
    ("column", "value"),
    [("soil_g", 0.0), ("soil_g", -1.0), ("extract_ml", 0.0), ("moisture_percent", -0.1), ("soil_g", np.inf)],
)
def test_a_mass_volume_or_moisture_that_cannot_be(column: str, value: float) -> None:
    message = refused(PreparationError, listed=[{"lab_number": "001", column: value}])
    assert message.startswith(f"lab number 001: {column} {value:g} cannot be")


@pytest.mark.parametrize(
    ("update", "says"),
    [
        ({"unit": "mg/dm3"}, "unit mg/dm3 does not go with weighed soil"),
        ({"basis": "as-received"}, "soil weighed air-dry cannot be reported as-received"),
        ({"weighed_basis": "as-received"}, "soil weighed as-received cannot be reported air-dry"),
        ({"unit": "pH"}, "pH is not a unit P can be given in from a mass"),
        ({"unit": "cmol/kg"}, "cmol/kg is not a unit P can be given in from a mass"),
        ({"analyte": "K", "form": "K"}, "the run reads P, the method reports K in mg/kg"),
    ],
)
def test_a_method_that_does_not_add_up(update: dict[str, Any], says: str) -> None:
    header = {"analyte": "P", "form": "P"}
    assert says in refused(BasisError, BRAY.model_copy(update=update), **header)


def test_soil_water_of_a_scoop() -> None:
    scooped: dict[str, Any] = {"soil_g": None, "scoop_cm3": 2.0, "unit": "mg/dm3", "basis": "scooped-volume"}
    scooped["soil_water_added"] = True
    says = "soil water cannot be added to the extract of a scooped soil"
    assert says in refused(BasisError, BRAY.model_copy(update=scooped))


def test_a_cec_in_mass_units() -> None:
    message = refused(BasisError, CEC.model_copy(update={"unit": "mg/kg"}), analyte="ammonium", form="NH4-N")
    assert "Expected: the same analyte, or ammonium for a CEC in cmol/kg" in message


def test_a_run_of_another_method() -> None:
    run = run_of(checked(samples(3.0)), method="olsen-1:20-colour")
    with pytest.raises(PreparationError) as caught:
        measure(run, Preparation(BRAY, no_samples()), LIMITS)
    message = str(caught.value)
    assert "the run was made by olsen-1:20-colour, the preparation is of bray1-1:10-colour" in message


def test_a_bench_method_has_no_ratio() -> None:
    bench = BRAY.model_copy(update={"extract_ml": None, "soil_g": None})
    assert "bray1-1:10-colour has no soil-to-extractant ratio" in refused(PreparationError, bench)
