"""Numbers, dates and amounts as readers of one country write them."""

from __future__ import annotations

import math
from datetime import date
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.format import UNITS, Format, half_up, printed, soil_unit
from reports.wording import Language, Wording

EN, ES, MX, US = Format("en"), Format("es"), Format("es-MX"), Format("en", "us")


@pytest.mark.parametrize(
    ("value", "decimals", "rounded"),
    [
        (790.5, 0, 791.0), (790.4999, 0, 790.0), (1425.0, -1, 1430.0), (1424.9, -1, 1420.0),
        (0.285, 2, 0.29),  # as it is written; the double lies below
        (2.5, 0, 3.0), (-2.5, 0, -3.0), (0.0, 3, 0.0), (1e300, 3, 1e300), (math.inf, 1, math.inf),
    ],
)  # fmt: skip
def test_a_half_goes_up(value: float, decimals: int, rounded: float) -> None:
    assert half_up(value, decimals) == rounded


@pytest.mark.parametrize(
    ("value", "decimals", "english", "spanish"),
    [
        (7.25, 1, "7.3", "7,3"),  # a half goes up, as it does in the classes
        (1234.5, 1, "1,234.5", "1.234,5"),
        (-0.04, 1, "0.0", "0,0"),  # no minus before a zero
        (-4.2, 1, "−4.2", "−4,2"),  # a minus sign, not a hyphen
        (12.0, 0, "12", "12"),
    ],
)
def test_numbers_by_locale(value: float, decimals: int, english: str, spanish: str) -> None:
    assert (EN.number(value, decimals), ES.number(value, decimals)) == (english, spanish)


def test_the_country_decides_point_or_comma() -> None:
    assert MX.number(7.25, 2) == "7.25"


def test_spanish_in_pounds_is_written_with_a_point_as_in_the_united_states() -> None:
    assert [Format("es", units).plain(7.25) for units in UNITS] == ["7,25", "7.25", "7,25", "7.25"]
    assert Format("es-ES", "us").plain(7.25) == "7,25"
    assert Format("es", "us").day(date(2026, 3, 2)) == "2 de marzo de 2026"


@pytest.mark.parametrize("locale", get_args(Language))
def test_every_language_that_can_be_asked_for_has_words_and_a_way_to_write(locale: str) -> None:
    write = Format(locale)
    assert write.plain(7.25) == ("7,25" if locale == "es" else "7.25")
    assert Wording(write).page("page-word") in ("Page", "Página")
    assert write.day(date(2026, 3, 2)) in ("March 2, 2026", "2 March 2026", "2 de marzo de 2026")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (45.0, "45"),
        (0.00031, "0.00031"),
        (0.1234567, "0.1235"),
        (123456.0, "123,456"),
        (2.5e-6, "2.500·10⁻⁶"),
        (3.1e8, "3.100·10⁸"),
        (float("nan"), "–"),
    ],
)
def test_plain_numbers_have_four_figures_at_most(value: float, text: str) -> None:
    assert EN.plain(value) == text


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        # 1 lb/ac = 0.45359237 kg / 0.40468564224 ha = 1.120851 kg/ha
        (112.0851, "kg/ha", ("100", "lb/ac")),
        (9.0, "kg/ha", ("8", "lb/ac")),  # 8.03: one decimal, and .0 is not written
        (0.5, "kg/ha", ("0.45", "lb/ac")),  # 0.446
        (2.2417, "t/ha", ("1", "ton/ac")),
        (0.0, "kg/ha", ("0", "lb/ac")),
        (10.0, "ha", ("25", "ac")),  # 24.71
        (20.0, "cm", ("7.9", "in")),
        (100.0, "L/ha", ("11", "gal/ac")),  # 100 x 0.40468564224 / 3.785411784 = 10.69
        (40.0, "lb/ac", ("40", "lb/ac")),
    ],
)
def test_us_amounts(value: float, unit: str, expected: tuple[str, str]) -> None:
    assert US.amount(value, unit) == expected


def test_metric_amounts_stay_or_come_from_us_units() -> None:
    assert EN.amount(45.0, "kg/ha") == ("45", "kg/ha")
    assert EN.amount(100.0, "lb/ac") == ("112", "kg/ha")
    assert EN.amount(1.0, "ton/ac") == ("2.2", "t/ha")


@given(st.floats(0.001, 1e6, allow_nan=False))
def test_a_converted_amount_stays_within_its_last_digit(value: float) -> None:
    number, _ = US.amount(value, "kg/ha")
    exact = value / 1.1208511561944561
    step = 1.0 if exact >= 9.95 else 0.1 if exact >= 0.995 else 0.01
    assert abs(float(number.replace(",", "")) - exact) <= max(step, 0.0005 * exact)


def test_days_name_the_month() -> None:
    day = date(2026, 3, 2)
    assert (EN.day(day), ES.day(day)) == ("March 2, 2026", "2 de marzo de 2026")
    assert Format("en-GB").day(day) == "2 March 2026"
    assert EN.day(None) == "–"


def test_lists_are_joined_in_the_language() -> None:
    assert EN.join(["North", "West", "South"]) == "North, West, and South"
    assert ES.join(["North", "West"]) == "North y West"


def test_units_and_forms_are_spelled_for_the_eye() -> None:
    assert (printed("P2O5"), printed("ug/kg"), printed("kg/ha")) == ("P₂O₅", "µg/kg", "kg/ha")
    assert (soil_unit("mg/kg"), soil_unit("pH")) == (" mg/kg", "")


@pytest.mark.parametrize(
    ("value", "unit", "metric", "us"),
    [
        # 2000 lb = 1 short ton; 1 ton/ac = 907.18474 kg / 0.40468564224 ha = 2.2417 t/ha
        (2000.0, "lb/ac", ("2.2", "t/ha"), ("1", "ton/ac")),
        (5040.0, "lb/ac", ("5.6", "t/ha"), ("2.5", "ton/ac")),
        # 50 lb on 1000 ft2 are 2178 lb on the 43 560 ft2 of an acre: 1.089 tons, 2.441 t/ha
        (50.0, "lb/1000ft2", ("2.4", "t/ha"), ("1.1", "ton/ac")),
        (3.5, "t/ha", ("3.5", "t/ha"), ("1.6", "ton/ac")),
        (500.0, "kg/ha", ("0.5", "t/ha"), ("0.22", "ton/ac")),
        (1.75, "ton/ac", ("3.9", "t/ha"), ("1.75", "ton/ac")),
        (0.0, "lb/ac", ("0", "t/ha"), ("0", "ton/ac")),
    ],
)
def test_lime_is_told_in_tonnes_or_tons(
    value: float, unit: str, metric: tuple[str, str], us: tuple[str, str]
) -> None:
    assert EN.amount(value, unit, lime=True) == metric
    assert US.amount(value, unit, lime=True) == us


def test_pounds_per_thousand_square_feet() -> None:
    # 1 lb / 92.90304 m2 = 48.8243 kg/ha
    assert EN.amount(1.0, "lb/1000ft2") == ("49", "kg/ha")
    assert US.amount(1.0, "lb/1000ft2") == ("1", "lb/1000ft2")
    assert printed("lb/1000ft2") == "lb/1000 ft²"
