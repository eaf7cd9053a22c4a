"""Amounts for gardens and lawns: exact per piece of ground, in weights and measures of a household."""

from __future__ import annotations

from typing import Any

import pytest

from interpretation.results import FieldAdvice, MaterialRate
from reports import garden
from reports.build import build_report
from reports.format import UNITS, Format, Units
from reports.view import GrowerReport
from reports.wording import Wording
from tests.render.demo_world import amount, field, laboratory, sample

ACRE_HA = 0.40468564224
US, METRIC = Format("en", "garden-us"), Format("en", "garden-metric")
UREA = MaterialRate(material="urea", rate=100.0, unit="kg/ha", bulk_g_per_cm3=0.737)


def plot(*materials: MaterialRate, area_ha: float | None = None, **changes: Any) -> FieldAdvice:
    """A garden with one sample that is short of nitrogen."""
    return field(
        samples=(sample("G-1", "vegetables"),),
        results=(),
        amounts=(amount("G-1", "N", 46.0, materials=materials), amount("G-1", "lime", 0.0)),
        notes=(),
        area_ha=area_ha,
        **changes,
    )


def report(advice: FieldAdvice, units: Units = "garden-us", locale: str = "en") -> GrowerReport:
    return build_report(advice, laboratory(), locale=locale, units=units)


def rows(page: GrowerReport) -> list[tuple[str, list[str]]]:
    assert page.amounts is not None
    return [(row.sample, [cell.text for cell in row.cells]) for row in page.amounts.rows]


@pytest.mark.parametrize(
    ("value", "unit", "us", "metric"),
    [
        # 43.56 lb on the 43 560 ft2 of an acre are 1 lb on 1000 ft2; 1 lb / 92.90304 m2 x 100 m2 = 488 g
        (43.56, "lb/ac", ("1", "lb/1000ft2"), ("488", "g/100m2")),
        # 1 kg on 10 000 m2 = 10 g on 100 m2; 1 kg = 2.20462 lb on 107.639 pieces of 1000 ft2: 0.0205 lb
        (1.0, "kg/ha", ("0.02", "lb/1000ft2"), ("10", "g/100m2")),
        (45.0, "kg/ha", ("0.92", "lb/1000ft2"), ("450", "g/100m2")),
        # 2000 lb / 43.56 = 45.9 lb; 0.90718474 t / 0.40468564224 ha = 2.2417 t/ha = 22.4 kg on 100 m2
        (1.0, "ton/ac", ("46", "lb/1000ft2"), ("22,417", "g/100m2")),
        (5.0, "lb/1000ft2", ("5", "lb/1000ft2"), ("2,441", "g/100m2")),
        # 1 L/ha = 10 mL on 100 m2 = 9.29 mL on 1000 ft2 = 0.314 fl oz of 29.5735 mL
        (1.0, "L/ha", ("0.31", "floz/1000ft2"), ("10", "mL/100m2")),
        (0.1, "ha", ("10,764", "ft2"), ("1,000", "m2")),
    ],
)
def test_amounts_on_a_piece_of_ground(
    value: float, unit: str, us: tuple[str, str], metric: tuple[str, str]
) -> None:
    assert US.amount(value, unit) == us
    assert METRIC.amount(value, unit) == metric


def test_a_pound_an_acre_is_a_thousandth_of_the_acre_exactly() -> None:
    assert US.conversion("lb/ac") == ("lb/1000ft2", 1 / 43.56)
    assert US.conversion("ton/ac")[1] * 43.56 == pytest.approx(2000, rel=1e-15)


def test_lime_is_told_in_kilograms_and_pounds() -> None:
    # 3 t/ha = 0.3 kg/m2 = 30 kg on 100 m2; 6613.87 lb on 107.639 pieces of 1000 ft2: 61.4 lb
    assert METRIC.amount(3.0, "t/ha", lime=True) == ("30", "kg/100m2")
    assert METRIC.amount(2.0, "ton/ac", lime=True) == ("45", "kg/100m2")
    assert US.amount(3.0, "t/ha", lime=True) == ("61", "lb/1000ft2")


def test_depths_and_lengths_follow_the_country() -> None:
    assert US.depth(20.0) == ("8", "in")
    assert METRIC.depth(20.0) == ("20", "cm")


@pytest.mark.parametrize(
    ("kg", "us", "metric"),
    [
        # 1 oz = 28.349523125 g
        (0.005, "0.18 oz", "5 g"),
        (0.0424, "1.5 oz", "42 g"),
        (0.2, "7 oz", "200 g"),
        (0.4524, "1 lb", "452 g"),  # 15.96 oz are a pound, not sixteen ounces
        (0.936, "2 lb 1 oz", "936 g"),
        (2.347, "5 lb 3 oz", "2.35 kg"),
        (4.535, "10 lb", "4.54 kg"),
        (36.3, "80 lb", "36.3 kg"),
        (500.0, "1,102 lb", "500 kg"),
    ],
)
def test_weights_are_those_of_scales_at_home(kg: float, us: str, metric: str) -> None:
    assert garden.weight(kg, US) == us
    assert garden.weight(kg, METRIC) == metric


