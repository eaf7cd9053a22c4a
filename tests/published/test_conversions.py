"""Published equations between methods through the whole chain of shipped tables, and what is not given."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest

from interpretation.agronomy.advise import advise
from interpretation.agronomy.records import field_advice
from interpretation.agronomy.tables import TableSet
from interpretation.results import FieldAdvice
from service.paths import tables_directory
from service.tablefiles import read_tables
from tests.published import printed
from tests.small_world import ph, samples, values

NAN = float("nan")
ICP, RATIO = "ohio/bray-from-mehlich3-icp", "ohio/bray-from-mehlich3-ratio"
FAQ = {"source": "ohio-mehlich3-to-bray", "locator": "equation and example", "standing": "seen"}
ANR = {"source": "ohio-anr-75", "locator": "35 % and 14 % above", "standing": "seen"}
ROWS: tuple[dict[str, Any], ...] = (
    # -8.08 + 0.832 x 22 = 10.224: the page prints 10
    FAQ | {"table": ICP, "value": 22.0, "answer": "printed", "printed": "10"},
    FAQ | {"table": ICP, "value": 22.0, "answer": "computed", "expected": 10.22, "tolerance": 0.005},
    # 22 / 1.35 = 16.296: two published routes, six ppm apart, which is why nothing is converted unasked
    ANR | {"table": RATIO, "value": 22.0, "answer": "computed", "expected": 16.3, "tolerance": 0.05},
    ANR | {"table": RATIO, "value": 27.0, "answer": "computed", "expected": 20.0, "tolerance": 0.05},
)


@cache
def shipped() -> TableSet:
    return read_tables(tables_directory())


def field(name: str, value: float, day: str = "2019-10-01", convert: tuple[str, ...] = ()) -> FieldAdvice:
    """One sample of Ohio, measured by the method that an equation starts from."""
    equation = shipped().conversions[name]
    method = shipped().methods[equation.from_method]
    at = {"depth_to_cm": 20.32, "sampled_on": pd.Timestamp(day)}
    measured = {"analyte": method.analyte, "form": method.form, "method": method.id, "unit": method.unit}
    soil = values(at | measured | {"value": value, "standard_uncertainty": 1.0}, ph(6.3) | at)
    context = samples(at | {"region": "ohio", "crop": "maize", "yield_goal": NAN})
    return field_advice(advise(soil, shipped(), context, convert), "f1")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['table']}-{row['value']:g}-{row['answer']}")
def test_conversion(row: dict[str, Any], ledger: printed.Enter) -> None:
    ledger(row)
    equation = shipped().conversions[row["table"]]
    soil = values(
        {"analyte": equation.analyte, "form": equation.analyte, "method": equation.from_method,
         "value": row["value"], "sampled_on": pd.Timestamp("2019-10-01")}
    )  # fmt: skip
    context = samples({"region": "ohio"})
    found = advise(soil, shipped(), context, (row["table"],)).classed.frame.iloc[0]
    assert found["method"] == equation.to_method
    assert found["value"] == printed.expected(row)


def test_a_converted_value_is_classed_in_the_chart_of_the_other_method() -> None:
    # 10.2 by Bray P1 lies below the critical 15 ppm of maize
    result = field(ICP, 22.0, convert=(ICP,)).results[0]
    assert (result.value, result.table) == (10.2, "ohio/phosphorus-bray1-1995-maize-soybean")
    assert result.class_name == result.limits[0].name
    assert result.standard_uncertainty == pytest.approx(0.832)
    assert result.measured_as is not None
    assert (result.measured_as.value, result.measured_as.method) == (22.0, "p-mehlich3-icp")


def test_unasked_it_is_refused_and_the_equation_named() -> None:
    result = field(ICP, 22.0).results[0]
    assert (result.class_name, result.method) == (None, "p-mehlich3-icp")
    assert result.refusal is not None
    assert result.refusal.values["conversion"] == ICP


def test_an_equation_that_leads_to_a_chart_no_longer_in_force_is_not_offered() -> None:
    # From November 2020 the bulletin's charts are in Mehlich-3.
    result = field(ICP, 22.0, day="2021-03-01").results[0]
    assert result.refusal is not None
    assert "conversion" not in result.refusal.values


@pytest.mark.parametrize(("value", "inside"), [(9.4, False), (9.5, True), (100.4, True), (100.5, False)])
def test_ohio_s_equation_is_used_where_its_result_makes_sense(value: float, inside: bool) -> None:
    # The method reports whole mg/kg: 9.5 is reported as 10, the lowest value; 100.5 as 101.
    result = field(ICP, value, convert=(ICP,)).results[0]
    assert (result.method == "bray1-1:10-colour") is inside
    assert (result.refusal is not None and result.refusal.key == "outside-conversion") is not inside


# ------------------------------------------------------- what the pages of the United Kingdom do not give


def uk(region: str, crop: str, method: str, value: float, day: str, **at: Any) -> FieldAdvice:
    known = shipped().methods[method]
    depth = {"depth_to_cm": at.pop("depth_to_cm", 15.0), "sampled_on": pd.Timestamp(day)}
    soil = values(
        depth | {"analyte": known.analyte, "form": known.form, "method": method, "value": value,
                 "unit": known.unit, "basis": known.basis}
    )  # fmt: skip
    context = samples(depth | {"region": region, "crop": crop, "yield_goal": 8.0} | at)
    return field_advice(advise(soil, shipped(), context), "f1")


@pytest.mark.parametrize(
    ("crop", "method", "index", "soil_group"),
    [
        ("winter-wheat", "k-index-uk", 2.5, ""),  # no figure of index 2+ was read
        ("winter-wheat-straw-removed", "k-index-uk", 2.5, ""),
        ("spring-barley", "k-index-uk", 2.5, ""),
        ("spring-wheat", "sns-index-uk", 1, "light-sand"),  # printed 13, between 160 and 100
        ("spring-wheat", "sns-index-uk", 5, "light-sand"),  # printed 0-40
        ("spring-wheat", "sns-index-uk", 6, "other-mineral"),
        ("spring-wheat", "sns-index-uk", 2, "organic"),  # a dash
        ("spring-wheat", "sns-index-uk", 6, "organic"),
    ],
)
def test_where_a_cell_is_a_range_a_misprint_or_empty_no_amount_is_given(
    crop: str, method: str, index: float, soil_group: str
) -> None:
    found = uk("uk-2010", crop, method, index, "2014-03-01", soil_group=soil_group)
    nutrient = "N" if method == "sns-index-uk" else "K2O"
    amount = next(amount for amount in found.amounts if amount.nutrient == nutrient)
    assert amount.rate is None
    assert amount.refusal is not None
    assert amount.refusal.key == "no-rate-row"


def test_peaty_soils_have_no_nitrogen_table() -> None:
    found = uk("uk-2010", "spring-wheat", "sns-index-uk", 3, "2014-03-01", soil_group="peaty")
    (refusal,) = (amount.refusal for amount in found.amounts if amount.nutrient == "N")
    assert refusal is not None
    assert (refusal.key, refusal.values["failed"]) == ("no-table", "soil-group")


@pytest.mark.parametrize(("day", "classed"), [("2016-12-31", True), ("2017-01-01", False)])
def test_the_manual_of_2010_ends_where_a_later_edition_begins(day: str, classed: bool) -> None:
    result = uk("uk-2010", "winter-wheat", "olsen-volume", 12.0, day).results[0]
    assert (result.class_name == "index 1") is classed


@pytest.mark.parametrize(("index", "given"), [(0, True), (1, False), (2, True), (2.5, True), (3, False)])
def test_potash_for_cut_grass_is_given_where_the_leaflet_prints_one_figure(index: float, given: bool) -> None:
    found = uk("uk", "grass-silage", "k-index-uk", index, "2026-02-02", depth_to_cm=7.5, yield_goal=23.0)
    (amount,) = (amount for amount in found.amounts if amount.nutrient == "K2O")
    assert (amount.rate is not None) is given


def test_a_value_per_mass_of_soil_has_no_index() -> None:
    # The law prints mg in a litre of soil. An Olsen value in mg/kg is another quantity.
    result = uk("northern-ireland", "winter-wheat", "olsen-1:20-colour", 12.0, "2026-02-02").results[0]
    assert (result.class_name, result.refusal is None) == (None, False)


def test_a_yield_other_than_the_manual_s_moves_the_rounded_rate() -> None:
    # 10 t/ha: 90 + 2 x 7.8 = 105.6, not 10 x 7.8 + 30 = 108. 6 t/ha: 90 - 15.6 = 74.4.
    for goal, rate in ((10.0, 106.0), (8.0, 90.0), (6.0, 74.0)):
        found = uk("uk-2010", "winter-wheat", "olsen-volume", 12.0, "2014-03-01", yield_goal=goal)
        assert [a.rate for a in found.amounts if a.nutrient == "P2O5"] == [rate]


def test_nothing_is_worked_out_from_a_missing_figure() -> None:
    found = uk("uk-2010", "winter-wheat", "olsen-volume", 12.0, "2014-03-01", yield_goal=np.nan)
    (refusal,) = (amount.refusal for amount in found.amounts if amount.nutrient == "P2O5")
    assert refusal is not None
    assert refusal.values["input"] == "yield_goal"


@pytest.mark.parametrize(("region", "day"), [("uk-2010", "2014-03-01"), ("northern-ireland", "2026-02-02")])
@pytest.mark.parametrize("crop", ["grass-silage-cut-1", "grass-hay", "ryegrass"])
def test_grass_has_an_index_to_75_mm_and_none_to_150_mm(region: str, day: str, crop: str) -> None:
    # Its phosphorus lies near the surface: a deeper sample would read an index too low and give too much.
    found = [uk(region, crop, "olsen-volume", 20.0, day, depth_to_cm=depth).results[0] for depth in (7.5, 15)]
    assert [result.class_name is None for result in found] == [False, True]


@pytest.mark.parametrize(("goal", "rate"), [(23.0, 70), (12.0, 50), (30.0, 80), (np.nan, None)])
def test_silage_moves_with_its_yield(goal: float, rate: float | None) -> None:
    # Index 1, 70 at 23 t/ha, 1.7 a tonne: 12 t 51.3, 30 t 81.9; in steps of 5. No yield, no amount.
    at = {"depth_to_cm": 7.5, "yield_goal": goal}
    found = uk("uk-2010", "grass-silage-cut-1", "olsen-volume", 12.0, "2014-03-01", **at)
    assert [a.rate for a in found.amounts if a.nutrient == "P2O5"] == [rate]


def test_what_manure_brings_is_taken_off_as_the_report_says() -> None:
    # 38 t/ha x 6 - 30 = 198; less 150 of manure 48, in steps of 10.
    at = {"depth_to_cm": 7.5, "yield_goal": 38.0, "manure_k2o_kg_per_ha": 150.0}
    found = uk("uk", "grass-silage", "k-index-uk", 2.5, "2026-02-02", **at)
    assert [a.rate for a in found.amounts if a.nutrient == "K2O"] == [50]


@pytest.mark.parametrize(("day", "classed"), [("2019-04-10", False), ("2019-04-11", True)])
def test_the_law_of_2019_counts_from_the_day_it_came_into_operation(day: str, classed: bool) -> None:
    result = uk("northern-ireland", "winter-wheat", "olsen-volume", 12.0, day).results[0]
    assert (result.class_name == "index 1") is classed