@pytest.mark.parametrize(
    ("millilitres", "us", "metric"),
    [
        # A US cup is 236.588 mL, a tablespoon 14.787, a teaspoon 4.929; the metric ones 250, 15 and 5 mL.
        (0.5, "", ""),
        (0.7, "¼ teaspoon", "¼ teaspoon"),
        (5.0, "1 teaspoon", "1 teaspoon"),
        (10.0, "2 teaspoons", "2 teaspoons"),
        (15.0, "1 tablespoon", "1 tablespoon"),
        (37.0, "2½ tablespoons", "2½ tablespoons"),
        (62.5, "¼ cup", "¼ cup"),
        (180.0, "¾ cup", "¾ cup"),
        (236.6, "1 cup", "1 cup"),
        (590.0, "2½ cups", "2¼ cups"),
        (1300.0, "5½ cups", "5 cups"),
        (5000.0, "21 cups", "20 cups"),
        (9463.0, "40 cups", "38 cups"),
        (12_000.0, "", ""),
    ],
)
def test_measures_are_level_cups_and_spoons(millilitres: float, us: str, metric: str) -> None:
    assert garden.measure(millilitres, Wording(US)) == us
    assert garden.measure(millilitres, Wording(METRIC)) == metric


def test_a_material_is_weighed_and_measured() -> None:
    # 100 kg/ha x 0.0092903 ha = 929 g = 2 lb 1 oz; / 0.737 g/mL = 1261 mL = 5.33 cups, in halves 5½
    (line,) = report(plot(UREA)).materials
    assert line.amounts == "2 lb 1 oz (about 5½ cups) per 1,000 ft²"
    # 1000 g / 0.737 = 1357 mL = 5.43 cups of 250 mL
    (line,) = report(plot(UREA), "garden-metric").materials
    assert line.amounts == "1 kg (about 5½ cups) per 100 m²"
    (line,) = report(plot(UREA), "garden-metric", "es").materials
    assert line.amounts == "1 kg (cerca de 5½ tazas) por 100 m²"


def test_the_whole_garden_is_told_where_its_area_is_known() -> None:
    # 2500 ft2 = 0.0232258 ha: 2.32 kg of urea = 5 lb 2 oz, 3151 mL = 13.3 cups
    page = report(plot(UREA, area_ha=2500 * 0.3048**2 / 10_000))
    (line,) = page.materials
    assert line.amounts.endswith("; 5 lb 2 oz (about 13 cups) for the whole garden (2,500 ft²)")
    # 46 kg/ha of N: 0.942 lb on 1000 ft2, 1.068 kg = 2 lb 6 oz on 2500 ft2
    assert rows(page) == [
        ("vegetables", ["none needed", "0.94"]),
        ("Whole garden, 2,500 ft²", ["none needed", "2 lb 6 oz"]),
    ]


def test_there_is_no_total_for_a_garden_of_several_samples_or_of_unknown_size_or_for_a_field() -> None:
    assert len(rows(report(plot(UREA)))) == 1
    two = field(area_ha=0.02)
    assert len(rows(report(two))) == len(two.samples)
    assert not any("whole garden" in line.amounts for line in report(two).materials)
    assert len(rows(report(plot(UREA, area_ha=0.02), "us"))) == 1


def test_without_a_density_there_is_a_weight_and_no_measure() -> None:
    page = report(plot(UREA.model_copy(update={"bulk_g_per_cm3": None})))
    assert page.materials[0].amounts == "2 lb 1 oz per 1,000 ft²"
    assert "cup" not in page.words["materials-help"]


def test_a_liquid_is_measured_by_its_own_density() -> None:
    # 100 kg/ha at 1.25 kg/L = 80 L/ha: 800 mL on 100 m2, 3.2 cups, in quarters 3¼
    liquid = MaterialRate(material="uan-28", rate=100.0, unit="kg/ha", litres_per_ha=80.0)
    assert report(plot(liquid), "garden-metric").materials[0].amounts == "1 kg (about 3¼ cups) per 100 m²"


@pytest.mark.parametrize(("units", "cup"), [("garden-us", "237 mL"), ("garden-metric", "250 mL")])
def test_what_a_cup_holds_is_told(units: Units, cup: str) -> None:
    assert f"A cup holds {cup}," in report(plot(UREA), units).words["materials-help"]
    assert "cup" not in report(plot(UREA), "us").words["materials-help"]


def test_what_only_trained_people_may_handle_is_not_for_gardens() -> None:
    gas = MaterialRate(material="anhydrous-ammonia", rate=56.0, unit="kg/ha", cautions=("anhydrous-ammonia",))
    assert [line.material for line in report(plot(gas, UREA)).materials] == ["urea 46-0-0"]
    assert len(report(plot(gas, UREA), "us").materials) == 2


def test_what_a_material_brings_besides_is_told_on_the_piece() -> None:
    brings = UREA.model_copy(update={"supplies_kg_per_ha": {"N": 46.0, "S": 12.0}})
    assert report(plot(brings), "garden-metric").materials[0].remark == "It also brings S 120 g/100 m²."


def test_the_factors_of_the_working_are_stated() -> None:
    assert report(plot(UREA)).conversions == (
        "The working is in the table's own unit. 1 kg/ha = 0.020482 lb/1000 ft².",
        "The working is in the table's own unit. 1 t/ha = 20.481614 lb/1000 ft².",
    )
    assert report(plot(UREA), "garden-metric").conversions == (
        "The working is in the table's own unit. 1 kg/ha = 10 g/100 m².",
        "The working is in the table's own unit. 1 t/ha = 10 kg/100 m².",
    )


def test_mg_per_kg_has_the_name_that_growers_in_the_united_states_use() -> None:
    said = {units: "(ppm)" in build_report(field(), laboratory(), units=units).scale_help for units in UNITS}
    assert said == {"metric": False, "us": True, "garden-metric": False, "garden-us": True}
    acid_only = field(results=tuple(one for one in field().results if one.unit == "pH"))
    assert "ppm" not in build_report(acid_only, laboratory(), units="us").scale_help
